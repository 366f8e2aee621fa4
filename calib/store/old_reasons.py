"""Reasons as they were kept before requests were data: the command to type stood in the sentence."""

import re
from typing import Any

_COMMAND = re.compile(
    r"[:;]?\s*\(?truebead make ([a-z]+(?:-[a-z]+)*)((?: --set [a-z_]+=[\w+-]+(?:\.\w+)?)*)\)?"
)


def parted(reason: str, setting: str) -> tuple[str, list[dict[str, Any]]]:
    """Return a reason without its command, and the request that the command was, as plain data.

    Parameters
    ----------
    setting : str
        Name of the setting that the reason speaks of.
    """
    found = _COMMAND.search(reason)
    if found is None:
        return reason, []
    pairs = (word.split("=", 1) for word in found[2].split() if "=" in word)
    request = {
        "pattern": found[1],
        "parameters": {name: _number_or_word(value) for name, value in pairs},
        "why": "",
        "settles": [setting],
    }
    return _COMMAND.sub("", reason).strip(), [request]


def _number_or_word(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text
