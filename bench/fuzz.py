"""Odd arguments, broken exports, broken sheets, broken G-code: each must end in a result or one line, never a traceback."""

import argparse
import contextlib
import io
import json
import os
import random
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from calib.errors import BadInput

#: Kind -> how many the bench runs; the tests run some of them.
COUNTS = {"arguments": 2000, "imports": 500, "sheets": 4000, "gcode": 2000}

_NUMBERS = ("0", "-1", "1", "0.4", "80", "1e9", "-80", "nan", "inf", "1e400", "9" * 30, "1,5", "٣", "0x10", "")  # fmt: skip
_WORDS = ("lantern", "brass", "white-1", "PLA", "none", "", " ", "-", "--", "a b", "x" * 300, "a\nb", "a\x1bb", "\u202e", "ß", "🔥", "=", "a=b", "size_mm=50", "size_mm=nan", "scale", "flow_percent")  # fmt: skip
_FILES = ("sheet.csv", "lamp.gcode", "lamp.stl", "x.json", "s.sqlite", "gone.csv", ".", "..", "/", "/dev/null", "folder", "folder/sheet.csv")  # fmt: skip


class Trace(Exception):
    """Something ended in a traceback."""


def _attempt(act: Callable[[], Any]) -> str:
    """Return how it ended: ``done`` or ``refused``."""
    try:
        act()
    except BadInput as err:
        if "\n" in err.line or not err.line.isprintable():
            raise Trace(f"not one line: {err.line!r:.200}") from None
        return "refused"
    except Exception as err:
        raise Trace(traceback.format_exc()) from err
    return "done"


# --- arguments --------------------------------------------------------------------------------


def _options() -> dict[str, list[tuple[list[str], bool]]]:
    """Return every command's options with whether each takes a value, read off the program itself."""
    import typer.main

    from calib.cli import build_app

    root: Any = typer.main.get_command(build_app())
    found: dict[str, list[tuple[list[str], bool]]] = {}

    def walk(command: Any, path: str) -> None:
        for name, inner in getattr(command, "commands", {}).items():
            walk(inner, f"{path} {name}".strip())
        if not hasattr(command, "commands"):
            found[path] = [
                (list(p.opts), not getattr(p, "is_flag", False))
                for p in command.params
                if p.opts[0].startswith("-")
            ]

    walk(root, "")
    return {name: o for name, o in found.items() if name.split()[0] not in ("demo", "desk")}


def _words(rng: random.Random, commands: dict[str, list[tuple[list[str], bool]]]) -> list[str]:
    name = rng.choice(list(commands))
    words = name.split()
    for _ in range(rng.randrange(3)):
        words.append(rng.choice((*_FILES, *_WORDS, "dimensional-cube", "weigh-block")))
    for names, takes_value in rng.sample(commands[name], min(len(commands[name]), rng.randrange(5))):  # fmt: skip
        words.append(rng.choice(names))
        if takes_value and rng.random() < 0.95:
            words.append(rng.choice((*_NUMBERS, *_WORDS, *_FILES)))
    return words


@contextlib.contextmanager
def _shop() -> Iterator[Path]:
    """Work in a folder with a store, a sheet, a sliced file, a model and an export."""
    from calib.store import open_store
    from tests.storekit import filled_sheet, keep, workshop

    here = Path.cwd()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "folder").mkdir()
        filled_sheet(folder).rename(folder / "sheet.csv")
        (folder / "folder" / "sheet.csv").write_bytes((folder / "sheet.csv").read_bytes())
        (folder / "lamp.gcode").write_text("G28\nG90\nM83\nG1 X100 Y100 Z0.2\nG1 X120 Y100 E1\n")
        (folder / "lamp.stl").write_bytes(bytes(84))
        with open_store(str(folder / "s.sqlite")) as store:
            keep(workshop(store))
            (folder / "x.json").write_text(json.dumps(list(store.records())))
        os.chdir(folder)
        try:
            yield folder
        finally:
            os.chdir(here)


