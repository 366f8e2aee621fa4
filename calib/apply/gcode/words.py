"""One line of G-code read with care: line number, words, comments, checksum, line ending.

Follows the description of RS274/NGC (Kramer, Proctor, Messina, NIST IR 6556, 2000, section 3.3): letters may be in
either case, blanks mean nothing inside a line, comments stand in parentheses. Comments after a semicolon, checksums
after a star and commands with free text are common practice of printer firmware, no source.
"""

import re
from dataclasses import dataclass

from calib.errors import FileError

_WORD = re.compile(rb"([A-Za-z])[ \t]*([+-]?[0-9 \t]*\.?[0-9 \t]*)")
_NUMBER = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)\Z")
_LINE_NUMBER = re.compile(rb"[ \t]*[Nn][ \t]*([0-9]+)[ \t]*")
_CHECKSUM = re.compile(rb"\*[ \t]*([0-9]+)[ \t]*\Z")


@dataclass(frozen=True, slots=True)
class Line:
    """A line taken apart; the parts put together again give the line back."""

    head: bytes  # blanks before the first word
    code: bytes  # words, with any comment in parentheses between them
    tail: bytes  # blanks and a semicolon comment
    ending: bytes  # b"\n", b"\r\n" or nothing
    number: int | None = None  # N word
    checked: bool = False  # had a checksum


def split_line(raw: bytes, where: str) -> Line:
    """Take a line apart.

    Raises
    ------
    FileError
        The checksum does not match the line, or a carriage return stands inside it.
    """
    body = raw.rstrip(b"\r\n")
    ending = raw[len(body) :]
    if b"\r" in body or ending not in (b"\n", b"\r\n", b""):
        raise FileError(
            "a carriage return stands inside the line",
            where=where,
            mend="save the file with LF or CRLF line endings",
        )
    cut = _code_end(body)
    code, tail = body[:cut], body[cut:]
    number, checked = None, False
    if found := _LINE_NUMBER.match(code):
        number = int(found[1])
        star = _CHECKSUM.search(code)
        if star:
            _verify(code[: star.start()], int(star[1]), where)
            code, checked = code[: star.start()], True
        code = code[found.end() :]
    head = code[: len(code) - len(code.lstrip(b" \t"))]
    code = code[len(head) :]
    kept = code.rstrip(b" \t")
    return Line(head, kept, code[len(kept) :] + tail, ending, number, checked)


def _code_end(body: bytes) -> int:
    """Return where a semicolon comment begins; a semicolon inside parentheses does not begin one."""
    if b"(" not in body:
        cut = body.find(b";")
        return len(body) if cut < 0 else cut
    inside = False
    for i, c in enumerate(body):
        if c == 0x28:
            inside = True
        elif c == 0x29:
            inside = False
        elif c == 0x3B and not inside:
            return i
    return len(body)


def _verify(code: bytes, given: int, where: str) -> None:
    if checksum(code) != given:
        raise FileError(
            f"checksum *{given} does not match the line (it adds up to {checksum(code)})",
            where=where,
            mend="the file is damaged; slice or copy it again",
        )


def checksum(code: bytes) -> int:
    """Return the exclusive-or of the bytes before the star (common practice, no source)."""
    total = 0
    for c in code:
        total ^= c
    return total


@dataclass(slots=True)
class Word:
    """A letter and a number, and where they are in the code."""

    letter: str
    value: float
    at: int
    start: int
    end: int


def read_words(code: bytes) -> list[Word] | None:
    """Return the words of a line, or None where it is not made of words alone (free text, a macro)."""
    if b"(" in code or b")" in code:
        blanked = _blank_comments(code)
        if blanked is None:
            return None
        code = blanked
    words = []
    i, n = 0, len(code)
    while i < n:
        if code[i] in b" \t":
            i += 1
            continue
        found = _WORD.match(code, i)
        if not found:
            return None
        text = found[2].replace(b" ", b"").replace(b"\t", b"")
        if text and not _NUMBER.match(text):
            return None
        stripped = found[2].rstrip()
        start = found.start(2) + len(stripped) - len(stripped.lstrip())
        end = found.start(2) + len(stripped)
        value = float(text) if text else float("nan")
        words.append(Word(found[1].decode().upper(), value, i, start, end))
        i = found.end()
    return words


def _blank_comments(code: bytes) -> bytes | None:
    out = bytearray(code)
    inside = False
    for i, c in enumerate(code):
        if c == 0x28:
            if inside:
                return None
            inside = True
        if inside:
            out[i] = 0x20
        if c == 0x29:
            if not inside:
                return None
            inside = False
    return None if inside else bytes(out)
