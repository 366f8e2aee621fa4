"""What is written for a path: new numbers for the words that change, and one gather that puts the block together.

The new block is a row of pieces, each a stretch of bytes of a pool that holds the block as it came, the new numbers and
what is put in. A row that changes is spelled anew: G1 X Y Z I J R E F; all others are copied as one piece.
"""

from dataclasses import dataclass, field
from functools import reduce
from operator import xor
from typing import Any

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.codes import M
from calib.apply.gcode.job import Job
from calib.apply.gcode.lines import LETTERS, Lines
from calib.apply.gcode.numbers import (
    F64,
    I64,
    ONE,
    PART,
    Bool,
    carried,
    shifted,
    write_count,
    write_counts,
)
from calib.apply.gcode.path import AXES, Path


@dataclass(slots=True)
class Written:
    """What a printer remembers of the file as it is written; lengths are counts of 1e-8 mm."""

    at: list[int]
    offset: list[int] = field(default_factory=lambda: [0] * 3)
    motion: int = -1  # differs from the file's own where arcs were turned into straight moves
    e: int = 0  # all filament so far
    e_offset: int = 0  # more than as named
    shift: int = 0  # lines put in since the line numbers began


@dataclass(slots=True)
class Block:
    """A block as it is written, step by step."""

    text: bytes
    sizes: I64  # of each step of the path
    origin: I64  # the line of the source it came from
    differs: Bool

    def changed(self) -> list[int]:
        """Return the lines of the source that come out changed, or with others before them."""
        return [int(line) for line in np.unique(self.origin[self.differs])]

    def shown(self, line: int) -> str:
        """Return what has become of a line of the source."""
        first, last = np.searchsorted(self.origin, [line, line + 1])
        begin, size = self.sizes[:first].sum(), self.sizes[first:last].sum()
        text = self.text[begin : begin + size].decode("utf-8", "replace")
        return text.rstrip("\r\n").replace("\r", "")


