"""Lengths on a sheet: which readings they are, their fit, and those that do not belong."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.fit.dimensions import (
    KINDS,
    PIECE,
    TRAVEL,
    Closed,
    DimensionsFit,
    MeanReading,
    Shared,
    fit_dimensions,
)
from calib.fit.doubts import effect
from calib.interpret.common import closed_jaws, doubtful_repeats, key_number, measured
from calib.interpret.finding import Context, Suspect
from calib.model.instrument import Instrument
from calib.readings import Reading, Sheet
from calib.readings.slips import explanations, only_proposal, said
from patterns.feature import Feature, Kind

_NARROW_MM = 0.15  # how near a slip's true value must come to the fit


def lengths(sheet: Sheet) -> list[Reading]:
    """Return the readings that are lengths of the size model."""
    kinds = {f.id: f for f in sheet.piece.features}
    return [r for r in sheet.readings if is_length(kinds[r.feature])]


def shared_by_photos(sheet: Sheet) -> Shared:
    """Return what the readings with a stated uncertainty have in common.

    Photos on one mat share its scale, ``# photo_scale_u:`` in the sheet's head, and how much of the
    rounded edges they see, ``# photo_edge_u_mm:``. A scale that the sheet does not say is taken for
    that of a mat whose bars were measured.
    """
    stated = {
        "scale_u": key_number(sheet, "photo_scale_u", 0.0, 0.1),
        "edge_mm": key_number(sheet, "photo_edge_u_mm", 0.0, 1.0),
    }
    return Shared(**{name: u for name, u in stated.items() if u is not None})


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """What all readings of a sheet have in common: their instruments, and what was said of them."""

    caliper: Instrument
    shared: Shared
    closed: Closed | None


def common_of(sheet: Sheet, context: Context) -> Common:
    """Return what the sheet's head and the context say of caliper and photos."""
    caliper = context.instruments["caliper"]
    shown = closed_jaws(sheet, caliper)
    return Common(
        caliper=caliper,
        shared=shared_by_photos(sheet),
        closed=Closed(shown_mm=shown[0], u_mm=shown[1]) if shown else None,
    )


def is_length(f: Feature) -> bool:
    """Whether a feature is a length of the size model."""
    return f.kind in KINDS and f.rung is None and f.group in ("", "travel", "size")


def several_lengths(lengths: Sequence[Feature]) -> bool:
    """Whether an axis has several lengths, which tell its scale from the outline offset."""
    different = {(f.axis, f.nominal) for f in lengths}
    return len(different) > len({f.axis for f in lengths})


def made_for_sizes(lengths: Sequence[Feature]) -> bool:
    """Whether lengths are there for sizes: several along an axis, carriage travel, or said to be so."""
    return several_lengths(lengths) or any(f.group in ("travel", "size") for f in lengths)


def effect_of(sheet: Sheet, reading: Reading, context: Context) -> str:
    """Say what one more reading would do to the result of a sheet; empty where it is no length."""
    features = [f for f in sheet.piece.features if is_length(f)]
    readings = lengths(sheet)
    if not readings or not any(f.id == reading.feature for f in features):
        return ""
    common = common_of(sheet, context)
    without = fitted(features, readings, common)
    return _effect(without, [*readings, reading], reading, features, common)


def fitted(
    features: Sequence[Feature],
    readings: Sequence[Reading],
    common: Common,
    *,
    robust: bool = True,
) -> DimensionsFit:
    """Fit the lengths of one piece, or of a carriage's travel."""
    place = {f.id: i for i, f in enumerate(features)}
    return fit_dimensions(
        features,
        np.array([place[r.feature] for r in readings]),
        np.array([r.value for r in readings]),
        common.caliper,
        stated_u=np.array([math.nan if r.u is None else r.u for r in readings]),
        shared=common.shared,
        closed=common.closed,
        robust=robust,
        scatter=TRAVEL if any(f.group == "travel" for f in features) else PIECE,
    )


def _effect(
    without: DimensionsFit,
    readings: Sequence[Reading],
    reading: Reading,
    features: Sequence[Feature],
    common: Common,
) -> str:
    """Compare the number that a reading informs most, with and without it."""
    f = next(f for f in features if f.id == reading.feature)
    name = f"{'skew' if f.kind is Kind.DIAGONAL else 'scale'}_{f.axis.lower()}"
    if name not in without.linear:
        return ""
    factor, unit = (180 / math.pi, "deg") if f.kind is Kind.DIAGONAL else (100.0, "%")
    with_it = fitted(features, readings, common, robust=False)
    return effect(
        with_it.linear[name].times(factor, unit), without.linear[name].times(factor, unit), 2
    )


def suspects(
    result: DimensionsFit,
    readings: list[Reading],
    features: Sequence[Feature],
    common: Common,
) -> list[Suspect]:
    """Explain the readings that the robust fit set aside, in a narrow window round the fit."""
    by_id = {f.id: f for f in features}
    kept = [r for r, out in zip(readings, result.outlying, strict=True) if not out]
    found = []
    for reading, out in zip(readings, result.outlying, strict=True):
        if not out:
            continue
        f = by_id[reading.feature]
        expected = _expected(f, result)
        others = {g.id: _expected(g, result) for g in features if g.id != f.id}
        slips = explanations(reading.value, expected, others, _NARROW_MM, text=reading.text)
        proposal = only_proposal(slips)
        text = f"{reading.value:g} mm does not belong with the others, which give {expected:.2f} mm"
        if slips:
            text += f"; {said(slips, proposal, 'mm')}"
        effect = _effect(result, [*kept, reading], reading, features, common)
        found.append(Suspect(reading=reading, explanation=text, proposal=proposal, effect=effect))
    return found


def _expected(f: Feature, result: DimensionsFit) -> float:
    """Return what the fit says a feature should read."""
    fitted = {r.feature: r.mean - res for r, res in with_residuals(result)}
    for place, value in fitted.items():
        if result.features[place].id == f.id:
            return value
    names = [f"scale_{a.lower()}" for a in f.axis]
    scales = [result.linear[n].value for n in names if n in result.linear]
    return f.nominal * (1 + sum(scales) / max(1, len(scales)))


def with_residuals(result: DimensionsFit) -> list[tuple[MeanReading, float]]:
    """Return the rows of a fit with what is left over of each."""
    return [(r, float(e)) for r, e in zip(result.rows, result.linear.residuals, strict=True)]


def spread_repeats(
    sheet: Sheet, result: DimensionsFit, readings: Sequence[Reading], caliper: Instrument
) -> list[Suspect]:
    """Show repeats that disagree, but for those from which a reading was set aside already."""
    shown = {r.feature for r, out in zip(readings, result.outlying, strict=True) if out}
    return doubtful_repeats(measured(sheet, lambda f: is_length(f) and f.id not in shown), caliper)
