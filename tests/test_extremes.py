"""Every parameter at the ends of its range, on three printers: built, or refused with one clear line."""

import pytest

from patterns import registry
from patterns.errors import BadInput
from patterns.preview import preview_mesh
from patterns.spec import PrintSetup

SETUPS = {
    "usual": PrintSetup(),
    "fine": PrintSetup(
        nozzle_mm=0.25, line_mm=0.28, layer_mm=0.1, build_x_mm=120, build_y_mm=120, build_z_mm=120
    ),
    "coarse": PrintSetup(
        nozzle_mm=0.8, line_mm=0.9, layer_mm=0.5, build_x_mm=400, build_y_mm=400, build_z_mm=450
    ),
}


def ends(param, default):
    """Values at, within and beyond the ends of a range, as they are typed."""
    if param.choices:
        return list(param.choices)
    if isinstance(default, str):
        return ["", "x", "{value}"]
    low, high = param.low, param.high
    return [f"{v:g}" for v in (low, high, low - 1, 10 * high + 1, (low + high) / 2)] + ["nan"]


@pytest.mark.slow
@pytest.mark.parametrize("setup", SETUPS)
def test_a_piece_with_an_extreme_value_is_built_or_refused(setup):
    lines = []
    for name, pattern in (registry.all_patterns() | registry.all_checks()).items():
        for key, (param, default) in pattern.spec_type.params().items():
            for value in ends(param, default):
                told = (name, key, value)
                try:
                    piece = pattern.piece({key: value}, SETUPS[setup])
                    if not piece.printed or len(piece.features) > 400:
                        continue
                    volume_mm3 = preview_mesh(piece.body).volume_mm3
                except BadInput as err:
                    lines.append(str(err))
                    continue
                if piece.volume_mm3:
                    assert volume_mm3 == pytest.approx(piece.volume_mm3, rel=2e-3), told
    assert all(line and "\n" not in line for line in lines)
