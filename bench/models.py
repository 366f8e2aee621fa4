"""How fast models are mapped, and that memory does not grow with them: STL both ways, 3MF.

Run as ``python -m bench.models [thousands of triangles] [folder]``; a million triangles unless told otherwise.
"""

import struct
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path

import numpy as np

from calib.apply.linear import Skew, correction_matrix
from calib.apply.mesh import TRIANGLE, map_stl
from calib.apply.threemf import map_3mf
from tests.test_apply_models import RELS, model

MATRIX = correction_matrix((1.003, 0.998, 1.001), Skew(0.25))

_PEAK = "print(next(s for s in open('/proc/self/status') if s.startswith('VmHWM')).split()[1])"


def write_binary(path: Path, thousands: int) -> None:
    """Write triangles by the thousand."""
    part = np.zeros(1000, TRIANGLE)
    part["corners"] = np.random.default_rng(1).uniform(0, 100, (1000, 3, 3))
    with path.open("wb") as out:
        out.write(bytes(80) + struct.pack("<I", 1000 * thousands))
        for _ in range(thousands):
            out.write(part.tobytes())


def write_text(path: Path, thousands: int) -> None:
    """Write the same as text."""
    lines = ["facet normal 0 0 1", "outer loop"]
    lines += [f"vertex {v:.6e} {v + 1:.6e} {v * 2:.6e}" for v in (1.25, 2.5, 77.125)]
    facet = "\n".join([*lines, "endloop", "endfacet"]) + "\n"
    with path.open("w", encoding="ascii") as out:
        out.write("solid bench\n")
        for _ in range(thousands):
            out.write(facet * 1000)
        out.write("endsolid bench\n")


def write_3mf(path: Path, thousands: int) -> None:
    """Write a mesh of as many triangles and half as many points."""
    points = "".join(f'<vertex x="{i / 7:.4f}" y="{i / 9:.4f}" z="1.5"/>' for i in range(1000))
    faces = "".join(f'<triangle v1="{i}" v2="{i + 1}" v3="{i + 2}"/>' for i in range(998))
    half = max(1, thousands // 2)
    head, tail = model(resources='<object id="1">MESH</object>').split("MESH")
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("_rels/.rels", RELS)
        with package.open("3D/3dmodel.model", "w", force_zip64=True) as out:
            out.write((head + "<mesh><vertices>").encode())
            for _ in range(half):
                out.write(points.encode())
            out.write(b"</vertices><triangles>")
            for _ in range(thousands):
                out.write(faces.encode())
            out.write(("</triangles></mesh>" + tail).encode())


def memory(source: Path, target: Path, action: str) -> float:
    """Return the most memory of a fresh process above a bare interpreter, in MiB."""
    peak = []
    run = (
        "import sys; from pathlib import Path; from calib.apply.mesh import map_stl;"
        "from calib.apply.threemf import map_3mf;"
        f"{action}(Path(sys.argv[1]), Path(sys.argv[2]), {MATRIX})"
    )
    for code in ("pass", run):
        command = [sys.executable, "-c", f"{code}\n{_PEAK}", str(source), str(target)]
        peak.append(int(subprocess.run(command, check=True, capture_output=True, text=True).stdout))
    return (peak[1] - peak[0]) / 1024


def main() -> None:
    """Print all figures."""
    thousands = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as name:
        for kind, write, action, suffix, share in (
            ("binary STL", write_binary, map_stl, "stl", 1),
            ("text STL", write_text, map_stl, "stl", 10),
            ("3MF", write_3mf, map_3mf, "3mf", 10),
        ):
            peaks = []
            for count in (max(1, thousands // share // 5), thousands // share):
                source, target = Path(name) / f"in.{suffix}", Path(name) / f"out.{suffix}"
                write(source, count)
                begin = time.process_time()
                action(source, target, MATRIX)
                took = time.process_time() - begin
                peaks.append(memory(source, target, action.__name__))
            size = source.stat().st_size / 1e6
            print(f"{kind}: {count},000 triangles, {size:.0f} MB, in {took:.2f} s of CPU; ", end="")
            print(f"memory {peaks[0]:.1f} MiB for a fifth, {peaks[1]:.1f} MiB for all")


if __name__ == "__main__":
    main()
