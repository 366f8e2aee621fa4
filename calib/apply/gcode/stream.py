"""A whole file through the rewriter: read in blocks, written beside the target, and put in place at the end."""

import contextlib
import copy
import math
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np

from calib.apply.gcode.check import Check
from calib.apply.gcode.exact import Exact
from calib.apply.gcode.fast import Fast
from calib.apply.gcode.job import Job, describe_job
from calib.apply.gcode.plan import Plan
from calib.apply.gcode.state import Printed, State
from calib.errors import FileError
from calib.files import Around, replacing

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


@dataclass(slots=True)
class Change:
    """A line before and after, for showing."""

    line: int
    old: str
    new: str


@dataclass(slots=True)
class Result:
    """What came of a rewrite."""

    printed: Printed
    changed: bool
    bytes_in: int = 0
    bytes_out: int = 0
    changes: list[Change] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)


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
    state = State(job=job)
    exact = Exact(job, Plan(job.schedule, job.limits, wait=job.wait), state, name)
    fast = Fast(exact)
    result = Result(state.printed, changed=not job.does_nothing)
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
            exact.newline = b"\r\n" if b"\r\n" in block[:4096] else b"\n"
            head += b"" if job.does_nothing else _header(job, exact.newline)
        new = _block(fast, block, result, show)
        if job.does_nothing:
            new = block
        result.bytes_out += len(head) + len(new)
        if target is not None:
            target.write(head + new)
        step(result.bytes_in)
    if first:
        raise FileError("the file is empty", where=name)
    state.printed.lines = state.line
    _conclude(exact, result)
    return result


def _keep_freed_memory() -> None:
    """Have the C library keep memory that is freed for the next block.

    It gives back less at a time than the largest piece that was ever freed, which this makes large. Without it, much
    time goes into returning arrays to the system and getting them again. Nothing is lost where it does not work so.
    """
    np.empty(_LARGE_BYTES, np.uint8)


def _block(fast: Fast, block: bytes, result: Result, show: int) -> bytes:
    """Rewrite one block, which may lack its last newline."""
    newline = b"" if block.endswith(b"\n") else fast.exact.newline
    before = copy.deepcopy(fast.state) if len(result.changes) < show else None
    new = fast.block(block + newline)
    new = new[: len(new) - len(newline)]
    if before is not None and new != block:
        _keep_changes(Exact(fast.job, fast.plan, before, fast.exact.name), block, result, show)
    return new


def _keep_changes(exact: Exact, block: bytes, result: Result, show: int) -> None:
    """Go through a changed block once more with care, until enough changed lines are found."""
    for raw in block.splitlines(keepends=True):
        new = exact.line(raw)
        if new != raw:
            text = [t.decode("utf-8", "replace").rstrip("\r\n") for t in (raw, new)]
            result.changes.append(Change(exact.state.line, text[0], text[1].replace("\r", "")))
        if len(result.changes) >= show:
            return


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
    lines = [f"{MARK} {text}" for text in describe_job(job)]
    return b"".join(line.encode() + newline for line in lines)


def _conclude(exact: Exact, result: Result) -> None:
    """Add what the user should know at the end."""
    printed, job = exact.state.printed, exact.job
    if job.only_schedules and not job.limits.has_volume:  # most places have not been read
        printed.low_mm, printed.high_mm = [math.inf] * 3, [-math.inf] * 3
    if job.schedule and not printed.inserted:
        reached = exact.state.layer_z_mm
        raise FileError(
            f"nothing is printed inside the schedule's heights (the highest layer is {reached:g} mm)",
            where=exact.name,
            mend="check that the schedule belongs to this file",
        )
    if job.schedule and exact.state.layer_z_mm < max(r.z_from_mm for r in job.schedule):
        result.warnings.append(
            f"the print ends at {exact.state.layer_z_mm:g} mm, before the schedule's last row begins"
        )
    if printed.foreign:
        result.warnings.append(
            f"{printed.foreign} lines are not G-code words and were copied as they are"
            f" (first: line {printed.first_foreign}); what they set has not been checked"
        )
    if not job.limits.has_volume:
        result.warnings.append("the build volume is not known, so places were not checked")
    if job.limits.hot_end_max_c is None:
        result.warnings.append(
            "the hot end's rating is not known, so temperatures were not checked"
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
    around : context manager, optional
        See `calib.files.replacing`.

    Raises
    ------
    FileError
        See `rewrite`; the source can't be read, the target not written, or the check has failed.
    """
    try:
        stream = source.open("rb")
    except OSError as err:
        raise FileError(f"can't read it ({err.strerror})", where=str(source)) from err
    with stream, _output(target, around, verify is not None) as out:
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
