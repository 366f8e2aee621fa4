"""How fast G-code is rewritten, beside a plain loop over lines, a parsing library, awk and cat; and in how much memory.

Run as ``python -m bench.gcode [megabytes] [folder]``; 20 MB unless told otherwise. Times are CPU seconds of one
process, the best of several turns in which all ways take turns, so that a busy machine slows all of them alike.
``python -m bench.gcode check [files]`` holds random files rewritten by random jobs against the independent check.
"""

import math
import os
import random
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import reduce
from operator import xor
from pathlib import Path

from calib.apply.gcode.job import Job
from calib.apply.gcode.stream import rewrite_file
from calib.apply.limits import Limits
from calib.apply.linear import Skew, correction_matrix
from patterns.schedule import ScheduleRow

MATRIX = correction_matrix((1.003, 0.998, 1.001), Skew(0.25))
CENTRE = (110.0, 110.0, 0.0)
FLOW = 0.97
BOX = Limits(hot_end_max_c=260, build_x_mm=220, build_y_mm=220, build_z_mm=2500)
BANDS = tuple(
    ScheduleRow(z_from_mm=2 * i, z_to_mm=2 * i + 2, setting="hot_end_c", value=240 - 5 * i)
    for i in range(8)
)


#: Processor time is counted in steps of this; less is told as one step.
_TICK_S = 0.01


def sliced(layer: int, r: random.Random, *, arcs: bool = False) -> str:
    """Return one layer as slicing programs write it: loops, infill, hops, absolute E, a few comments."""
    z, e = 0.2 * (layer + 1), 0.0
    lines = ["G92 E0", ";change of layer", f"G1 Z{z:.3f} F9000", f"M106 S{r.randint(100, 255)}"]
    for _ in range(40):
        x, y = r.uniform(60, 160), r.uniform(60, 160)
        lines += [f"G1 E{e - 0.8:.5f} F2400", f"G1 Z{z + 0.4:.3f} F9000", f"G0 X{x:.3f} Y{y:.3f}"]
        lines += [f"G1 Z{z:.3f}", f"G1 E{e:.5f} F2400", ";wall", "G1 F1800"]
        for _ in range(r.randint(30, 90)):
            step, turn = r.uniform(0.3, 6), r.uniform(0, 2 * math.pi)
            i, j = step * math.cos(turn), step * math.sin(turn)
            e += step * 0.033
            if arcs:
                a = r.uniform(0.3, 1.5)
                nx = x + i - i * math.cos(a) + j * math.sin(a)
                ny = y + j - j * math.cos(a) - i * math.sin(a)
                x, y = nx, ny
                lines.append(f"G3 X{x:.3f} Y{y:.3f} I{i:.3f} J{j:.3f} E{e:.5f}")
                continue
            x, y = min(max(x + i, 10), 210), min(max(y + j, 10), 210)
            words = f"X{x:.3f} Y{y:.3f}" if r.random() > 0.06 else f"Y{y:.3f}"
            lines.append(f"G1 {words} E{e:.5f}")
    return "\n".join(lines) + "\n"


def write_file(path: Path, megabytes: float, *, arcs: bool = False) -> None:
    """Write a file of this size; layers differ in height and, in eights, in shape."""
    r = random.Random(1)
    shapes = [sliced(0, r, arcs=arcs) for _ in range(8)]
    with path.open("w", encoding="ascii") as out:
        out.write("G28\nG90\nM82\nM104 S215\nG1 X110 Y110 Z5 F6000\n")
        layer = 0
        while out.tell() < megabytes * 1e6:
            z = f"Z{0.2 * (layer + 1):.3f}"
            text = shapes[layer % 8].replace("Z0.200", z)
            out.write(text.replace("Z0.600", f"Z{0.2 * (layer + 1) + 0.4:.3f}"))
            layer += 1