class Writer:
    """Writes one path; `insert` before `write`."""

    def __init__(
        self,
        lines: Lines,
        path: Path,
        job: Job,
        written: Written,
        *,
        kept: Bool,
        motion: int,
        newline: bytes,
    ) -> None:
        self.lines, self.path, self.job, self.written = lines, path, job, written
        self.motion, self.newline = motion, newline  # G0..G3 in force before the block, line end
        self.kept = kept  # steps of arcs that stay arcs
        self.emitted = path.last | ~kept
        self.bent = path.arc & ~kept
        self.inserted: dict[int, list[bytes]] = {}
        self.pieces: list[tuple[I64, I64]] = []  # where in the pool, and how long, for every step
        self.counts: dict[str, I64] = {}  # new numbers in counts of 1 / ONE of the file's unit
        self.chosen: dict[str, Bool] = {}  # which steps get them
        self.has = dict(path.has)
        self.split = len(path.row) > len(lines.start)

    def by_step(self, values: Any) -> Any:
        """Return, for each step, the value of its row."""
        return values.take(self.path.row) if self.split else values

    def insert(self, row: int, codes: list[bytes]) -> None:
        """Put lines before a row."""
        self.inserted.setdefault(row, []).extend(codes)

    # -- new numbers --------------------------------------------------------------------------

    def _in_file(self, lengths: I64) -> I64:
        """Turn lengths into counts of 1 / ONE of the file's unit."""
        count: Any = (
            np.where(self.path.inch, 1 / 2540, 1 / 100) if self.path.inch.any() else 1 / 100
        )
        result: I64 = np.rint(lengths * count).astype(np.int64)
        return result

    def _rounded(self, lengths: Any, mm_step: int, inch_step: int, unit: int = 1) -> I64:
        """Round lengths in `unit` to the last place that is written."""
        step: Any = mm_step
        if self.path.inch.any():
            step = np.where(self.path.inch, inch_step, mm_step)
        result: I64 = np.rint(lengths * (unit / step)).astype(np.int64) * step
        return result

    def map_axis(self, i: int, places: F64) -> None:
        """Give an axis new numbers, from where the nozzle goes, mm."""
        path, w, c = self.path, self.written, AXES[i]
        there = self._rounded(places, 10**4, 25400, PART)
        has = path.has[c]
        pulled = np.zeros(len(has), np.bool_)
        for j in range(i + 1, 3):
            if self.job.matrix[i][j]:
                pulled |= path.has[AXES[j]] & path.is_move
        self.has[c] = has | (pulled & path.known[i])
        if path.absolute.all() and not (path.renames.any() or path.lost[i].any()):
            goes = np.flatnonzero(self.has[c] & path.is_move)[-1:]
            w.at[i] = int(there[goes[0]]) if len(goes) else w.at[i]
            self._choose(
                c,
                there - w.offset[i],
                self.has[c] & (path.is_move if self.job.rewrites[i] else self.bent),
            )
            return
        fresh = path.renames & has & ~path.knew[i]
        goes = np.flatnonzero((self.has[c] & path.is_move & self.emitted) | fresh | path.lost[i])
        true = carried(w.at[i], goes, there[goes], len(has))
        before = shifted(w.at[i], true)
        offset: Any = w.offset[i]
        renamed = path.renames & has & path.knew[i]
        name, off = there, path.renames
        if path.renames.any():
            as_named = path.place[i] - path.offset[i]
            name = self._rounded(as_named, 10**4, 25400)
            off = off & (name != as_named)
        if renamed.any() or path.lost[i].any():
            at = np.flatnonzero(renamed | path.lost[i])
            offset = carried(offset, at, np.where(renamed, before - name, 0)[at], len(has))
            w.offset[i] = int(offset[-1])
        w.at[i] = int(true[-1])
        words = there - offset
        if not path.absolute.all():
            words = np.where(path.absolute, words, there - before)
        words = np.where(path.renames, name, words)
        rewritten = path.is_move if self.job.rewrites[i] else self.bent
        self._choose(c, words, self.has[c] & (rewritten | off))

    def feed(self, laid: I64, fed: I64, begin: tuple[int, int]) -> None:
        """Give E new numbers.

        Parameters
        ----------
        laid, fed : (n,) int
            Filament of each step that is multiplied by the flow, and the rest.
        begin : (laid, fed)
            The same for all before the block.
        """
        path, w, job = self.path, self.written, self.job
        total: Any = fed.cumsum() + begin[1]
        laid_sum = laid.cumsum() + begin[0]
        total = total + (laid_sum if job.flow == 1.0 else laid_sum * job.flow)
        steps = (1000, 2540) if job.changes_e else (100, 254)
        total = self._rounded(total, *steps)
        has, is_reset = path.has["E"], path.renames & path.has["E"]
        e_before = path.e - path.amount
        was = shifted(w.e, total)
        anew = is_reset | (path.e_open if job.changes_e else np.zeros(len(has), np.bool_))
        name = np.where(is_reset, self._rounded(path.e, *steps), self._rounded(e_before, *steps))
        at = np.flatnonzero(anew)
        offset = carried(w.e_offset, at, np.where(is_reset, total, was)[at] - name[at], len(has))
        if job.changes_e:
            for k in np.flatnonzero(path.e_open & (was - shifted(w.e_offset, offset) != name)).tolist():  # fmt: skip
                value = int(self._in_file(name)[k])
                self.insert(int(path.row[k]), [b"G92 E%s" % write_count(value).encode()])
        goes = np.flatnonzero(has & self.emitted)
        true = carried(w.e, goes, total[goes], len(has))
        words = np.where(path.e_relative, total - shifted(w.e, true), total - offset)
        words = np.where(is_reset, name, words)
        rewritten = path.is_move & ~path.e_open if job.changes_e else self.bent
        self._choose("E", words, has & (rewritten | (is_reset & (name != path.e))))
        w.e, w.e_offset = int(total[-1]), int(offset[-1])

    def scale_centres(self) -> None:
        """Scale the centres and radii of arcs that stay arcs."""
        for c in "IJR":
            on = self.lines.word[c][self.path.row] > 0
            words = self.lines.value(c)[self.path.row] * self.job.matrix[0][0]
            step = np.where(self.path.inch, 10, 100)
            self.counts[c] = np.rint(words / 100 / step).astype(np.int64) * step
            self.chosen[c] = on & self.kept & self.emitted

    def _choose(self, letter: str, words: I64, chosen: Bool) -> None:
        self.counts[letter], self.chosen[letter] = self._in_file(words), chosen & self.emitted

    # -- the block --------------------------------------------------------------------------

    def write(self) -> Block:
        """Put the block together."""
        lines, path = self.lines, self.path
        changed = self.bent.copy()
        for chosen in self.chosen.values():
            changed |= chosen
        numbered = bool((lines.number >= 0).any())
        if not (changed.any() or self.inserted or (numbered and self.written.shift)):
            self._lead_sizes()
            none = np.zeros(0, np.int64)
            return Block(lines.data, none, none, none > 0)
        row = path.row
        self.starred = self.by_step(lines.star) > 0
        self.apart = self._apart(row, changed)
        self.pool, self.pooled = [lines.raw], len(lines.raw)
        again = self._numbers(row, changed) if numbered else np.zeros(len(row), np.bool_)
        self._before(row)
        stop = self.by_step(lines.stop) + 1
        self._begin(row, changed, again if numbered else None)
        self._words(row, changed)
        star = len(self.pieces)
        if numbered:
            self.pieces.append((np.zeros(len(row), np.int64), np.zeros(len(row), np.int64)))
        rest = self.by_step(lines.rest)
        size = np.where(changed | (again & self.starred), stop - rest, 0)
        inner = np.flatnonzero(self.bent & ~path.last)
        if len(inner):
            rest[inner], size[inner] = self._keep(self.newline), len(self.newline)
        self.pieces.append((rest, size))
        starts, sizes = (np.stack(part, axis=1) for part in zip(*self.pieces, strict=True))
        if numbered:
            self._checksums(starts, sizes, np.flatnonzero(again & self.starred), star)
        text = gathered(b"".join([*self.pool, bytes(_CHUNK)]), starts, sizes)
        changed[np.searchsorted(row, list(self.inserted))] = True
        return Block(text.tobytes(), sizes, lines.origin[row], changed)

    def _apart(self, row: I64, changed: Bool) -> Bool:
        """Tell which rows are written as they are spelled here: parts of a line of the source that changes."""
        origin = self.lines.origin
        several = np.bincount(origin) > 1
        if not several.any():
            return np.zeros(len(origin), np.bool_)
        touched = several & False
        touched[origin[row[changed]]] = True
        touched[origin[self.lines.number >= 0]] = True
        result: Bool = (several & touched)[origin]
        return result

    def _keep(self, text: bytes) -> int:
        """Put a text into the pool; return where it is."""
        self.pool.append(text)
        self.pooled += len(text)
        return self.pooled - len(text)

    def _constant(self, text: bytes, where: Bool) -> None:
        self.pieces.append((np.full(len(where), self._keep(text)), len(text) * where))

    def _begin(self, row: I64, changed: Bool, again: Bool | None) -> None:
        """Copy lines that do not change, and give the others their G-word."""
        lines, path = self.lines, self.path
        start, end = self.by_step(lines.source), self.by_step(lines.source_end)
        if self.apart.any():
            start = np.where(self.by_step(self.apart), self.by_step(lines.start), start)
            end = np.where(self.by_step(self.apart), self.by_step(lines.stop) + 1, end)
        if again is not None:
            start = np.where(again, self.by_step(lines.body), start)
            end = np.where(again, np.where(self.starred, self.by_step(lines.star), self.by_step(lines.stop) + 1), end)  # fmt: skip
        lead = np.where(path.renames, 4, np.where(self.bent, 1, path.motion))
        start = np.where(changed, self._keep(b"G0G1G2G3G92") + 2 * lead, start)
        size = np.where(changed, self._lead_sizes(), (end - start) * self.emitted)
        self.bare = changed & (size == 0)
        self.pieces.append((start, size))

    def _words(self, row: I64, changed: Bool) -> None:
        """Add the words of lines that change, new or copied."""
        words, source = self.lines.words, np.frombuffer(self.lines.raw, np.uint8)
        some_bare = bool(self.bare.any())
        for c in LETTERS:
            word = self.by_step(self.lines.word[c])
            has, chosen = word > 0, self.chosen.get(c)
            if c in "IJR":
                has &= ~self.bent
            elif c == "F":
                has &= self.path.first | self.kept
            if chosen is None:
                chosen = np.zeros(len(row), np.bool_)
            has = (has | chosen) & changed
            if not has.any():
                continue
            begin, size = np.zeros((2, len(row)), np.int64)
            copied = np.flatnonzero(has & ~chosen)
            at = words.at.take(word[copied])
            blank = source.take(at - 1) == ord(" ")
            begin[copied], size[copied] = at - blank, words.end.take(word[copied]) - at + blank
            on = np.flatnonzero(chosen)
            if len(on):
                number = write_counts(self.counts[c].take(on), b" " + c.encode())
                begin[on], size[on] = self._keep(number.text) + number.start, number.size
            if some_bare:  # no blank at the beginning of a line
                first = self.bare & has
                first[copied] &= blank
                begin += first
                size -= first
                self.bare &= ~has
            self.pieces.append((begin, size))
        self._others(row, changed)

    def _lead_sizes(self) -> I64:
        """Return how long the G-word of each step is: none where the file has none and the motion still holds."""
        path, w = self.path, self.written
        needed = self.by_step(self.lines.code) >= 0
        if (
            self.bent.any() or w.motion != self.motion
        ):  # then the motion in force is not the file's own
            moves = np.flatnonzero(path.is_move & self.emitted)
            motion = np.where(self.bent, 1, path.motion)[moves]
            needed |= self.bent
            needed[moves] |= motion != shifted(w.motion, motion)
            w.motion = int(motion[-1]) if len(moves) else w.motion
        else:
            w.motion = int(path.motion[-1])
        size: I64 = (2 + path.renames) * needed
        return size

    def _others(self, row: I64, changed: Bool) -> None:
        """Copy words with letters that are not followed."""
        lines, texts = self.lines, dict[int, bytes]()
        steps = np.searchsorted(row, lines.words.row[lines.other])
        kept = np.flatnonzero(changed[steps])
        for word, k in zip(lines.other[kept].tolist(), steps[kept].tolist(), strict=True):
            text = lines.raw[lines.words.at[word] : lines.words.end[word]]
            texts[k] = texts.get(k, b"") + b" " + text
        self._texts(texts)

    def _texts(self, texts: dict[int, bytes]) -> None:
        """Add a piece to some steps."""
        if not texts:
            return
        start, size = np.zeros((2, len(self.path.row)), np.int64)
        for k, text in texts.items():
            start[k], size[k] = self._keep(text), len(text)
        self.pieces.append((start, size))

    def _before(self, row: I64) -> None:
        """Add the lines that are put in; they count on where lines are numbered."""
        texts = {}
        for at, codes in self.inserted.items():
            k = int(np.searchsorted(row, at))
            number = self.lines.number[at]
            if number >= 0:
                first = int(self.number[k]) - len(codes)
                codes = [b"N%d %s" % (first + j, code) for j, code in enumerate(codes)]
                if self.lines.star[at]:
                    codes = [b"%s*%d" % (code, reduce(xor, code)) for code in codes]
            texts[k] = b"".join(code + self.newline for code in codes)
        self._texts(texts)
        if texts and len(self.pieces) > 1:
            self.pieces.insert(0, self.pieces.pop())

    # -- line numbers -------------------------------------------------------------------------

    def _numbers(self, row: I64, changed: Bool) -> Bool:
        """Count line numbers on after what was put in; return which steps get a number anew."""
        lines, w = self.lines, self.written
        own = self.by_step(lines.number)
        numbered = (own >= 0) & self.emitted
        more = np.zeros(len(row), np.int64)
        out = np.flatnonzero(self.emitted)
        more[out[1:]] = np.diff(lines.origin.take(row[out])) == 0  # one line became several
        for at, codes in self.inserted.items():
            more[np.searchsorted(row, at)] += len(codes)
        shift = w.shift + np.cumsum(more * numbered)
        again = np.flatnonzero((self.by_step(lines.code) == M + 1100) & numbered)
        begun = carried(0, again, shift[again], len(row))  # M110 begins the numbers anew
        w.shift = int(shift[-1] - begun[-1])
        shift = shift - shifted(0, begun)
        self.number = own + shift
        anew: Bool = numbered & (changed | (shift != 0))
        number = write_counts(np.maximum(self.number, 0) * ONE)
        self._constant(b"N", anew)
        self.pieces.append((self._keep(number.text) + number.start, number.size * anew))
        self._constant(b" ", anew & changed)
        return anew

    def _checksums(self, starts: I64, sizes: I64, on: I64, star: int) -> None:
        """Put the checksum of each line behind it."""
        if not len(on):
            return
        text = gathered(b"".join([*self.pool, bytes(_CHUNK)]), starts, sizes)
        ends = np.cumsum(sizes).reshape(sizes.shape)
        first = int(bool(self.inserted))
        begin = (ends[:, first] - sizes[:, first])[on]
        edges = np.ravel(np.column_stack([begin, ends[on, star]]))
        sums = np.bitwise_xor.reduceat(text, edges)[::2].astype(np.int64)
        table = self._keep(b"".join(b"*%-3d" % k for k in range(256)))
        starts[on, star] = table + 4 * sums
        sizes[on, star] = 2 + (sums > 9) + (sums > 99)


def gathered(pool: bytes, starts: I64, sizes: I64) -> npt.NDArray[np.uint8]:
    """Return stretches of bytes one after the other.

    Each is written as `_CHUNK` bytes; what is written beyond its end is overwritten by the next one, for numpy assigns
    in order. What is longer is copied after that.
    """
    some = np.flatnonzero(sizes)
    start, size = starts.take(some), sizes.take(some)
    stop = np.cumsum(size)
    begin = stop - size
    out = np.empty(int(stop[-1]) + _CHUNK, np.uint8)
    source, target = _chunks(pool), _chunks(out.data)
    target[begin] = source[start]
    long = np.flatnonzero(size > _CHUNK)
    more = (size[long] - 1) // _CHUNK
    owner = np.repeat(long, more)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(more) - more, more) + 1
    further = np.minimum(_CHUNK * number, size[owner] - _CHUNK)
    target[begin[owner] + further] = source[start[owner] + further]
    return out[:-_CHUNK]


#: Longer than nearly all words.
_CHUNK = 16


def _chunks(text: bytes | memoryview) -> Any:
    """Return a view of as many bytes from each place of a text."""
    return np.ndarray((len(text) - _CHUNK + 1,), np.dtype((np.void, _CHUNK)), text, strides=(1,))
