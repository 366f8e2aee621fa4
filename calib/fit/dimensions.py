"""Scale, outline offset, skew and zero error from lengths, on the linear core.

    reading = nominal * |A d| + k * offset + squeeze (heights) + zero + caliper scale * nominal + noise

with A the map from drawn to printed coordinates (scale per axis, skew per plane), d the direction of
the feature, and k = +1 for outside, -1 for inside, 0 for pitch, step and height.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.fit.linear import Array, LinearFit, Problem, fit, outlying
from calib.model.instrument import Instrument
from patterns.feature import Feature, Kind

#: Kinds of feature that the model understands.
KINDS = (Kind.OUTSIDE, Kind.INSIDE, Kind.PITCH, Kind.HEIGHT, Kind.STEP, Kind.DIAGONAL)

#: Deviation of one feature from the piece's own straight line, and how well that figure is known
#: (as degrees of freedom): a study on printed pieces, common practice, no source.
PIECE_SD_MM = 0.015
NOISE_DOF = 10.0

# Weak priors: what can't be larger on a printer that prints at all. They only decide where the
# readings say nothing, such as scale from a single length.
_SCALE_SD = 0.10
_OFFSET_SD_MM = 0.3
_SKEW_SD = 0.05
_FORGOTTEN_ZERO_SD_MM = 0.5

_STEPS = 3  # Gauss-Newton steps: |A d| is nearly linear

PLANES = ("XY", "XZ", "YZ")


@dataclass(frozen=True, slots=True)
class Row:
    """Readings of one feature with one sort of instrument, averaged."""

    feature: int
    mean: float
    count: int
    u_reading: float  # standard uncertainty of the mean, without the piece's own deviation
    stated: bool  # the uncertainty came with the reading (a photo) and not from the caliper


@dataclass(frozen=True, kw_only=True)
class Shared:
    """Standard uncertainties that all readings with a stated uncertainty have in common.

    Attributes
    ----------
    scale_u : float
        Of the scale they were read on, as a fraction of a length.
    edge_mm : float
        Of where edges are seen, both ends together: outside lengths grow by it, inside ones shrink.
    """

    scale_u: float = 5e-4
    edge_mm: float = 0.0


@dataclass(frozen=True, eq=False, kw_only=True)
class DimensionsFit:
    """Result of `fit_dimensions`.

    Attributes
    ----------
    linear : LinearFit
        Parameters ``scale_x`` (fraction), ``offset_x`` (mm, both walls together), ``skew_xy``
        (radians, tilt of the second axis towards the first), ``squeeze`` (mm, of a total height),
        ``zero``, ``zero_inside``, ``zero_depth`` (mm), ``caliper_scale``; those that the features
        call for.
    features : tuple of Feature
        As given; `Row.feature` is a place among them.
    rows : tuple of Row
        In the order of ``linear.residuals``.
    outlying : (n,) bool
        Readings that were set aside.
    zero_forgotten : bool
        The readings show a zero error far beyond the caliper's permissible error.
    """

    linear: LinearFit
    features: tuple[Feature, ...]
    rows: tuple[Row, ...]
    outlying: NDArray[np.bool_]
    zero_forgotten: bool


def fit_dimensions(
    features: Sequence[Feature],
    which: NDArray[np.int64],
    value: Array,
    caliper: Instrument,
    *,
    stated_u: Array | None = None,
    shared: Shared | None = None,
    robust: bool = True,
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
    robust : bool
        Set aside readings that do not belong with the rest.

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
    own_u = np.full(len(value), np.nan) if stated_u is None else np.asarray(stated_u, float)
    stated = ~np.isnan(own_u)
    u = np.where(stated, own_u, caliper.u_reading)
    singles = _Table(which, np.asarray(value, float), u, np.ones(len(value), int), stated)
    model = _model(features, singles, caliper, shared or Shared())
    wide = model.with_prior("zero", _FORGOTTEN_ZERO_SD_MM)
    aside = _set_aside(wide, singles) if robust else np.zeros(len(value), dtype=bool)
    table = singles.kept(~aside).averaged()
    forgotten = _zero_forgotten(wide, table, caliper)
    return DimensionsFit(
        linear=_gauss_newton(wide if forgotten else model, table),
        features=tuple(features),
        rows=table.rows(),
        outlying=aside,
        zero_forgotten=forgotten,
    )


def expected_fit(features: Sequence[Feature], caliper: Instrument, repeats: int = 3) -> LinearFit:
    """Fit the nominal values themselves: tells beforehand what a piece can resolve."""
    which = np.repeat(np.arange(len(features)), repeats)
    nominal = np.array([f.nominal for f in features])[which]
    return fit_dimensions(features, which, nominal, caliper, robust=False).linear


@dataclass(frozen=True)
class _Table:
    """Readings, or their averages, as columns."""

    which: NDArray[np.int64]
    mean: Array
    u: Array
    count: NDArray[np.int64]
    stated: NDArray[np.bool_]

    def kept(self, keep: NDArray[np.bool_]) -> "_Table":
        return _Table(
            self.which[keep], self.mean[keep], self.u[keep], self.count[keep], self.stated[keep]
        )

    def averaged(self) -> "_Table":
        """Average the readings of one feature: they share the piece, so they are not independent."""
        _, first, group = np.unique(
            2 * self.which + self.stated, return_index=True, return_inverse=True
        )
        count = np.bincount(group)
        return _Table(
            self.which[first],
            np.bincount(group, self.mean) / count,
            np.sqrt(np.bincount(group, self.u**2)) / count,
            count,
            self.stated[first],
        )

    def rows(self) -> tuple[Row, ...]:
        columns = zip(self.which, self.mean, self.count, self.u, self.stated, strict=True)
        return tuple(Row(int(f), float(m), int(n), float(u), bool(s)) for f, m, n, u, s in columns)


@dataclass(frozen=True)
class _Model:
    """Names of the parameters with their priors, and what every feature contributes.

    `direction`, `nominal` and `diagonal` have a row per feature; `constant` has the entries that
    do not depend on the map, per feature and for readings without and with stated uncertainty.
    """

    names: tuple[str, ...]
    prior_sd: tuple[float, ...]
    direction: Array
    nominal: Array
    diagonal: NDArray[np.bool_]
    constant: Array  # (2, features, parameters)

    def with_prior(self, name: str, sd: float) -> "_Model":
        changed = [
            sd if n == name else old for n, old in zip(self.names, self.prior_sd, strict=True)
        ]
        return replace(self, prior_sd=tuple(changed))

    def problem(self, table: _Table, theta: Array | None = None) -> Problem:
        """Linearise around `theta` (zero where None)."""
        at = np.zeros(len(self.names)) if theta is None else theta
        length, slopes = self._stretch(dict(zip(self.names, at, strict=True)))
        nominal = self.nominal[table.which]
        map_x = nominal[:, None] * slopes[table.which]
        return Problem(
            names=self.names,
            x=map_x + self.constant[table.stated.astype(int), table.which],
            y=table.mean - nominal * length[table.which] + map_x @ at,
            variance=PIECE_SD_MM**2 + table.u**2,
            prior_mean=np.zeros(len(self.names)),
            prior_sd=np.array(self.prior_sd),
            noise_dof=NOISE_DOF,
            units=tuple(_unit(n) for n in self.names),
        )

    def _stretch(self, at: dict[str, float]) -> tuple[Array, Array]:
        """Return |A d| per feature, and its slope against every parameter."""
        grow = 1 + np.array([at.get(f"scale_{a}", 0.0) for a in "xyz"])
        gxy, gxz, gyz = (at.get(f"skew_{p.lower()}", 0.0) for p in PLANES)
        up = np.sqrt(max(1 - np.sin(gxz) ** 2 - np.sin(gyz) ** 2, 0.0))
        unit = np.array([[1, 0, 0], [np.sin(gxy), np.cos(gxy), 0], [np.sin(gxz), np.sin(gyz), up]])
        v = (self.direction * grow) @ unit
        length = np.linalg.norm(v, axis=1)
        toward = v / length[:, None]
        slopes = np.zeros((len(v), len(self.names)))
        # How the unit vector of Y or Z turns with each skew.
        turned = {
            "skew_xy": (1, [np.cos(gxy), -np.sin(gxy), 0]),
            "skew_xz": (2, [np.cos(gxz), 0, -np.sin(gxz)]),
            "skew_yz": (2, [0, np.cos(gyz), -np.sin(gyz)]),
        }
        for n, name in enumerate(self.names):
            if name in ("scale_x", "scale_y", "scale_z"):
                i = "xyz".index(name[-1])
                slopes[:, n] = toward @ unit[i] * self.direction[:, i]
            elif name in turned:
                i, turn = turned[name]
                slopes[:, n] = (
                    self.diagonal * (toward @ np.array(turn)) * grow[i] * self.direction[:, i]
                )
        return length, slopes


def _unit(name: str) -> str:
    if name.startswith("skew"):
        return "rad"
    return "" if name.startswith(("scale", "caliper", "photo_scale")) else "mm"


def _model(
    features: Sequence[Feature], table: _Table, caliper: Instrument, shared: Shared
) -> _Model:
    prior = _priors([features[i] for i in np.unique(table.which)])
    if not table.stated.all():
        jaws = {features[i].jaws for i in np.unique(table.which[~table.stated])}
        prior |= {"zero": caliper.u_zero, "caliper_scale": caliper.u_scale}
        prior |= {f"zero_{sort}": caliper.u_jaws for sort in sorted(jaws & {"inside", "depth"})}
    if table.stated.any():
        prior |= {"photo_scale": shared.scale_u, "photo_edge": shared.edge_mm}
    prior = {name: sd for name, sd in prior.items() if sd > 0}
    index = {name: i for i, name in enumerate(prior)}
    constant = np.zeros((2, len(features), len(prior)))
    for i, f in enumerate(features):
        for stated in (0, 1):
            for name, entry in _constants(f, stated=bool(stated)):
                if name in index:
                    constant[stated, i, index[name]] = entry
    return _Model(
        names=tuple(prior),
        prior_sd=tuple(prior.values()),
        direction=np.array([_direction(f) for f in features]),
        nominal=np.array([f.nominal for f in features]),
        diagonal=np.array([f.kind is Kind.DIAGONAL for f in features]),
        constant=constant,
    )


def _priors(seen: Sequence[Feature]) -> dict[str, float]:
    """Name the parameters of the print that the features call for, with their weak priors."""
    prior: dict[str, float] = {}
    for f in seen:
        for axis in f.axis:
            prior[f"scale_{axis.lower()}"] = _SCALE_SD
            if edge_sign(f):
                prior[f"offset_{axis.lower()}"] = _OFFSET_SD_MM
        if f.kind is Kind.DIAGONAL:
            prior[f"skew_{f.axis.lower()}"] = _SKEW_SD
        if f.kind is Kind.HEIGHT:
            prior["squeeze"] = _OFFSET_SD_MM
    return prior


def _direction(f: Feature) -> tuple[float, float, float]:
    """Return the drawn direction: along the axis by its name, whichever way the anchors run."""
    if f.kind is Kind.DIAGONAL:
        return f.direction
    return (float(f.axis == "X"), float(f.axis == "Y"), float(f.axis == "Z"))


def edge_sign(f: Feature) -> int:
    """Return k of the model: how the outline's offset enters."""
    if f.kind is Kind.DIAGONAL:
        return -1 if f.jaws == "inside" else 1
    return {Kind.OUTSIDE: 1, Kind.INSIDE: -1}.get(f.kind, 0)