def plain_loop(source: Path, target: Path) -> None:
    """Do scale, skew and flow in the plainest loop that is right for the files made here."""
    (a, b, c), (_, d, e), (_, _, f) = MATRIX
    cx, cy, cz = CENTRE
    x = y = z = last = total = 0.0
    with source.open() as lines, target.open("w") as out:
        for line in lines:
            code, mark, comment = line.partition(";")
            number, star = "", ""
            if code[:1] == "N":
                code, star, given = code.partition("*")
                if star and reduce(xor, code.encode()) != int(given):
                    raise ValueError(line)
                number, _, code = code.partition(" ")
            words = code.upper().split()
            if not words or (words[0] not in ("G0", "G1", "G2", "G3") and words[0][0] not in "XYZ"):
                if words and words[0] == "G92":
                    last = total = float(words[1][1:])
                out.write(line)
                continue
            old, moved, feed, new = (x, y), False, None, [number] if number else []
            for word in words:
                letter = word[0]
                if letter == "X":
                    x, moved = float(word[1:]), True
                elif letter == "Y":
                    y, moved = float(word[1:]), True
                elif letter == "Z":
                    z, moved = float(word[1:]), True
                elif letter == "E":
                    feed = float(word[1:])
                else:
                    new.append(word)
            if moved:
                u, v, w = x - cx, y - cy, z - cz
                new.append(f"X{a * u + b * v + c * w + cx:.4f} Y{d * v + e * w + cy:.4f}")
                new.append(f"Z{f * w + cz:.4f}")
            if feed is not None:
                step, last = feed - last, feed
                total += step * FLOW if step > 0 and (x, y) != old else step
                new.append(f"E{total:.5f}")
            text = " ".join(new)
            if star:
                text += f"*{reduce(xor, text.encode())}"
            out.write(text + (" ;" + comment if mark else "\n"))


def variant(path: Path, kind: str, megabytes: float) -> None:
    """Write a file as `write_file` does, spelled in another way."""
    write_file(path, megabytes, arcs=kind == "R arcs")
    lines = path.read_text(encoding="ascii").splitlines()
    number = 0
    with path.open("w", encoding="ascii") as out:
        for k, line in enumerate(lines):
            text = {"G21 in the head": "G21\n" * (k == 0) + line, "lower case": line.lower()}.get(
                kind, line
            )
            if kind == "comments" and line[:1] == "G":
                text += " ; outer wall, 1800 mm/min"
            elif (
                kind == "modal lines" and line.startswith("G1 ") and lines[k - 1].startswith("G1 ")
            ):
                text = line[3:] if line[3] in "XYZ" else line
            elif kind == "a macro every 40 lines" and k % 40 == 0:
                text += "\nSET_PRESSURE VALUE=0.04"
            elif kind == "two blanks":
                text = line.replace(" ", "  ")
            elif kind == "blanks in numbers":
                text = line.replace(".", ". ") if line[:1] == "G" else line
            elif kind == "R arcs":
                text = re.sub(
                    r"I(\S+) J(\S+)", lambda m: f"R{math.hypot(float(m[1]), float(m[2])):.4f}", line
                )
            elif kind == "checksums" and line[:1] != ";":
                number += 1
                text = f"N{number} {line}"
                text += f"*{reduce(xor, text.encode())}"
            out.write(text + "\n")


#: Spellings as files commonly have them, and such as hardly any has.
COMMON = ("as it comes", "G21 in the head", "lower case", "comments", "checksums", "modal lines")
RARE = ("a macro every 40 lines", "two blanks", "blanks in numbers", "R arcs")


def plain_schedule(source: Path, target: Path) -> None:
    """Place a schedule in the plainest loop that waits for an extruding move along X or Y."""
    x = y = z = last = 0.0
    band = -1
    with source.open() as lines, target.open("w") as out:
        for line in lines:
            words = line.partition(";")[0].split()
            if words and words[0] in ("G0", "G1"):
                old, feed = (x, y), None
                for word in words[1:]:
                    letter = word[0]
                    if letter == "X":
                        x = float(word[1:])
                    elif letter == "Y":
                        y = float(word[1:])
                    elif letter == "Z":
                        z = float(word[1:])
                    elif letter == "E":
                        feed = float(word[1:])
                if feed is not None:
                    if feed > last and (x, y) != old and int((z - 0.1) / 2) != band:
                        band = int((z - 0.1) / 2)
                        if band < len(BANDS):
                            out.write(f"M104 S{BANDS[band].value:g}\n")
                    last = feed
            elif words and words[0] == "G92":
                last = float(words[1][1:])
            out.write(line)


