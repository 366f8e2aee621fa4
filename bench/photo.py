"""Lengths from path-traced photos against their truth: ``python -m bench.photo [folder] [first] [last]``.

The photos are rendered once (a minute or two each, needs mitsuba and LLVM's library) and kept in the
folder. For each photo: how many lengths are clear, their rms and largest error, and the error beside what all
edges share (offset) and the axes share (scale); then the same over all, with how often the intervals hold.
"""

import resource
import sys
import time
from pathlib import Path

import numpy as np

from bench.photo_scenes import Truth, gauge, rendered
from calib.errors import FileError
from calib.fit.dimensions import edge_sign
from calib.photo.image import load_photo
from calib.photo.measure import Length
from calib.photo.scale import from_bars
from calib.photo.session import measure_photos
from patterns.feature import Feature

WRONG_MM = 0.15


def true_mm(feature: Feature, truth: Truth) -> float:
    """Return what a caliper without error would read."""
    gx, gy, out_mm = truth.grow
    a, b = (np.array(p[:2]) * (gx, gy) for p in (feature.start, feature.end))
    if feature.axis == "XY":  # between bevels at 45 degrees, which growth hardly turns
        d = np.array(feature.direction[:2])
        return float(abs((b - a) @ d)) + 2 * out_mm
    return float(np.linalg.norm(b - a)) + 2 * out_mm * edge_sign(feature)


def table(truths: list[Truth]) -> int:
    """Measure and print; return how many clear lengths are silently wrong."""
    features = gauge().features
    errors, scores, own, silent, total = [], [], [], 0, 0
    print("photo                      tilt clear  rms    max    own    shared  CPU s")
    for t in truths:
        start = time.process_time()
        try:
            found = measure_photos(
                [load_photo(t.path)], gauge().body, features, scale=from_bars(*t.bars_mm)
            )
        except FileError as err:
            print(f"{t.path.stem:<26} {err}")
            continue
        seconds = time.process_time() - start
        clear = [n for n in found.lengths if not n.flags]
        total += len(found.lengths)
        error = np.array([n.value_mm - true_mm(n.feature, t) for n in clear])
        if len(error):
            left, shared = _beside_shared(clear, error)
            own += list(left)
            errors += list(error)
            scores += [e / n.sd_mm for e, n in zip(error, clear, strict=True)]
            silent += int((np.abs(error) > WRONG_MM).sum())
            print(
                f"{t.path.stem:<26} {t.tilt_deg:4.0f} {len(clear):2d}/{len(found.lengths):<2d}"
                f" {np.sqrt((error**2).mean()):6.3f} {np.abs(error).max():6.3f}"
                f" {np.sqrt((left**2).mean()):6.3f} {shared:+7.3f} {seconds:6.1f}"
            )
        else:
            print(f"{t.path.stem:<26} {t.tilt_deg:4.0f}  0/{len(found.lengths)}   {seconds:.1f}")
        for n in found.lengths:
            if "-v" in sys.argv:
                e = n.value_mm - true_mm(n.feature, t)
                print(f"    {n.feature.id:<20} {e:+.3f} +-{n.sd_mm:.3f} {'; '.join(n.flags)}")
    e, s = np.array(errors), np.abs(scores)
    print(
        f"{len(e)} of {total} clear; rms {np.sqrt((e**2).mean()):.3f}, beside what edges share"
        f" {np.sqrt((np.array(own) ** 2).mean()):.3f}, max {np.abs(e).max():.3f} mm; 95 % intervals hold"
        f" {100 * (s < 1.96).mean():.0f} %; {silent} wrong by more than {WRONG_MM} mm"
    )
    print(f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    return silent


def _beside_shared(clear: list[Length], error: np.ndarray) -> tuple[np.ndarray, float]:
    """Errors less one offset of edges and the paper's scale along X and Y (as the fit takes them)."""
    columns = [[edge_sign(n.feature)] for n in clear]
    fit = np.linalg.lstsq(np.array(columns, float), error, rcond=None)[0]
    return error - np.array(columns) @ fit, float(fit[0])


def main() -> int:
    """Print the table."""
    words = [w for w in sys.argv[1:] if not w.startswith("-")]
    folder = Path(words[0]) if words else Path("/tmp/truebead-photos")
    first, last = (int(words[1]), int(words[2])) if len(words) > 2 else (0, 16)
    return min(table(list(rendered(folder, range(first, last), 3000))), 1)


if __name__ == "__main__":
    sys.exit(main())
