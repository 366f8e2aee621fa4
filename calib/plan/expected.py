"""How sure a piece would make us, before it is printed: the real fits on readings made up for it.

Every feature is read once, on a print that is true but for the scatter that prints and calipers have;
judgements follow a plain course with a best band or a limit in the middle. The half-widths that the fits
then give depend on the piece and the instruments, hardly on the values: without scatter they would come
out too small, because a fit takes the scatter that it sees for that of the print.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.fit.dimensions import PIECE
from calib.model.instrument import DEFAULTS, Instrument
from calib.readings import Reading, Sheet
from patterns.feature import Feature, Kind
from patterns.filaments import Filament
from patterns.piece import Piece

if TYPE_CHECKING:
    from patterns.mesh import Mesh

#: A score falls by this much from the best band to either end.
_FALL = 6.0
#: Share of a ladder that comes out clean.
_CLEAN = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What one setting would be known to: half of its 95 % interval."""

    setting: str
    half_width: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What a piece costs its user, and what it gives: the four numbers that a choice rests on.

    Attributes
    ----------
    minutes, grams : float
        Of printing, roughly; 0 for a check without plastic.
    readings : int
        Of a hand or an eye, one for each feature.
    settles : tuple of Expected
    """

    minutes: float
    grams: float
    readings: int
    settles: tuple[Expected, ...]


def worth(
    piece: Piece,
    filament: Filament,
    mesh: "Mesh | None" = None,
    instruments: Mapping[str, Instrument] = DEFAULTS,
) -> Worth:
    """Return what a piece takes and how sure it would make us; the mesh spares making a preview."""
    from patterns.preview import preview_mesh
    from patterns.print_cost import print_cost

    minutes = grams = 0.0
    if piece.printed:
        cost = print_cost(piece, mesh or preview_mesh(piece.body), filament)
        minutes, grams = cost.minutes, cost.grams
    return Worth(
        minutes=minutes,
        grams=grams,
        readings=len(piece.by_hand),
        settles=expected(piece, instruments),
    )


def expected(
    piece: Piece, instruments: Mapping[str, Instrument] = DEFAULTS
) -> tuple[Expected, ...]:
    """Return what each setting would be known to after one reading of every feature.

    Parameters
    ----------
    piece : Piece
        Needs no solid; what only a photo measures is left out.
    instruments : mapping
        Kind -> the instrument that will be used.

    Returns
    -------
    tuple of Expected
        In the order in which the sheet's findings name them; where two settings would mend the same
        error, the first of them. Empty where nothing could be fitted.
    """
    from calib.errors import BadInput
    from calib.interpret.solve import Context, solve_sheet

    sheet = Sheet(
        piece=piece,
        piece_id="expected",
        readings=made_up(piece, instruments["caliper"]),
        keys={line.key: "0.00" for line in piece.head_lines if line.key == "jaws_closed_mm"},
        instruments=dict(instruments),
    )
    try:
        solution = solve_sheet(sheet, Context(instruments=dict(instruments)))
    except BadInput:
        return ()
    return tuple(
        Expected(setting=c.setting, half_width=c.error.expanded(), unit=c.error.unit)
        for c in solution.corrections
    )


def made_up(piece: Piece, caliper: Instrument) -> tuple[Reading, ...]:
    """Return one reading for each feature that a hand or an eye reads, the same at every call."""
    features = piece.by_hand
    sd = math.hypot(caliper.u_reading, PIECE.typical)
    rng = np.random.default_rng(len(features))
    scatter = sd * _even(len(features), rng)
    return tuple(
        Reading(
            feature=f.id,
            value=_value(f, features) + (float(off) if f.instrument == "caliper" else 0.0),
        )
        for f, off in zip(features, scatter, strict=True)
    )


def _even(count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return the quantiles of a normal distribution in random order: no draw is a lucky one."""
    from scipy.special import ndtri

    found: NDArray[np.float64] = rng.permutation(ndtri((np.arange(count) + 0.5) / count))
    return found


def _value(f: Feature, all_: tuple[Feature, ...]) -> float:
    if f.kind is Kind.SCORE:
        return round(9.0 - _FALL * (2 * _place(f, all_) - 1) ** 2)
    if f.kind is Kind.PASS and f.grades:
        return float(min(int(_place(f, all_) * len(f.grades)), len(f.grades) - 1))
    if f.kind is Kind.PASS:
        return float(_place(f, all_) <= _CLEAN)
    if f.group == "sag":
        return f.nominal + max(0.0, _place(f, all_) - _CLEAN)
    if (
        f.unit == "mm" and f.nominal == 0.0
    ):  # what nothing is drawn for: as it is shown on the picture
        return math.dist(f.start, f.end)
    return f.nominal


def _place(f: Feature, all_: tuple[Feature, ...]) -> float:
    """Return where on its ladder a feature stands, from 0 to 1."""
    rungs = sorted({g.rung for g in all_ if g.group == f.group and g.rung is not None})
    return rungs.index(f.rung) / max(1, len(rungs) - 1) if f.rung in rungs else 0.0
