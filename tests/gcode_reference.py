"""A plain way to rewrite G-code, one line after the other, that can be read and believed; and files to try it on.

It shares no code with `calib.apply.gcode`. Rules it states in its own words: X, Y, Z are rounded to 1/10,000 and E to
1/100,000 of the file's unit (ten times finer in inches); an axis that another pulls along is written as well. The ends of
straight moves for an arc are rounded to 1/1,000,000 before they go through the map.
"""

import math
import random
import re

WORD = re.compile(r"([A-Z])\s*([-+]?\d*\.?\d+|[-+]?\d+\.)")
AXES = "XYZ"


class Reference:
    """State of the plain rewriter; matrix is upper triangular."""

    def __init__(self, matrix, centre=(0, 0, 0), flow=1.0, tolerance=0.01):
        self.m, self.c, self.flow, self.tolerance = matrix, list(centre), flow, tolerance
        self.unit = 1.0
        self.pos = list(centre)
        self.known = [False] * 3
        self.off_in, self.off_out = [0.0] * 3, [0.0] * 3
        self.absolute, self.e_relative = True, False
        self.e_in = 0.0  # logical, of the input
        self.e_true = 0.0  # filament wanted so far, scaled
        self.e_done = 0.0  # filament written so far
        self.e_named = 0.0  # logical E of the output
        self.mode = 0

    @property
    def fine(self):
        return 1e4 if self.unit == 1.0 else 1e5

    def round(self, v):
        return round(v * self.fine) / self.fine

    def mapped(self, pos):
        c = [v / self.unit for v in self.c]
        d = [p + (o - q) for p, o, q in zip(pos, self.off_in, c, strict=True)]
        return [
            self.m[i][0] * d[0] + self.m[i][1] * d[1] + self.m[i][2] * d[2] + c[i] for i in range(3)
        ]

    def out(self, pos):
        return [self.round(v - o) for v, o in zip(self.mapped(pos), self.off_out, strict=True)]

    def rewrite(self, text):
        """Return, for every line of the output, its words as a dict (empty for comments and blanks)."""
        lines = []
        for line in text.splitlines():
            lines += self.line(line)
        return lines

    def line(self, line):
        code = re.sub(r"\([^)]*\)", "", line.split(";")[0]).upper()
        code = re.sub(r"^\s*N\d+\s*", "", re.sub(r"\*\d+\s*$", "", code))
        if code.strip().startswith("M117"):
            return [{}]
        words = {k: float(v) for k, v in WORD.findall(code)}
        if words.get("M") in (82, 83):
            self.e_relative = words["M"] == 83
        g = words.get("G")
        if g in (90, 91):
            self.absolute = g == 90
        if g in (20, 21):
            self.change_unit(25.4 if g == 20 else 1.0)
        if g == 28:
            self.home(words)
        if g == 92:
            self.rename(words)
        if g not in (0, 1, 2, 3):
            return [words]
        return self.move(int(g), words)

    def change_unit(self, unit):
        k = self.unit / unit
        self.unit = unit
        self.pos = [v * k for v in self.pos]
        self.off_in = [v * k for v in self.off_in]
        self.off_out = [v * k for v in self.off_out]
        self.e_in, self.e_true, self.e_done = self.e_in * k, self.e_true * k, self.e_done * k
        self.e_named *= k

    def home(self, words):
        named = [i for i, a in enumerate(AXES) if a in words] or [0, 1, 2]
        for i in named:
            self.known[i] = False
            self.off_in[i] = self.off_out[i] = 0.0
            self.pos[i] = self.c[i] / self.unit

    def rename(self, words):
        stands = self.out(self.pos)
        for i, a in enumerate(AXES):
            if a in words:
                if self.known[i]:
                    self.off_in[i] += self.pos[i] - words[a]
                    self.off_out[i] += stands[i] - words[a]
                self.pos[i], self.known[i] = words[a], True
        if "E" in words:
            self.e_in = self.e_named = words["E"]

    def write_e(self, amount):
        """Feed an amount; return the E word that brings the sum of all written to the sum wanted."""
        self.e_true += amount
        step = round((self.e_true - self.e_done) * self.fine * 10) / (self.fine * 10)
        self.e_done += step
        self.e_named += step
        return step if self.e_relative else self.e_named

    def move(self, g, words):
        old = list(self.pos)
        for i, a in enumerate(AXES):
            if a in words:
                self.pos[i] = words[a] if self.absolute else old[i] + words[a]
                self.known[i] = self.known[i] or self.absolute
        amount = 0.0
        if "E" in words:
            amount = words["E"] if self.e_relative else words["E"] - self.e_in
            self.e_in = self.e_in + words["E"] if self.e_relative else words["E"]
        sideways = g > 1 or old[:2] != self.pos[:2]
        if sideways and amount > 0:
            amount *= self.flow
        (a, b, c), (_, d, e), _ = self.m
        stays_arc = a == d and b == 0 and ((c == 0 and e == 0) or old[2] == self.pos[2])
        if g > 1 and not stays_arc:
            return self.straight_pieces(g, words, old, amount)
        new = dict(words)
        new.update(self.axes_of(words, old))
        if "E" in words:
            new["E"] = self.write_e(amount)
        for k in "IJ":
            if k in words and a != 1:
                new[k] = self.round(words[k] * a)
        return [new]

    def axes_of(self, words, old):
        new, now, was = {}, self.out(self.pos), self.out(old)
        for i, a in enumerate(AXES):
            if a in words and self.untouched(i):
                new[a] = words[a]
                continue
            pulled = any(self.m[i][j] and AXES[j] in words for j in range(i + 1, 3))
            if a in words or (pulled and self.known[i]):
                new[a] = now[i] if self.absolute else now[i] - was[i]
        return new

    def untouched(self, i):
        """Tell whether the map leaves an axis alone and lets it pull no other: then it stays as written."""
        column = [self.m[k][i] for k in range(3)]
        return [float(k == i) for k in range(3)] == list(self.m[i]) == column

    def straight_pieces(self, g, words, old, amount):
        i, j = words.get("I", 0.0), words.get("J", 0.0)
        cx, cy, r = old[0] + i, old[1] + j, math.hypot(i, j)
        begin = math.atan2(-j, -i)
        turn = math.atan2(self.pos[1] - cy, self.pos[0] - cx) - begin
        full = 2 * math.pi
        turn = turn % full if g == 3 else -((-turn) % full)
        if abs(turn) < 1e-9:
            turn = full if g == 3 else -full
        step = min(2 * math.acos(1 - min(1, self.tolerance / self.unit / r)), math.pi / 8)
        n = max(1, math.ceil(abs(turn) / step - 1e-9))
        r1 = math.hypot(self.pos[0] - cx, self.pos[1] - cy)
        lines, end, fed = [], list(self.pos), 0.0
        before = self.out(old)
        for k in range(1, n + 1):
            t = k / n
            rr = r + (r1 - r) * t
            at = [
                cx + rr * math.cos(begin + turn * t),
                cy + rr * math.sin(begin + turn * t),
                old[2] + (end[2] - old[2]) * t,
            ]
            at = [round(v, 6) if not self.untouched(q) else self.round(v) for q, v in enumerate(at)]
            now = self.out(end if k == n else at)
            new = {"G": 1.0}
            for q, axis in enumerate(AXES):
                if q < 2 or "Z" in words:
                    new[axis] = now[q] if self.absolute else now[q] - before[q]
            before = now
            if "E" in words:
                new["E"] = self.write_e(amount * t - fed)
                fed = amount * t
            if k == 1 and "F" in words:
                new["F"] = words["F"]
            lines.append(new)
        return lines