def _constants(f: Feature, *, stated: bool) -> list[tuple[str, float]]:
    """Return the entries of a row that do not depend on the map."""
    share = np.square(_direction(f))
    entries = [(f"offset_{a.lower()}", edge_sign(f) * float(share["XYZ".index(a)])) for a in f.axis]
    if f.kind is Kind.HEIGHT:
        entries.append(("squeeze", 1.0))
    if stated:
        return [*entries, ("photo_scale", f.nominal), ("photo_edge", float(edge_sign(f)))]
    return [*entries, ("zero", 1.0), ("caliper_scale", f.nominal), (f"zero_{f.jaws}", 1.0)]


def _set_aside(wide: _Model, singles: _Table) -> NDArray[np.bool_]:
    """Mark readings that do not belong, linearising again around each robust result."""
    theta: Array | None = None
    for _ in range(_STEPS):
        aside, theta = outlying(wide.problem(singles, theta))
        if not wide.diagonal[singles.which].any():
            break
    return np.zeros(len(aside), dtype=bool) if aside.all() else aside


def _gauss_newton(model: _Model, table: _Table) -> LinearFit:
    result = fit(model.problem(table))
    if not model.diagonal[table.which].any():
        return result  # linear as it stands
    for _ in range(_STEPS):
        result = fit(model.problem(table, result.theta))
    return result


def _zero_forgotten(wide: _Model, table: _Table, caliper: Instrument) -> bool:
    """Say whether a zero left free comes out far beyond the permissible error.

    That takes outside and inside lengths: with one kind alone a zero error is an outline offset.
    """
    if "zero" not in wide.names:
        return False
    zero = fit(wide.problem(table))["zero"]
    return abs(zero.value) > 3.5 * float(np.hypot(zero.u, caliper.u_zero))