def arguments(count: int, rng: random.Random) -> Counter[str]:
    """Run the command line with odd words."""
    from typer.testing import CliRunner

    from calib.cli import build_app

    ends: Counter[str] = Counter()
    commands = _options()
    with _shop() as folder:
        app, runner = build_app(), CliRunner()
        env = {"TRUEBEAD_STORE": str(folder / "s.sqlite")}
        for _ in range(count):
            words = _words(rng, commands)
            result = runner.invoke(app, words, env=env)
            if result.exception is not None and not isinstance(result.exception, SystemExit):
                told = "".join(traceback.format_exception(*result.exc_info)) if result.exc_info else ""  # fmt: skip
                raise Trace(f"truebead {words!r}\n{told}")
            if result.exit_code not in (0, 1, 2, 130):
                raise Trace(f"truebead {words!r} ended with {result.exit_code}")
            ends[f"exit {result.exit_code}"] += 1
    return ends


# --- broken files -----------------------------------------------------------------------------


def _broken(data: bytes, rng: random.Random, pieces: tuple[bytes, ...]) -> bytes:
    """Return a text with a few things cut out, doubled, swapped or put in."""
    for _ in range(rng.randrange(1, 5)):
        at, to = sorted(rng.randrange(len(data) + 1) for _ in range(2))
        to = min(to, at + rng.choice((1, 3, 20, 400)))
        put = rng.choice(
            (
                b"",
                data[at:to] * 2,
                rng.choice(pieces),
                bytes([rng.randrange(256)]),
                rng.randbytes(4),
            )
        )
        data = data[:at] + put + data[to:]
    return data


_JSON = (b"[", b"{", b"}", b"]", b",", b"null", b"-1", b"1e999", b"9" * 400, b'"\\ud800"', b'"\\u0000"', b"NaN", b"[" * 3000, b'"0001-01-01T00:00:00Z"', b"true", b'""')  # fmt: skip


def imports(count: int, rng: random.Random) -> Counter[str]:
    """Take in exports that were damaged as text, and records with odd values."""
    from calib.store import open_store
    from calib.store.exchange_file import read_records
    from tests.storekit import correction, fresh_url, keep, workshop

    ends: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with fresh_url("sqlite", folder) as url, open_store(url) as store:
            keep(workshop(store), corrections=[correction(), correction("hot_end_c", 210.0, 200.0)])
            store.add_event("moved", "lantern", note="to the attic")
            store.say_place({"flow_percent": 97.0}, "gcode", spool="white-1")  # type: ignore[arg-type]
            store.undo()
            records = list(store.records())
        path = folder / "x.json"
        with fresh_url("sqlite", folder) as url, open_store(url) as target:
            for _ in range(count):
                if rng.random() < 0.5:
                    path.write_bytes(_broken(json.dumps(records).encode(), rng, _JSON))
                else:
                    changed = rng.randrange(len(records))  # one, so that not every file is refused
                    path.write_text(
                        json.dumps(
                            [_odd(r, rng) if n == changed else r for n, r in enumerate(records)]
                        )
                    )
                ends[_attempt(lambda: target.take_in(read_records(path), source=str(path)))] += 1
                _attempt(lambda: [target.in_force(p.name) for p in target.printers()])
                _attempt(lambda: (target.history(), target.events(), target.check(), target.drift("lantern")))  # fmt: skip
    return ends


