"""Lines that are not spelled the plain way: respelled, copied as they are, or refused.

Follows the description of RS274/NGC (Kramer, Proctor, Messina, NIST IR 6556, 2000, section 3.3): letters may be in
either case, blanks mean nothing inside a line, comments stand in parentheses. Comments after a semicolon, checksums
after a star and commands with free text are common practice of printer firmware, no source.
"""

import math
import re

from calib.apply.gcode.codes import IMPORTANT_M, MODAL_G, TEXT_M, important_g
from calib.errors import FileError

_WORD = re.compile(rb"([A-Z])([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)?)")
_LEAD = re.compile(rb"([GM])[ \t]*([0-9]+)(?:\.([0-9]))?")
_EXPONENT = re.compile(rb"([0-9.])([eE])[-+]?[0-9]")
COMMENT = re.compile(rb"\([^()\n]*\)")

#: Letters of words that a move reads.
MOVE_LETTERS = "XYZEFIJR"


class Foreign(Exception):
    """A line is not made of words: a macro or free text, which is copied."""


def blank_comments(text: bytes) -> bytes:
    """Return a text with blanks in place of comments in parentheses."""
    return COMMENT.sub(lambda found: b" " * len(found[0]), text) if b"(" in text else text


def read_words(code: bytes, where: str) -> list[tuple[str, float]]:
    """Return the words of a line without its comments; a letter alone has the number nan.

    Raises
    ------
    Foreign
        It is not made of words.
    FileError
        It has a number with an exponent, which printers read in several ways.
    """
    raw, code = code, code.upper()
    bare = code.translate(None, b" \t\r")
    words = _WORD.findall(bare)
    if not words or sum(1 + len(number) for _, number in words) != len(bare):
        raise Foreign
    _refuse_exponent(raw, where)
    return [(c.decode(), float(n) if n.strip(b"+-") else math.nan) for c, n in words]


def _refuse_exponent(raw: bytes, where: str) -> None:
    """Refuse E behind a digit, but in a line without any blanks, all in one case, that is no M-code."""
    found = _EXPONENT.search(raw)
    if not found:
        return
    code = raw.strip()
    compact = not re.search(rb"[ \t]", code) and code[:1] not in b"Mm"
    if not (compact and code[:1].isupper() == found[2].isupper()):
        raise FileError(
            f"{code.decode('utf-8', 'replace')[:60]!r} has E behind a digit, which may be an exponent",
            where=where,
            mend="write the number out, or put a blank before the E",
        )


def respell(code: bytes, where: str) -> list[bytes] | None:
    """Return the plain spelling of a line, one for each command on it; None if it is to be copied.

    Raises
    ------
    Foreign
        The line is a macro or free text.
    FileError
        It can't be read, and is not one that may be left alone.
    """
    lead = _LEAD.match(code.upper().strip())
    if lead and lead[1] == b"M" and int(lead[2]) in TEXT_M:
        return None
    try:
        words = read_words(code, where)
    except Foreign:
        _refuse_damaged(code, lead, where)
        raise
    commands = [w for w in words if w[0] in "GM"]
    if not commands:
        return _respell_modal(code, words, where)
    if len(commands) == 1 and not _matters(*commands[0]):
        return None
    return _split(words, commands, where)


def _refuse_damaged(code: bytes, lead: re.Match[bytes] | None, where: str) -> None:
    """Refuse a line that is not made of words but begins like one that has to be understood."""
    text = code.decode("utf-8", "replace").strip()
    if lead and _matters(lead[1].decode(), float(int(lead[2]))):
        mend = "use a decimal point" if re.search(r"[0-9],[0-9]", text) else "mend or drop it"
        raise FileError(f"can't read {text[:60]!r}", where=where, mend=mend)
    if text.startswith("/"):
        raise FileError(
            "a line that begins with / may be skipped or not, so it can't be followed",
            where=where,
            mend="take the / away, or the line",
        )


def _matters(letter: str, number: float) -> bool:
    """Tell whether a command has to be understood."""
    if not math.isfinite(number):
        return True
    return int(number) in IMPORTANT_M if letter == "M" else important_g(number)


def _respell_modal(code: bytes, words: list[tuple[str, float]], where: str) -> list[bytes]:
    letter = words[0][0]
    if letter == "T" and len(words) == 1:
        return [_spell(words, where)]
    if letter not in MOVE_LETTERS or any(math.isnan(v) for _, v in words):
        raise Foreign  # a macro that happens to look like words
    return [_spell(words, where)]


def _split(
    words: list[tuple[str, float]], commands: list[tuple[str, float]], where: str
) -> list[bytes]:
    """Return one line for each command: modes first, then the one that takes the other words.

    The order of execution follows NIST IR 6556, table 8.
    """
    modes = [w for w in commands if w[0] == "G" and w[1] in MODAL_G]
    rest = [w for w in commands if w not in modes]
    others = [w for w in words if w not in commands]
    if ("G", 53.0) in rest:
        raise FileError(
            "G53 is a move in machine coordinates, which can't be followed", where=where
        )
    if len(rest) > 1:
        raise FileError(
            "two commands stand on one line", where=where, mend="give each a line of its own"
        )
    lines = [_spell([w], where) for w in sorted(modes, key=lambda w: MODAL_G[w[1]])]
    if rest or others:
        lines.append(_spell(rest + others, where))
    return lines


def _spell(words: list[tuple[str, float]], where: str) -> bytes:
    letters = [c for c, _ in words]
    if len(set(letters)) != len(letters):
        raise FileError("a letter is given twice on the line", where=where)
    texts = []
    for letter, value in words:
        if letter in MOVE_LETTERS and not abs(value) < 4e6 and words[0] in _MOVES:
            shown = "no number" if math.isnan(value) else f"{value:g}"
            raise FileError(
                f"{letter} has {shown}, which is no coordinate",
                where=where,
                mend="the file is damaged; slice it again",
            )
        number = "" if math.isnan(value) else f"{value:.7f}".rstrip("0").rstrip(".")
        texts.append(letter + number)
    return " ".join(texts).encode()


_MOVES = [("G", float(g)) for g in range(4)]
