"""A whole file through the rewriter: read in blocks, written beside the target, and put in place at the end."""

import contextlib
import tempfile
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np

from calib.apply.gcode.check import Check
from calib.apply.gcode.job import Job, describe_job
from calib.apply.gcode.result import Change, Result
from calib.apply.gcode.rewriter import FOREIGN, Rewriter
from calib.apply.source import open_source, refuse_target
from calib.errors import FileError
from calib.files import Around, replacing
from calib.safety import SAFETY

#: One block; larger gains nothing, smaller pays more for calls into numpy.
BLOCK_BYTES = 384 * 1024

#: More than all arrays of a block together; it is asked for and never used, so it takes no memory.
_LARGE_BYTES = 24 * 1024 * 1024

#: No line of G-code is this long; a file with one is not G-code.
LONGEST_LINE = 64 * 1024

#: How a file says that it has been corrected already.
MARK = "; corrected by truebead:"

#: Bytes that no text has.
MARKS = (b"\0", b"\1", b"\2", b"\3")

_BOM = b"\xef\xbb\xbf"


def rewrite(
    source: BinaryIO,
    target: BinaryIO | None,
    job: Job,
    name: str,
    *,
    show: int = 0,
    again: bool = False,
    step: Callable[[int], None] = lambda _: None,
) -> Result:
    """Rewrite G-code from one stream to another, in memory that does not depend on its size.

    Parameters
    ----------
    source, target : binary streams
        `target` may be None to find out what would happen.
    job : Job
        What to change. If nothing, the output is the input byte for byte.
    name : str
        The file's name, for messages.
    show : int
        How many changed lines to keep in the result.
    again : bool
        Whether a file that has been corrected before may be corrected once more.
    step : function
        Called with the number of bytes read after each block.

    Raises
    ------
    FileError
        The file is not G-code, is damaged, goes past the printer's limits, or was corrected before.
    """
    _keep_freed_memory()
    rewriter = Rewriter(job, name)
    result = rewriter.result
    first = True
    for block in _blocks(source, name):
        result.bytes_in += len(block)
        head = b""
        if first:
            first = False
            if block.startswith(_BOM):
                head, block = _BOM, block[len(_BOM) :]
            if not (job.does_nothing or again):
                _refuse_second_time(block, name)
            rewriter.newline = b"\r\n" if block.partition(b"\n")[0].endswith(b"\r") else b"\n"
            head += b"" if job.does_nothing else _header(job, rewriter.newline)
        new = _block(rewriter, block, show)
        result.bytes_out += len(head) + len(new)
        if target is not None:
            target.write(head + new)
        step(result.bytes_in)
    if first:
        raise FileError("the file is empty", where=name)
    if tail := rewriter.close():
        tail = tail if block.endswith(b"\n") else rewriter.newline + tail
        result.bytes_out += len(tail)
        if target is not None:
            target.write(tail)
    _conclude(rewriter, result)
    return result


def _keep_freed_memory() -> None:
    """Have the C library keep memory that is freed for the next block.

    It gives back less at a time than the largest piece that was ever freed, which this makes large. Without it, much
    time goes into returning arrays to the system and getting them again. Nothing is lost where it does not work so.
    """
    np.empty(_LARGE_BYTES, np.uint8)


def _block(rewriter: Rewriter, block: bytes, show: int) -> bytes:
    """Rewrite one block, which may lack its last newline; keep its changes while fewer than `show` are kept."""
    newline = b"" if block.endswith(b"\n") else rewriter.newline
    changes = rewriter.result.changes
    if len(changes) < show:
        lines = (block + newline).splitlines(keepends=True)
        changes += _changes(rewriter.copy(), lines, show - len(changes))
    new = rewriter.block(block + newline)
    return new[: len(new) - len(newline)]


def _changes(rewriter: Rewriter, lines: list[bytes], most: int) -> list[Change]:
    """Return the first changes among some lines, looked for by halves; the rewriter then stands behind the lines."""
    before, old = rewriter.copy(), b"".join(lines)
    new = rewriter.block(old)
    if new == old or most <= 0:
        return []
    if len(lines) == 1:
        was, text = (
            t.decode("utf-8", "replace").replace("\r", "").rstrip("\n") for t in (old, new)
        )
        return [Change(rewriter.state.line, was, text)]
    half = len(lines) // 2
    found = _changes(before, lines[:half], most)
    return found + _changes(before, lines[half:], most - len(found))


