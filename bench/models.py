"""How fast models are mapped, and that memory does not grow with them: STL both ways, 3MF.

Run as ``python -m bench.models [MB] [folder]``: files of a fifth of that size and of that size, 50 MB unless told
otherwise; of a 3MF what is packed in it counts.
"""

import struct
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import numpy as np

from calib.apply.linear import Skew, correction_matrix
from calib.apply.mesh import TRIANGLE
from tests.test_apply_models import RELS, model

MATRIX = correction_matrix((1.003, 0.998, 1.001), Skew(0.25))


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


_RUN = """
import sys, time
from pathlib import Path
from calib.apply.mesh import map_stl
from calib.apply.threemf import map_3mf
if len(sys.argv) > 1:
    {action}(Path(sys.argv[1]), Path(sys.argv[2]), {matrix})
peak = next(s for s in open("/proc/self/status") if s.startswith("VmHWM")).split()[1]
print(time.process_time(), peak)
"""


def measured(action: str, *files: Path) -> tuple[float, float]:
    """Return the CPU seconds and the peak of memory in MiB of a fresh process, less an idle one's."""
    code = _RUN.format(action=action, matrix=MATRIX)
    found = []
    for given in ((), files):
        command = [sys.executable, "-c", code, *map(str, given)]
        run = subprocess.run(command, check=True, capture_output=True, text=True)
        found.append([float(v) for v in run.stdout.split()])
    (idle_s, idle_kib), (took_s, peak_kib) = found
    return took_s - idle_s, (peak_kib - idle_kib) / 1024


def unpacked_mb(path: Path) -> float:
    """Return the size of a file, or of what is packed in it, in MB."""
    if path.suffix == ".3mf":
        with zipfile.ZipFile(path) as package:
            return sum(i.file_size for i in package.infolist()) / 1e6
    return path.stat().st_size / 1e6


def main() -> None:
    """Print all figures."""
    wanted_mb = float(sys.argv[1]) if len(sys.argv) > 1 else 50.0
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as name:
        for kind, write, action, suffix, mb_per_thousand in (
            ("binary STL", write_binary, "map_stl", "stl", 0.05),
            ("text STL", write_text, "map_stl", "stl", 0.185),
            ("3MF", write_3mf, "map_3mf", "3mf", 0.0605),
        ):
            whole = max(5, round(wanted_mb / mb_per_thousand))
            for count in (whole // 5, whole):
                source, target = Path(name) / f"in.{suffix}", Path(name) / f"out.{suffix}"
                write(source, count)
                took, peak = measured(action, source, target)
                print(
                    f"{kind}: {count},000 triangles, {unpacked_mb(source):.0f} MB, {took:.2f} s of"
                    f" CPU ({1000 * took / count:.2f} s per million), {peak:.1f} MiB",
                    flush=True,
                )
                source.unlink()
                target.unlink()


if __name__ == "__main__":
    main()
