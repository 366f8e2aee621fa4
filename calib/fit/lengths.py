"""What a length on a printed piece reads, as rows of a linear model: parameters, priors, columns."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.fit.linear import Array, Problem
from calib.model.instrument import Instrument
from patterns.feature import Feature, Kind

#: Kinds of feature that the model understands.
KINDS = (Kind.OUTSIDE, Kind.INSIDE, Kind.PITCH, Kind.HEIGHT, Kind.STEP, Kind.DIAGONAL)
PLANES = ("XY", "XZ", "YZ")

# Weak priors: what can't be larger on a printer that prints at all. They only decide where the
# readings say nothing, such as scale from a single length.
_SCALE_SD = 0.10
_OFFSET_SD_MM = 0.3
_SKEW_SD = 0.05
#: How much more inside lengths close than outside ones grow (plastic is dragged inwards, knife jaws
#: ride on the ridges): common practice, no source.
_INSIDE_SD_MM = 0.07
#: How far a caliper may be from zero whose closed jaws nobody looked at, beside its permissible
#: error: common practice, no source.
_NOT_LOOKED_AT_MM = 0.03
#: A caliper's error bends within its limits: places along the scale where it has a value of its own,
#: and that value's standard deviation as a share of the permissible error (a judgement).
_KNOTS_MM = (15, 40, 70, 100, 130, 160, 200, 250, 300, 400, 600, 1000)
#: How many times further apart than expected repeats must lie to count as disagreeing.
_DISAGREE = 3.0
#: Share of a length's scatter that belongs to the spots its jaws touch, and so to every length that
#: touches the same (a judgement).
_WALLS_SHARE = 0.5
_BEND_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class MeanReading:
    """Readings of one feature with one sort of instrument, averaged."""

    feature: int
    mean: float
    count: int
    u_reading: float  # standard uncertainty of the mean, without the piece's own deviation
    stated: bool  # the uncertainty came with the reading (a photo) and not from the caliper


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """What the caliper showed with closed jaws, and its standard uncertainty, in millimetres."""

    shown_mm: float
    u_mm: float


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


@dataclass(frozen=True)
class Table:
    """Readings, or their averages, as columns.

    `u` is the standard uncertainty of `mean`; of it, `u_same` does not average out over repeats: a
    display that moves in coarse steps shows the same figure again.
    """

    which: NDArray[np.int64]
    mean: Array
    u: Array
    u_same: Array
    count: NDArray[np.int64]
    stated: NDArray[np.bool_]

    def kept(self, keep: NDArray[np.bool_]) -> "Table":
        """Return the rows marked to keep, (n,) of True and False."""
        return Table(
            self.which[keep], self.mean[keep], self.u[keep], self.u_same[keep],
            self.count[keep], self.stated[keep],
        )  # fmt: skip

    def averaged(self) -> "Table":
        """Average the readings of one feature: they share the piece, so they are not independent."""
        _, first, group = np.unique(
            2 * self.which + self.stated, return_index=True, return_inverse=True
        )
        count = np.bincount(group)
        mean = np.bincount(group, self.mean) / count
        scatter = np.bincount(group, self.u**2 - self.u_same**2) / count**2
        # Repeats that disagree far beyond the instrument say themselves how well they are known.
        apart = np.bincount(group, (self.mean - mean[group]) ** 2) / (
            count * np.maximum(count - 1, 1)
        )
        scatter = np.where(apart > _DISAGREE**2 * scatter, apart, scatter)
        same = self.u_same[first]
        return Table(
            self.which[first],
            mean,
            np.sqrt(scatter + same**2),
            same,
            count,
            self.stated[first],
        )

    def rows(self) -> tuple[MeanReading, ...]:
        """Return the same as a list of rows."""
        columns = zip(self.which, self.mean, self.count, self.u, self.stated, strict=True)
        return tuple(
            MeanReading(int(f), float(m), int(n), float(u), bool(s)) for f, m, n, u, s in columns
        )


def table_of(
    which: NDArray[np.int64], value: Array, caliper: Instrument, stated_u: Array | None
) -> Table:
    """Return single readings as a table of one row each.

    Parameters
    ----------
    which : (n,) int
        Which feature each reading is of.
    value, stated_u : (n,) float, millimetres
        `stated_u` is NaN where the uncertainty is the caliper's.
    """
    own_u = np.full(len(value), np.nan) if stated_u is None else np.asarray(stated_u, float)
    stated = ~np.isnan(own_u)
    return Table(
        which,
        np.asarray(value, float),
        np.where(stated, own_u, caliper.u_reading),
        np.where(stated, 0.0, caliper.u_resolution),
        np.ones(len(value), int),
        stated,
    )


@dataclass(frozen=True)
class Model:
    """Names of the parameters with their priors, and what every feature contributes.

    `direction`, `nominal` and `diagonal` have a row per feature; `constant` has the entries that
    do not depend on the map, per feature and for readings without and with stated uncertainty.
    """

    names: tuple[str, ...]
    prior_mean: tuple[float, ...]
    prior_sd: tuple[float, ...]
    direction: Array
    nominal: Array
    diagonal: NDArray[np.bool_]
    constant: Array  # (2, features, parameters)
    alike: Array  # (features, features) correlation of their scatter

    def with_prior(self, name: str, sd: float) -> "Model":
        """Return the model with another standard deviation for one parameter."""
        changed = [
            sd if n == name else old for n, old in zip(self.names, self.prior_sd, strict=True)
        ]
        return replace(self, prior_sd=tuple(changed))

    def problem(self, table: Table, theta: Array | None = None) -> Problem:
        """Linearise around `theta`, (p,) and zero where None; the variance is that of the readings alone."""
        at = np.zeros(len(self.names)) if theta is None else theta
        length, slopes = self._stretch(dict(zip(self.names, at, strict=True)))
        nominal = self.nominal[table.which]
        map_x = nominal[:, None] * slopes[table.which]
        return Problem(
            names=self.names,
            x=map_x + self.constant[table.stated.astype(int), table.which],
            y=table.mean - nominal * length[table.which] + map_x @ at,
            variance=table.u**2,
            prior_mean=np.array(self.prior_mean),
            prior_sd=np.array(self.prior_sd),
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
    return "" if name.startswith(("scale", "caliper_scale", "photo_scale")) else "mm"


def model_of(
    features: Sequence[Feature],
    table: Table,
    caliper: Instrument,
    shared: Shared,
    closed: Closed | None,
) -> Model:
    """Name the parameters that the readings call for, with their priors and columns."""
    seen = [features[i] for i in np.unique(table.which)]
    by_hand = [features[i] for i in np.unique(table.which[~table.stated])]
    prior = {name: (0.0, sd) for name, sd in _of_print(seen).items()}
    if by_hand:
        prior |= _of_caliper(by_hand, caliper, closed)
    if table.stated.any():
        prior |= {"photo_scale": (0.0, shared.scale_u), "photo_edge": (0.0, shared.edge_mm)}
    prior = {name: known for name, known in prior.items() if known[1] > 0}
    index = {name: i for i, name in enumerate(prior)}
    constant = np.zeros((2, len(features), len(prior)))
    for i, f in enumerate(features):
        for stated in (0, 1):
            for name, entry in _constants(f, stated=bool(stated)):
                if name in index:
                    constant[stated, i, index[name]] = entry
    return Model(
        names=tuple(prior),
        prior_mean=tuple(mean for mean, _ in prior.values()),
        prior_sd=tuple(sd for _, sd in prior.values()),
        direction=np.array([_direction(f) for f in features]),
        nominal=np.array([f.nominal for f in features]),
        diagonal=np.array([f.kind is Kind.DIAGONAL for f in features]),
        constant=constant,
        alike=_alike(features),
    )


def _alike(features: Sequence[Feature]) -> Array:
    """Return how the scatter of lengths that touch the same spot is correlated.

    A wall that stands too far out is so for every length that ends there: it makes an outside length
    longer, an inside one shorter, and a pitch either.
    """
    spots: dict[tuple[float, ...], int] = {}
    touch = np.zeros((len(features), 2 * len(features)))
    for i, f in enumerate(features):
        along = np.array(f.direction)
        inwards = 1.0 if edge_sign(f) < 0 or f.kind in (Kind.PITCH, Kind.STEP) else -1.0
        outwards = -1.0 if edge_sign(f) < 0 else 1.0
        for point, faces, longer in (
            (f.start, inwards * along, -inwards),
            (f.end, outwards * along, outwards),
        ):
            spot = (*np.round(point), *np.round(faces, 1))
            touch[i, spots.setdefault(spot, len(spots))] += longer
    walls = touch @ touch.T / 2
    np.fill_diagonal(walls, 1.0)
    return np.asarray(_WALLS_SHARE * walls + (1 - _WALLS_SHARE) * np.eye(len(features)))


def _of_print(seen: Sequence[Feature]) -> dict[str, float]:
    """Name the parameters of the print that the features call for, with their weak priors."""
    prior: dict[str, float] = {}
    for f in seen:
        sign = edge_sign(f)
        for axis in f.axis.lower():
            prior[f"scale_{axis}"] = _SCALE_SD
            if sign:
                prior[f"offset_{axis}"] = _OFFSET_SD_MM
            # A window's roof is the lintel's underside: along Z the two share one offset.
            if sign < 0 and axis != "z":
                prior[f"inside_{axis}"] = _INSIDE_SD_MM
        if f.kind is Kind.DIAGONAL:
            prior[f"skew_{f.axis.lower()}"] = _SKEW_SD
        if f.kind is Kind.HEIGHT:
            prior["squeeze"] = _OFFSET_SD_MM
    return prior


def _of_caliper(
    seen: Sequence[Feature], caliper: Instrument, closed: Closed | None
) -> dict[str, tuple[float, float]]:
    """Return mean and standard deviation of what one caliper adds to its readings."""
    zero = (closed.shown_mm, closed.u_mm) if closed else (0.0, unseen_zero(caliper))
    known = {"zero": zero, "caliper_scale": (0.0, caliper.u_scale)}
    longest = max(f.nominal for f in seen)
    last = next((k for k in _KNOTS_MM if k >= longest), _KNOTS_MM[-1])
    bend = (0.0, _BEND_SHARE * caliper.mpe)
    known |= {f"caliper_at_{k}": bend for k in _KNOTS_MM if k <= last}
    jaws = {f.jaws for f in seen} & {"inside", "depth"}
    return known | {f"zero_{sort}": (0.0, caliper.u_jaws) for sort in sorted(jaws)}


def unseen_zero(caliper: Instrument) -> float:
    """Return the standard uncertainty of a zero that nobody looked at, in the caliper's unit."""
    return float(np.hypot(caliper.u_zero, _NOT_LOOKED_AT_MM))


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
    sign = edge_sign(f)
    entries = [(f"offset_{a.lower()}", sign * float(share["XYZ".index(a)])) for a in f.axis]
    if sign < 0:
        entries += [(f"inside_{a.lower()}", -float(share["XYZ".index(a)])) for a in f.axis]
    if f.kind is Kind.HEIGHT:
        entries.append(("squeeze", 1.0))
    if stated:
        return [*entries, ("photo_scale", f.nominal), ("photo_edge", float(sign))]
    return [
        *entries,
        ("zero", 1.0),
        ("caliper_scale", f.nominal),
        *_bend(f.nominal),
        (f"zero_{f.jaws}", 1.0),
    ]


def _bend(length_mm: float) -> list[tuple[str, float]]:
    """Return a reading's share in the knots on either side of its length; nought at 0."""
    places = (0, *_KNOTS_MM)
    high = next((i for i, k in enumerate(places) if k >= length_mm and i), len(places) - 1)
    low = high - 1
    share = min((length_mm - places[low]) / (places[high] - places[low]), 1.0)
    near = ((places[low], 1 - share), (places[high], share))
    return [(f"caliper_at_{k}", part) for k, part in near if k > 0 and part > 0]
