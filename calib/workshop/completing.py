"""What a shell may complete: the user's own names, patterns, kinds of events; nothing where it can't be known."""

from collections.abc import Callable
from typing import Any

Complete = Callable[[Any, str], list[str]]


def names(what: str) -> Complete:
    """Return what completes the name of a printer, nozzle, spool or instrument.

    The store is the one of ``--store`` where it was typed before, else the usual one. Whatever goes
    wrong, nothing is completed: a shell that waits for a name is no place for messages.
    """

    def complete(ctx: Any, incomplete: str) -> list[str]:
        from calib.workshop import open_workshop

        try:
            with open_workshop((getattr(ctx, "params", None) or {}).get("store")) as workshop:
                known = getattr(workshop, f"{what}s")()
                found = dict.fromkeys(thing.name for thing in known)
        except Exception:  # see above
            return []
        return [name for name in found if name.startswith(incomplete)]

    return complete


def patterns(ctx: Any, incomplete: str) -> list[str]:
    """Complete the name of a pattern or check."""
    from patterns import registry

    known = (*registry.all_patterns(), *registry.all_checks())
    return [name for name in known if name.startswith(incomplete)]


def events(ctx: Any, incomplete: str) -> list[str]:
    """Complete the kind of an event."""
    from calib.profile.events import EVENTS

    return [e.name for e in EVENTS if e.happens_to and e.name.startswith(incomplete)]


def settings(ctx: Any, incomplete: str) -> list[str]:
    """Complete the name of a setting, or of a topic that stands for several."""
    from calib.model.setting import SETTINGS

    known = ("scale", "skew", *SETTINGS)
    return [name for name in known if name.startswith(incomplete)]
