"""Text that came from outside, made fit to be shown on a terminal."""

import unicodedata


def shown_text(text: str) -> str:
    """Return text as it can be shown on a terminal: no control characters, nothing that turns the line round.

    Line ends and tabs become spaces. Joiners stay: some scripts need them inside words.
    """
    if text.isprintable():
        return text
    return "".join(map(_shown_character, text))


def _shown_character(c: str) -> str:
    if c in "\n\r\t":
        return " "
    if c in "\u200c\u200d" or c.isprintable():
        return c
    return " " if unicodedata.category(c) == "Zs" else "\N{REPLACEMENT CHARACTER}"
