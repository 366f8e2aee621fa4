"""What the reasons of kept corrections ask for: a piece with its parameters."""

import re

from calib.model.request import Request

#: How interpreters name a piece in a reason, with what stands before and after it.
_COMMAND = re.compile(
    r"[:;]?\s*\(?truebead make ([a-z]+(?:-[a-z]+)*)((?: --set [a-z_]+=[\w+-]+(?:\.\w+)?)*)\)?"
)


def asked_for(reason: str) -> Request | None:
    """Return the piece that an interpreter's reason asks for; None where it names none."""
    from patterns import registry

    found = _COMMAND.search(reason)
    if found is None or found[1] not in registry.all_patterns() | registry.all_checks():
        return None
    pairs = (word.split("=", 1) for word in found[2].split() if "=" in word)
    return Request(pattern=found[1], parameters={k: _number_or_word(v) for k, v in pairs})


def without_command(reason: str) -> str:
    """Return a reason without the command in it, which is shown by itself."""
    return _COMMAND.sub("", reason).strip()


def _number_or_word(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text