def words_of(text):
    """Return the words of every line of a G-code text, read the plain way."""
    lines = []
    for line in text.splitlines():
        code = re.sub(r"\([^)]*\)", "", line.split(";")[0]).upper()
        code = re.sub(r"^\s*N\d+\s*", "", re.sub(r"\*\d+\s*$", "", code))
        plain = {} if code.strip().startswith("M117") else dict(WORD.findall(code))
        lines.append({k: float(v) for k, v in plain.items()})
    return lines


def number_lines(lines):
    """Put line numbers and checksums on lines (exclusive-or of the bytes before the star)."""
    out = []
    for n, line in enumerate(lines, 1):
        text = f"N{n} {line.split(';')[0].strip()}"
        total = 0
        for byte in text.encode():
            total ^= byte
        out.append(f"{text}*{total}")
    return out


class Maker:
    """Writes G-code files as slicing programs do, with every habit that has to be coped with."""

    def __init__(self, seed, *, arcs=True, offsets=True, relative=True, low=20.0, high=200.0):
        self.r = random.Random(seed)
        self.arcs, self.offsets, self.relative = arcs, offsets, relative
        self.low, self.high = low, high
        self.e_relative = self.r.random() < 0.5
        self.places = self.r.choice([2, 3, 4, 5])
        self.x = self.y = 100.0
        self.z, self.e = 0.2, 0.0
        self.lines = ["G28", "G90", "M83" if self.e_relative else "M82", "G1 Z5 F3000"]
        self.lines += ["G0 X100 Y100", "G92 E0", "G1 Z0.2"]

    def n(self, v, places=None):
        text = f"{v:.{self.places if places is None else places}f}"
        return text if self.r.random() < 0.8 else text.rstrip("0").rstrip(".") or "0"

    def feed(self, amount):
        self.e += amount
        text = self.n(amount if self.e_relative else self.e, 5)
        if not self.e_relative:
            self.e = float(text)
        return "E" + text

    def step(self):
        r = self.r
        kinds = [self.wall] * 10 + [self.hop, self.retract, self.reset, self.other]
        kinds += [self.arc] * 3 if self.arcs else []
        kinds += [self.relative_moves] if self.relative else []
        kinds += [self.offset] if self.offsets else []
        for text in r.choice(kinds)():
            if r.random() < 0.1 and not text.startswith("M117"):
                text += r.choice([" ; hi; there E5 Z3", ";x", " (note)"])
            if r.random() < 0.05:
                text = text.lower()
            self.lines.append(text)

    def text(self, count, ending="\n", last=True):
        while len(self.lines) < count:
            self.step()
        return ending.join(self.lines) + (ending if last else "")

    def wall(self):
        r, words = self.r, [self.r.choice(["G1", "G1", "G01", "G0"])]
        limit = lambda v: min(max(v, self.low), self.high)  # noqa: E731
        if r.random() < 0.9:
            words.append("X" + self.n(limit(self.x + r.uniform(-9, 9))))
            self.x = float(words[-1][1:])
        if r.random() < 0.9:
            words.append("Y" + self.n(limit(self.y + r.uniform(-9, 9))))
            self.y = float(words[-1][1:])
        if r.random() < 0.8:
            words.append(self.feed(r.choice([1, 1, 1, -1]) * r.uniform(0, 0.4)))
        if r.random() < 0.1:
            words.append("F1800")
        yield r.choice([" ", " ", ""]).join(words)

    def hop(self):
        if self.r.random() < 0.5:
            self.z = min(self.z + 0.2, 100)
        yield f"G1 Z{self.n(self.z + 0.4)}"
        yield f"G1 Z{self.n(self.z)}"

    def retract(self):
        yield f"G1 {self.feed(-0.8)} F2400"
        yield f"G1 {self.feed(0.8)}"

    def reset(self):
        self.e = self.r.choice([0, 0, 0, 1.5, 12345.678, 43999.5])
        yield f"G92 E{self.e:g}"

    def other(self):
        yield self.r.choice(
            [
                "M106 S100",
                "M204 S500",
                "M205 X8 Y8 Z0.4 E5",
                "M92 E93 X80",
                "M107",
                "M73 P5 R10",
                "; note",
                "",
                "M117 G28 hello",
            ]
        )

    def arc(self):
        r = self.r
        i, j = r.uniform(-9, 9), r.uniform(-9, 9)
        radius = math.hypot(i, j)
        cx, cy, to = self.x + i, self.y + j, r.uniform(0, 2 * math.pi)
        if not (self.low < min(cx, cy) - radius and max(cx, cy) + radius < self.high):
            return
        x, y = cx + radius * math.cos(to), cy + radius * math.sin(to)
        words = [r.choice(["G2", "G3", "G03"]), "X" + self.n(x, 4), "Y" + self.n(y, 4)]
        self.x, self.y = float(words[1][1:]), float(words[2][1:])
        words += [f"I{i:.4f}", f"J{j:.4f}"]
        if r.random() < 0.2:
            self.z = min(self.z + 0.2, 100)
            words.append(f"Z{self.n(self.z)}")
            self.z = float(words[-1][1:])
        if r.random() < 0.8:
            words.append(self.feed(r.uniform(0, 0.4)))
        if r.random() < 0.2:
            words.append("F1200")
        yield r.choice([" ", " ", ""]).join(words)

    def relative_moves(self):
        yield "G91"
        yield f"G1 Z{self.n(self.r.uniform(0, 1), 3)}"
        yield f"G0 Y{self.n(self.r.uniform(0, 1), 3)}"
        yield "G90"
        yield f"G0 X{self.n(self.x)} Y{self.n(self.y)} Z{self.n(self.z)}"

    def offset(self):
        shift = self.r.choice([0, 0, 1])
        yield f"G92 X{self.x + shift:.4f}"
        self.x += shift