def _blocks(source: BinaryIO, name: str) -> Iterator[bytes]:
    """Yield blocks of whole lines; only the last may lack its newline."""
    rest = b""
    while data := source.read(BLOCK_BYTES):
        if any(mark in data for mark in MARKS):
            raise FileError(
                "this is not plain-text G-code (it has bytes that no text has)",
                where=name,
                mend="export the file as text G-code, not packed or binary",
            )
        cut = data.rfind(b"\n") + 1
        if cut == 0:
            rest += data
        else:
            yield rest + data[:cut]
            rest = data[cut:]
        if len(rest) > LONGEST_LINE + BLOCK_BYTES:
            raise FileError("a line has no end; this is not G-code", where=name)
    if rest:
        yield rest


def _refuse_second_time(block: bytes, name: str) -> None:
    if MARK.encode() in block:
        raise FileError(
            "the file has been corrected before, and would be corrected twice",
            where=name,
            mend="start from the file as it was sliced, or insist with --again",
        )


def _header(job: Job, newline: bytes) -> bytes:
    lines = [f"{MARK} {text}" for text in (*describe_job(job), *textwrap.wrap(SAFETY, 100))]
    return b"".join(line.encode() + newline for line in lines)


def _conclude(rewriter: Rewriter, result: Result) -> None:
    """Add what the user should know at the end; refuse what was no G-code, or not the schedule's."""
    job, state, unseen = rewriter.job, rewriter.state, rewriter.gate.unseen
    if unseen.get(FOREIGN, (0, 0))[1] > rewriter.commands or not (
        rewriter.commands or state.motion >= 0
    ):
        raise FileError(
            "this is no G-code: most lines are not made of its words", where=rewriter.name
        )
    result.lines = state.line
    if job.schedule:
        _conclude_schedule(rewriter, result)
    for what, (line, count) in unseen.items():
        first = f"line {line}" if count == 1 else f"{count}, the first in line {line}"
        result.warnings.append(f"{what}: {first}")
    if unseen:
        result.warnings.append("look at what is listed here before you print")
    if not job.limits.has_volume:
        result.warnings.append("the build volume is not known, so places were not checked")
    if job.limits.hot_end_max_c is None:
        result.warnings.append(
            "the hot end's rating is not known, so temperatures were not checked"
        )


def _conclude_schedule(rewriter: Rewriter, result: Result) -> None:
    reached = rewriter.state.layer_z_mm
    rows, line = rewriter.job.schedule, rewriter.job.line
    if not (result.inserted or result.retractions or result.speeds):
        raise FileError(
            f"nothing is printed inside the schedule's heights (the highest layer is {reached:g} mm)",
            where=rewriter.name,
            mend="check that the schedule belongs to this file",
        )
    if rewriter.speeds.crossing:
        result.warnings.append(
            f"{rewriter.speeds.crossing} moves go on where the speed changes along X: is the piece where it was drawn?"
        )
    last = max(rows, key=lambda r: r.z_from_mm)
    if line and reached > last.z_from_mm:
        result.warnings.append(
            f"{last.setting} stays at {last.value:g} after the print: no row above it says what was set before"
        )
    elif not line and reached < last.z_from_mm:
        result.warnings.append(
            f"the print ends at {reached:g} mm, before the schedule's last row begins"
        )


def rewrite_file(
    source: Path,
    target: Path | None,
    job: Job,
    *,
    show: int = 0,
    again: bool = False,
    step: Callable[[int], None] = lambda _: None,
    verify: Callable[[Path], list[Check]] | None = None,
    around: Around = None,
) -> Result:
    """Rewrite a file; `target` appears only when everything in it has passed.

    Parameters
    ----------
    target : Path or None
        Where to; None only finds out what would happen.
    verify : function, optional
        Called with the finished file before it takes the target's place; if anything in the answer is not good, it
        does not.
    around : function, optional
        See `calib.files.replacing`.

    Raises
    ------
    FileError
        See `rewrite`; the source can't be read, the target not written, or the check has failed.
    """
    if target is not None:
        refuse_target(target)
    with open_source(source) as stream, _output(target, around, verify is not None) as out:
        result = rewrite(stream, out, job, source.name, show=show, again=again, step=step)
        if verify is not None and out is not None:
            out.flush()
            result.checks = verify(Path(out.name))
            _refuse_failed(result.checks, source.name)
    return result


def _output(
    target: Path | None, around: Around, needed: bool
) -> contextlib.AbstractContextManager[BinaryIO | None]:
    """Open the output; without a target a file that is thrown away, or nothing."""
    if target is not None:
        return replacing(target, force=True, around=around)
    if needed:
        return cast("contextlib.AbstractContextManager[BinaryIO]", tempfile.NamedTemporaryFile())
    return contextlib.nullcontext()


def _refuse_failed(checks: list[Check], name: str) -> None:
    failed = [c for c in checks if not c.good]
    if failed:
        c = failed[0]
        raise FileError(
            f"the check failed: {c.what} should be {c.expected}, is {c.found}",
            where=name,
            mend="nothing was written; please report this file",
        )
