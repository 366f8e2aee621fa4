"""The cautions that are shown wherever the work can hurt someone, and stand in every file that is made for it."""

import contextlib
import os
import time
from pathlib import Path

SAFETY = (
    "Hot end and bed burn; moving parts pinch. Some filaments give off harmful fumes: ventilate."
    " Do not leave a printer unattended. Follow the maker's limits and local electrical and fire"
    " rules; let a qualified person do mains wiring."
)

#: Whoever comes back after this long sits down to a new session of work.
SESSION_HOURS = 4.0


def cautions_due(*, to_terminal: bool) -> bool:
    """Whether the cautions are to be shown now; whoever asks shows them, and they count as shown.

    What a script or a pipe was shown does not count for who sits at the terminal. Where the moment can't
    be kept they are always due.
    """
    from platformdirs import user_state_path

    own = os.environ.get("TRUEBEAD_STATE")
    folder = Path(own) if own else user_state_path("truebead", appauthor=False)
    mark = folder / f"cautions-shown{'' if to_terminal else '-to-a-script'}"
    shown = 0.0
    with contextlib.suppress(OSError):
        shown = mark.stat().st_mtime
    if 0 <= time.time() - shown < SESSION_HOURS * 3600:
        return False
    with contextlib.suppress(OSError):
        mark.parent.mkdir(parents=True, exist_ok=True)
        mark.touch()
    return True