def library_loop(source: Path, target: Path) -> None:
    """Only parse every line with a general G-code library (read, not rewritten)."""
    import gcodeparser

    with source.open() as lines:
        while block := lines.readlines(1 << 18):
            for _ in gcodeparser.parse_gcode_lines("".join(block)):
                pass


AWK = r"""
{ line = $0; sub(/;.*/, "", line); n = split(line, w, " ")
  if (w[1] != "G0" && w[1] != "G1") { if (w[1] == "G92") { last = total = substr(w[2], 2) + 0 }; print; next }
  ox = x; oy = y; moved = 0; fed = 0; rest = ""
  for (i = 2; i <= n; i++) { k = substr(w[i], 1, 1); v = substr(w[i], 2) + 0
    if (k == "X") { x = v; moved = 1 } else if (k == "Y") { y = v; moved = 1 } else if (k == "Z") { z = v; moved = 1 }
    else if (k == "E") { e = v; fed = 1 } else rest = rest " " w[i] }
  text = w[1] rest
  if (moved) text = text sprintf(" X%.4f Y%.4f Z%.4f", A*(x-110) + B*(y-110) + C*z + 110, D*(y-110) + E*z + 110, F*z)
  if (fed) { s = e - last; last = e; total += (s > 0 && (x != ox || y != oy)) ? s * FLOW : s; text = text sprintf(" E%.5f", total) }
  print text }
"""


def with_awk(source: Path, target: Path) -> None:
    """Do the same in awk."""
    (a, b, c), (_, d, e), (_, _, f) = MATRIX
    names = {"A": a, "B": b, "C": c, "D": d, "E": e, "F": f, "FLOW": FLOW}
    given = [part for k, v in names.items() for part in ("-v", f"{k}={v!r}")]
    with target.open("w") as out:
        subprocess.run(["awk", *given, AWK, str(source)], stdout=out, check=True)


def with_cat(source: Path, target: Path) -> None:
    """Only copy."""
    with target.open("w") as out:
        subprocess.run(["cat", str(source)], stdout=out, check=True)


def cpu_s(action: Callable[[Path, Path], object], source: Path, target: Path) -> float:
    """Return the CPU time of one run, its children's included."""

    def spent() -> float:
        t = os.times()
        return t.user + t.system + t.children_user + t.children_system

    begin = spent()
    action(source, target)
    return spent() - begin


def by(job: Job) -> Callable[[Path, Path], object]:
    """Return a way to rewrite a file by a job."""
    return lambda source, target: rewrite_file(source, target, job)


def compare(
    source: Path, target: Path, ways: dict[str, Callable[[Path, Path], object]]
) -> list[float]:
    """Run all ways in turns and print their best speeds; return them beside the first one's."""
    took = {name: math.inf for name in ways}
    for _ in range(3):
        for name, action in ways.items():
            took[name] = min(took[name], max(cpu_s(action, source, target), _TICK_S))
    size, first = source.stat().st_size / 1e6, next(iter(took.values()))
    for name, s in took.items():
        print(f"  {name:44} {size / s:8.1f} MB/s {first / s:7.1f} x the plain loop")
    return [first / s for s in took.values()]


def memory(source: Path, target: Path, job: str) -> float:
    """Return the most memory a fresh process takes above a bare interpreter, in MiB."""
    run = (
        "import sys; from pathlib import Path; from bench.gcode import *; "
        f"rewrite_file(Path(sys.argv[1]), Path(sys.argv[2]), {job})"
    )
    peak = []
    for code in ("pass", run):
        command = [sys.executable, "-c", f"{code}\n{_PEAK}", str(source), str(target)]
        peak.append(int(subprocess.run(command, check=True, capture_output=True, text=True).stdout))
    return (peak[1] - peak[0]) / 1024


#: The high-water mark of this process alone; ru_maxrss would count what was there before it was started.
_PEAK = "print(next(s for s in open('/proc/self/status') if s.startswith('VmHWM')).split()[1])"


