"""Sheets whose numbers look as if nobody had measured them finely, or at all."""

import re
from collections.abc import Sequence

from calib.readings.data import Reading, Sheet

#: How many lengths must look alike before anything is said: fewer do by chance.
_FEWEST = 5
#: Steps that rulers and hurried readers read to, in mm.
_COARSE_MM = (1.0, 0.5, 0.1)
#: Groups of features that nobody reads finely.
_ROUGH = ("feed", "sag")
#: Shorter ones (walls, patches, first layers) may well read as drawn.
_LONG_MM = 5.0
#: A ruler may well show the nominal value on every line.
_RULER_MM = 0.5
_GRAM = 1.0
_WHOLE = re.compile(r"\d+(\s*g)?", re.ASCII)


def copied(sheet: Sheet) -> tuple[Reading, ...]:
    """Return the lengths of a sheet that holds nothing but its own nominal values; else none."""
    nominal = {f.id: f.nominal for f in sheet.piece.features}
    found = _lengths(sheet)
    fine = sheet.instruments["caliper"].resolution < _RULER_MM
    if fine and _many(found) and all(abs(r.value - nominal[r.feature]) < 1e-6 for r in found):
        return tuple(found)
    return ()


def coarse_step_mm(sheet: Sheet) -> float | None:
    """Return the step in which all lengths move, where it is coarser than the caliper's; else None."""
    found = _lengths(sheet)
    return coarse_step(found, sheet.instruments["caliper"].resolution) if _many(found) else None


def coarse_step(readings: Sequence[Reading], resolution: float) -> float | None:
    """Return the step in which all readings move, where it is coarser than the instrument's; else None."""
    for step in _COARSE_MM:
        if step > 1.5 * resolution and all(
            abs(r.value / step - round(r.value / step)) < 1e-6 for r in readings
        ):
            return step
    return None


def whole_grams(sheet: Sheet) -> bool:
    """Whether masses were written without a decimal, although the balance is said to show some."""
    weighed = {f.id for f in sheet.piece.features if f.unit == "g"}
    written = [r.text for r in sheet.readings if r.feature in weighed]
    fine = sheet.instruments["balance"].resolution < _GRAM
    return fine and bool(written) and all(_WHOLE.fullmatch(text.strip()) for text in written)


def coarse_words(sheet: Sheet) -> tuple[str, ...]:
    """Return what is taken for granted about readings in coarse steps, as lines."""
    lines = []
    step = coarse_step_mm(sheet)
    if step is not None:
        steps = "whole millimetres" if step == 1.0 else f"steps of {step:g} mm"
        lines.append(
            f"All lengths stand in {steps}: taken to be read no finer than {step:g} mm. If your"
            " caliper shows more, read them again and write all that it shows."
        )
    if whole_grams(sheet):
        lines.append(
            "The mass stands in whole grams: taken to be read no finer than 1 g. If your balance"
            " shows tenths, write them too (6.0)."
        )
    return tuple(lines)


def _lengths(sheet: Sheet) -> list[Reading]:
    """Return the lengths that a hand read with the caliper, but for those to a mark or a bend."""
    by_hand = {
        f.id
        for f in sheet.piece.features
        if f.instrument == "caliper"
        and f.unit == "mm"
        and f.group not in _ROUGH
        and f.nominal >= _LONG_MM
    }
    return [r for r in sheet.readings if r.feature in by_hand and r.u is None]


def _many(readings: Sequence[Reading]) -> bool:
    return len({r.feature for r in readings}) >= _FEWEST
