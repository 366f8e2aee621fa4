"""What a first print needs to be told: temperatures within the rating, speed, and how to begin.

Common practice, no source.
"""

from patterns.errors import SpecError
from patterns.filaments import Filament, filament, filaments
from patterns.piece import Piece
from patterns.print_cost import SPEED_MM_S

_FIRST_LAYER_MM_S = 20.0
_UNHEATED_C = 30.0
_STEP_C = 5.0


def print_facts(piece: Piece, type_name: str = "") -> list[tuple[str, str]]:
    """Return (name, value) lines for the box: temperatures of the filament's type, and speeds.

    Parameters
    ----------
    type_name : str
        Type of the filament; where it is not known the piece's own parameter, else PLA, which the
        line then says.
    """
    material, known = _material(piece, type_name)
    said = material.type if known else f"{material.type} (say yours: --spool)"
    return [
        ("filament", said),
        ("hot end to start with", _hot_end(piece, material)),
        ("bed", _bed(piece, material)),
        ("speed", f"{SPEED_MM_S:g} mm/s or slower, first layer {_FIRST_LAYER_MM_S:g} mm/s"),
    ]


#: How a print begins well.
FIRST_STEPS = (
    "Wipe the bed clean of grease, level it, and set the first layer so that lines just touch and"
    " hold: paper drags between nozzle and bed.",
    "Print a skirt, so that filament flows before the piece begins, and stay for the first layers.",
    "Slice it as it is: no scaling, no corrections but those the printer always gets.",
)


def _material(piece: Piece, type_name: str) -> tuple[Filament, bool]:
    for name in (type_name, piece.spec.as_text().get("filament", "")):
        try:
            return filament(name), True
        except SpecError:
            continue
    return filaments()["PLA"], False


def _hot_end(piece: Piece, material: Filament) -> str:
    """Return the middle of the usual range, held to the rating; a schedule's own where there is one."""
    for row in piece.schedule:
        if row.setting == "hot_end_c":
            return f"{row.value:g} °C, as the lowest band"
    most = piece.setup.hot_end_max_c
    if most < material.hot_end_from_c:
        return (
            f"none: {material.type} needs {material.hot_end_from_c:g} °C, the rating is {most:g} °C"
        )
    middle = (material.hot_end_from_c + material.hot_end_to_c) / 2
    start = _STEP_C * round(min(middle, most) / _STEP_C)
    start = start if start <= most else start - _STEP_C
    return f"{start:g} °C (usual {material.hot_end_from_c:g} to {material.hot_end_to_c:g}; the spool's label decides)"


def _bed(piece: Piece, material: Filament) -> str:
    most = piece.setup.bed_max_c
    if most < _UNHEATED_C:
        return "unheated: use what makes your filament stick"
    if material.bed_c > most:
        return f"{most:g} °C, its rating ({material.bed_c:g} °C would be usual)"
    return f"{material.bed_c:g} °C"