def has_library() -> bool:
    """Tell whether the parsing library is installed; it is not needed otherwise."""
    import importlib.util

    return importlib.util.find_spec("gcodeparser") is not None


def command(source: Path, target: Path) -> None:
    """Run the whole command."""
    options = "--scale-x 100.3 --scale-y 99.8 --skew-xy 0.25 --flow 97 --build 220x220x2500 --hot-end-max 260"
    words = ["-m", "calib", "apply", str(source), *options.split(), "--out", str(target), "--force"]
    subprocess.run([sys.executable, *words], check=True, capture_output=True)


def variants(folder: Path, megabytes: float, full: Job, roomy: Job) -> None:
    """Print the speed of every spelling, and the worst beside the best."""
    source, target = folder / "variant.gcode", folder / "out.gcode"
    for group in (COMMON, RARE):
        ratios = {}
        for kind in group:
            print(f"{kind}, {megabytes:g} MB")
            variant(source, kind, megabytes)
            job = roomy if kind == "R arcs" else full
            ratios[kind] = compare(source, target, {"plain loop": plain_loop, "truebead": by(job)})[
                1
            ]
        worst, best = min(ratios, key=ratios.__getitem__), max(ratios, key=ratios.__getitem__)
        print(f"worst {ratios[worst]:.1f} x ({worst}), best {ratios[best]:.1f} x ({best})")


def check(count: int) -> None:
    """Hold random files, rewritten by random jobs, against the independent check."""
    from tests.test_apply_safety import differential

    wrong = [(seed, found) for seed in range(count) if (found := differential(seed))]
    print(f"{count} random files, {len(wrong)} not as they should be", *wrong[:5], sep="\n")


def main() -> None:
    """Print all figures."""
    if sys.argv[1:2] == ["check"]:
        check(int(sys.argv[2]) if len(sys.argv) > 2 else 2000)
        return
    megabytes = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    full = Job(matrix=MATRIX, centre_mm=CENTRE, flow=FLOW, limits=BOX)
    schedule = Job(schedule=BANDS, limits=Limits(hot_end_max_c=260))
    room = Limits(build_x_mm=4000, build_y_mm=4000, origin_x_mm=-2000, origin_y_mm=-2000)
    similar = Job(matrix=correction_matrix((1.003, 1.003, 1.001)), flow=FLOW, limits=room)
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as name:
        folder = Path(name)
        source, target, small = folder / "in.gcode", folder / "out.gcode", folder / "small.gcode"
        write_file(source, megabytes)
        write_file(small, megabytes / 10)
        print(f"scale, skew and flow, {megabytes:g} MB")
        ways = {"plain loop": plain_loop, "truebead": by(full), "the whole command": command, "awk": with_awk, "cat": with_cat}  # fmt: skip
        compare(source, target, ways)
        print("a schedule alone")
        ways = {
            "plain loop": plain_loop,
            "plain loop that only waits for layers": plain_schedule,
            "truebead": by(schedule),
            "truebead, places held against the volume": by(Job(schedule=BANDS, limits=BOX)),
        }
        compare(source, target, ways)
        if has_library():
            print("a general library that only reads, on a tenth of the file")
            compare(small, target, {"plain loop": plain_loop, "gcodeparser": library_loop})
        variants(folder, megabytes / 5, full, similar)
        for what, job in (("scale, skew and flow", "Job(matrix=MATRIX, flow=FLOW)"), ("schedule", "Job(schedule=BANDS, limits=BOX)")):  # fmt: skip
            sizes = [memory(f, target, job) for f in (small, source)]
            print(f"memory above the interpreter, {what}: {sizes[0]:.1f} MiB for {megabytes / 10:g} MB, {sizes[1]:.1f} MiB for {megabytes:g} MB")  # fmt: skip
        write_file(source, megabytes / 10, arcs=True)
        print(
            f"a file of arcs, {megabytes / 10:g} MB, every arc made straight; then every arc kept"
        )
        bent = Job(matrix=MATRIX, centre_mm=CENTRE, flow=FLOW, limits=room)
        compare(source, target, {"truebead, made straight": by(bent), "truebead, kept": by(similar)})  # fmt: skip


if __name__ == "__main__":
    main()
