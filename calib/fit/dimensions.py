"""Scale, outline offset, skew and zero error from lengths, on the linear core.

    reading = nominal * |A d| + k * offset - inside + squeeze (heights)
              + zero + caliper scale * nominal + caliper bend + noise

with A the map from drawn to printed coordinates (scale per axis, skew per plane), d the direction of
the feature, and k = +1 for outside, -1 for inside, 0 for pitch, step and height. `inside` is how much
more inside lengths close than outside ones grow; the bend is a caliper's error along its scale, within
its limits. The noise is that of the readings, and a scatter from feature to feature that is averaged
over (`scatter.py`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.fit.doubts import without_rows
from calib.fit.lengths import (
    KINDS,
    PLANES,
    Closed,
    MeanReading,
    Model,
    Shared,
    Table,
    edge_sign,
    model_of,
    table_of,
)
from calib.fit.linear import Array, LinearFit, Problem, fit, outlying
from calib.fit.scatter import Scatter, fit_scattered, with_scatter
from calib.model.instrument import Instrument
from patterns.feature import Feature

__all__ = [
    "KINDS", "PIECE", "PLANES", "TRAVEL", "Closed", "DimensionsFit", "MeanReading", "Shared", "edge_sign", "expected_fit",
    "fit_dimensions",
]  # fmt: skip

#: Deviation of one feature from the piece's own straight line: studies on printed pieces give 0.01
#: to 0.04 mm, common practice, no source.
PIECE = Scatter(typical=0.02, log_sd=0.6)
#: The same of a carriage that is sent to a place and measured there.
TRAVEL = Scatter(typical=0.01, log_sd=0.6)

_FORGOTTEN_ZERO_SD_MM = 0.5
#: Root mean square of residuals, in their usual size, beyond which readings do not agree; and the
#: share of the misfit that may remain where leaving out a feature helps.
_ROUGH, _HELPS = 3.0, 0.75
_FEWEST = 4  # features: of fewer none can be told to be the wrong one
_STEPS = 3  # Gauss-Newton steps: |A d| is nearly linear


@dataclass(frozen=True, eq=False, kw_only=True)
class DimensionsFit:
    """Result of `fit_dimensions`.

    Attributes
    ----------
    linear : LinearFit
        Parameters ``scale_x`` (fraction), ``offset_x`` (mm, both walls of an outside length together),
        ``inside_x`` (mm, how much more an inside length closes than that), ``skew_xy`` (radians, tilt
        of the second axis towards the first), ``squeeze`` (mm, of a total height), ``zero``,
        ``zero_inside``, ``zero_depth`` (mm), ``caliper_scale``, ``caliper_at_40`` (mm, its bend
        there); those that the features call for. Its `problem` is the sheet's likelihood with its
        priors: named parameters, X, y, V, linearised at the result.
    features : tuple of Feature
        As given; `MeanReading.feature` is a place among them.
    rows : tuple of MeanReading
        In the order of ``linear.residuals``.
    outlying : (n,) bool
        Readings that were set aside.
    zero_forgotten : bool
        The readings, or the closed jaws, show a zero error far beyond the caliper's permissible error.
    scatter_mm : float
        From feature to feature, as the readings show it.
    """

    linear: LinearFit
    features: tuple[Feature, ...]
    rows: tuple[MeanReading, ...]
    outlying: NDArray[np.bool_]
    zero_forgotten: bool
    scatter_mm: float


def fit_dimensions(
    features: Sequence[Feature],
    which: NDArray[np.int64],
    value: Array,
    caliper: Instrument,
    *,
    stated_u: Array | None = None,
    shared: Shared | None = None,
    closed: Closed | None = None,
    robust: bool = True,
    scatter: Scatter = PIECE,
) -> DimensionsFit:
    """Fit lengths read on one printed piece.

    Parameters
    ----------
    features : sequence of Feature
        Of the kinds in `KINDS`.
    which : (n,) int
        Index of the feature of each reading; features may repeat or be missing.
    value : (n,) float, millimetres
    caliper : Instrument
        Its permissible error is the common term, its repeatability the noise.
    stated_u : (n,) float, millimetres
        Standard uncertainty stated with a reading, NaN where it is the caliper's.
    shared : Shared
        What the readings with a stated uncertainty have in common.
    closed : Closed
        What the caliper showed with closed jaws, where somebody looked.
    robust : bool
        Set aside readings that do not belong with the rest.
    scatter : Scatter
        From feature to feature, beside the readings' own.

    Raises
    ------
    ValueError
        No readings, or a value that is not finite.

    References
    ----------
    JCGM 100:2008, 5.2 and F.1.2.4 (correlated readings of one instrument).
    """
    if len(value) == 0 or not np.all(np.isfinite(value)):
        msg = "at least one reading is needed, and every reading must be finite"
        raise ValueError(msg)
    singles = table_of(which, value, caliper, stated_u)
    model = model_of(features, singles, caliper, shared or Shared(), closed)
    wide = model if closed else model.with_prior("zero", _FORGOTTEN_ZERO_SD_MM)
    aside = _set_aside(wide, singles, scatter) if robust else np.zeros(len(value), dtype=bool)
    table = singles.kept(~aside).averaged()
    forgotten = _zero_forgotten(wide, table, caliper, closed, scatter)
    linear, seen = _gauss_newton(wide if forgotten else model, table, scatter)
    return DimensionsFit(
        linear=linear,
        features=tuple(features),
        rows=table.rows(),
        outlying=aside,
        zero_forgotten=forgotten,
        scatter_mm=seen,
    )


def expected_fit(
    features: Sequence[Feature],
    caliper: Instrument,
    repeats: int = 3,
    closed: Closed | None = None,
) -> LinearFit:
    """Fit the nominal values themselves: tells beforehand what a piece can resolve."""
    which = np.repeat(np.arange(len(features)), repeats)
    nominal = np.array([f.nominal for f in features])[which]
    table = table_of(which, nominal, caliper, None).averaged()
    model = model_of(features, table, caliper, Shared(), closed)
    return fit(with_scatter(model.problem(table), PIECE.typical, model.alike))


def _set_aside(wide: Model, singles: Table, scatter: Scatter) -> NDArray[np.bool_]:
    """Mark readings that do not belong, linearising again around each robust result."""
    theta: Array | None = None
    for _ in range(_STEPS):
        problem = with_scatter(wide.problem(singles, theta), scatter.typical)
        aside, theta = outlying(problem)
        if not wide.diagonal[singles.which].any():
            break
    if aside.all():
        aside = np.zeros(len(aside), dtype=bool)
    return _whole_features_aside(problem, singles.which, aside)


def _whole_features_aside(
    problem: Problem, which: NDArray[np.int64], aside: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Set aside features all of whose readings are wrong, where the rest then agrees.

    A long length read in another's row pulls the fit so far that no reading stands out: so each
    feature is left out in turn, the one that helps most for good, until the rest agrees.
    """
    found = aside.copy()
    for _ in range(max(1, len(np.unique(which)) // 4) + 1):
        features = np.unique(which[~found])
        if len(features) < _FEWEST:
            break
        chi2 = _misfit(problem, ~found)
        if chi2 <= _ROUGH**2 * np.sum(~found):
            return found
        left = {f: _misfit(problem, ~found & (which != f)) for f in features}
        worst = min(left, key=lambda f: left[f])
        if left[worst] > _HELPS * chi2:
            break
        found |= which == worst
    return aside


def _misfit(problem: Problem, keep: NDArray[np.bool_]) -> float:
    rest = without_rows(problem, list(keep))
    return float(np.sum(fit(rest).residuals ** 2 / rest.variance))


def _gauss_newton(model: Model, table: Table, scatter: Scatter) -> tuple[LinearFit, float]:
    """Linearise at the result, then average over the scatter."""
    problem = model.problem(table)
    alike = model.alike[np.ix_(table.which, table.which)]
    if model.diagonal[table.which].any():  # linear as it stands otherwise
        for _ in range(_STEPS):
            theta = fit(with_scatter(problem, scatter.typical)).theta
            problem = model.problem(table, theta)
    return fit_scattered(problem, scatter, alike)


def _zero_forgotten(
    wide: Model, table: Table, caliper: Instrument, closed: Closed | None, scatter: Scatter
) -> bool:
    """Say whether the zero is far beyond the permissible error.

    Closed jaws show it. Without them a zero left free shows it, and that takes outside and inside
    lengths: with one kind alone a zero error is an outline offset.
    """
    if "zero" not in wide.names:
        return False
    if closed:
        return abs(closed.shown_mm) > max(caliper.mpe, 3 * closed.u_mm)
    zero = fit(with_scatter(wide.problem(table), scatter.typical))["zero"]
    return abs(zero.value) > 3.5 * float(np.hypot(zero.u, caliper.u_zero))