_ODD: tuple[Any, ...] = (None, True, 0, -1, 1e300, 10**400, "", "x", "a\0", "\ud800", "\x1b[31m", [], {}, [[]], {"a": 1}, "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "n" * 100_000)  # fmt: skip


def _odd(record: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """Return a record of which one value, however deep, may be another."""
    copy: dict[str, Any] = json.loads(json.dumps(record))
    target: Any = copy
    while True:
        keys = list(target) if isinstance(target, dict) else list(range(len(target)))
        if not keys:
            return copy
        key = rng.choice(keys)
        if isinstance(target[key], dict | list) and target[key] and rng.random() < 0.8:
            target = target[key]
            continue
        target[key] = rng.choice(_ODD)
        return copy


_CELLS = (b",", b";", b'"', b"\n", b"#", b"39,97", b"4.0 in", b"\xff", b"\x00", b"1e400", b"nan", b"# pattern: x\n", b"# spec.size_mm: 1e9\n", b"# now.scale_x_percent: nan\n", b"=1+1", b"x" * 2000, "± 0,02".encode())  # fmt: skip


def sheets(count: int, rng: random.Random) -> Counter[str]:
    """Read sheets that were damaged, and solve those that can be read."""
    from calib.interpret.solve import solve_sheet
    from calib.readings import read_sheet
    from tests.storekit import filled_sheet

    ends: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        good = filled_sheet(Path(name)).read_bytes()

    def act(data: bytes) -> None:
        found = read_sheet(data, "sheet.csv")
        if rng.random() < 0.05:  # solving takes a hundred times as long
            solve_sheet(found)

    for _ in range(count):
        data = _broken(good, rng, _CELLS)
        ends[_attempt(lambda data=data: act(data))] += 1  # type: ignore[misc]
    return ends


_CODES = (b"G1", b"G2 I1 J1", b"G92 E0", b"M82\n", b"M83\n", b"G91\n", b"E-2", b"E1e5", b"X nan", b";", b"(", b")", b"\x00", b"\xff", b"N1 ", b"*71", b"T1\n", b"M104 S400\n", b"G20\n", b"%\n", b"Z-5", b"\r", b"X" + b"9" * 400)  # fmt: skip


def gcode(count: int, rng: random.Random) -> Counter[str]:
    """Rewrite G-code that was damaged."""
    from calib.apply.gcode.job import Job
    from calib.apply.gcode.stream import rewrite
    from calib.apply.limits import Limits
    from calib.apply.linear import Skew, correction_matrix

    ends: Counter[str] = Counter()
    lines = ["G28", "G90", "M83", "M104 S200", "G1 Z0.2 F600"]
    for k in range(60):
        x, y = rng.uniform(50, 150), rng.uniform(50, 150)
        lines.append(f"G1 X{x:.3f} Y{y:.3f} E{rng.uniform(0, 1):.4f}")
        if k % 20 == 19:
            lines.append(f"G1 Z{0.2 + 0.2 * (k // 20 + 1):.1f} E-0.8")
    good = ("\n".join(lines) + "\n").encode()
    limits = Limits(build_x_mm=220.0, build_y_mm=220.0, build_z_mm=250.0, hot_end_max_c=260.0)
    matrix = correction_matrix((1.003, 0.998, 1.0), Skew(0.2, 0.0, 0.0))
    job = Job(matrix=matrix, centre_mm=limits.middle_mm, flow=1.03, limits=limits)
    for _ in range(count):
        source = io.BytesIO(_broken(good, rng, _CODES))
        ends[_attempt(lambda source=source: rewrite(source, io.BytesIO(), job, "x.gcode"))] += 1  # type: ignore[misc]
    return ends


FUZZERS: dict[str, Callable[[int, random.Random], Counter[str]]] = {
    "arguments": arguments, "imports": imports, "sheets": sheets, "gcode": gcode,
}  # fmt: skip


def main() -> None:
    """Run each with a seed; say how many ended how."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", default=list(FUZZERS))
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--count", type=int, default=0, help="instead of the usual number")
    asked = parser.parse_args()
    for kind in asked.kinds:
        count = asked.count or COUNTS[kind]
        try:
            ends = FUZZERS[kind](count, random.Random(asked.seed))
        except Trace as err:
            print(f"{kind}: {err}")
            sys.exit(1)
        shown = ", ".join(f"{n} {how}" for how, n in sorted(ends.items()))
        print(f"{kind}: {count} tried, 0 tracebacks ({shown})", flush=True)


if __name__ == "__main__":
    main()
