"""Errors of sag, droop and strings in rendered photos of a tower on its back: python -m bench.defects.

Two mats, five filaments, the lamp on four sides. What the photo itself calls doubtful is not written,
and not counted here.
"""

import tempfile
from pathlib import Path

import numpy as np

from tests.test_photo_defects import DROOPS_MM, LAMPS, SAGS_MM, TOWER, Shot, printed_tower, shoot

CASES = (
    ("orange", "dark"), ("white", "dark"), ("blue", "white"), ("red", "white"), ("black", "white"),
)  # fmt: skip


def off(shot: Shot, quantity: str, group: str, true: np.ndarray) -> np.ndarray:
    """Return the errors of the clear values."""
    rungs = {f.id: f.rung for f in TOWER.features if f.group == group}
    expected = dict(zip(dict.fromkeys(rungs.values()), true, strict=True))
    clear = [r for r in shot.rows if r["quantity"] == quantity and not r["flags"]]
    return np.array(
        [float(r["value"]) - expected[rungs[r["feature"]]] for r in clear if r["feature"] in rungs]
    )


def main() -> None:
    """Print one line for each photo."""
    body, areas = printed_tower()
    print(
        "filament mat   lamp   sag mm: max   droop mm: max   strings: least and most, share of truth"
    )
    for colour, centre in CASES:
        for lamp in range(len(LAMPS)):
            with tempfile.TemporaryDirectory() as folder:
                shot = shoot(Path(folder), TOWER, body, colour, centre, lamp)
            errors = [
                off(shot, "sag", "bridge", np.array(SAGS_MM)),
                off(shot, "droop", "overhang", np.array(DROOPS_MM)),
            ]
            line = "   ".join(
                f"{np.abs(e).max():.2f} ({len(e)})" if len(e) else "-" for e in errors
            )
            strings = off(shot, "strings", "strings", areas)
            share = "-"
            if len(strings):
                some = areas > 0
                ratio = 1 + strings[some] / areas[some]
                share = f"{ratio.min():.2f} {ratio.max():.2f}"
            print(f"{colour:<8} {centre:<5} {lamp}      {line}   {share}")


if __name__ == "__main__":
    main()
