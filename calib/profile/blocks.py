"""What one sheet says, as a small block of information about quantities that outlive the sheet.

A sheet's linear fit has a design X, readings y and noise V. What belongs to the sheet alone is
integrated out; the rest is kept as (R, z) of a QR decomposition:

    |R state - z|^2 = -2 log likelihood of the state + constant

in absolute terms, so that it holds whatever was set when the piece was printed.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np

from calib.fit.linear import Array


class Coordinate(NamedTuple):
    """One unknown number of the state.

    Attributes
    ----------
    quantity : str
        What it is, such as ``scale_x``.
    kind : str
        What sort of thing it belongs to: printer, nozzle, material, spool, instrument or piece.
    owner : str
        Which one of them.
    epoch : int
        Counts the changes that events and time made to it; 0 in a block, which knows its time.
    """

    quantity: str
    kind: str
    owner: str
    epoch: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """That a sheet was likely off by some amount in one direction: a term of its own, summed out.

    Attributes
    ----------
    of : tuple of coordinates
        Whose columns the amount adds to, all alike.
    wrong, sd : float
        How likely it was off at all, and how far it is then (one standard deviation, about 0).
    variance : float
        How well this sheet and the others tell the amount.
    amount : float or None
        What they tell; None: the sheet only counts for as much as it is likely right.
    widest : float
        At most so many times that variance is left open.
    """

    of: tuple[Coordinate, ...]
    wrong: float
    sd: float
    variance: float
    amount: float | None = None
    widest: float = 1.0

    def information(self) -> tuple[float, float]:
        """Return precision and pull of the term.

        Where the amount is told, they give it the mean and variance of both cases together. The precision
        is below 0 where it may be nothing or much: the sheet then leaves what it speaks of less sure than
        it was.
        """
        if self.amount is None:
            right = (1 - self.wrong) / (self.wrong * self.variance)
            return max(right, self.sd**-2), 0.0
        share = self.sd**2 / (self.sd**2 + self.variance)
        far = share * self.amount
        both = self.wrong * (share * self.variance + (1 - self.wrong) * far**2)
        both = min(both, self.widest * self.variance)
        pull = self.wrong * far / both - self.amount / self.variance
        return 1 / both - 1 / self.variance, pull

    def carefully(self) -> "Doubt":
        """Return it with the sheet counting for as much as it is likely right: so whatever else is known."""
        return replace(self, amount=None)


@dataclass(frozen=True, eq=False, kw_only=True)
class Block:
    """What one sheet says.

    Attributes
    ----------
    uid : str
        Of the sheet.
    at : datetime
        When the piece was printed, or kept where that is not known.
    coordinates : p coordinates
    r : (k, p) float
    z : (k,) float
        Whitened: the noise of z has variance 1.
    misfit : float
        Chi-square that no value of the coordinates takes away.
    readings : int
    steps : mapping
        Axis -> steps/mm that were set; `placed` refers the scales to those of reference.
    settings : tuple of str
        The settings that it informs.
    doubt : Doubt or None
        What it was likely off by; `rows` has it summed out.
    """

    uid: str
    at: datetime
    coordinates: tuple[Coordinate, ...]
    r: Array
    z: Array
    misfit: float = 0.0
    readings: int = 0
    pattern: str = ""
    steps: Mapping[str, float] = field(default_factory=dict)
    settings: tuple[str, ...] = ()
    doubt: Doubt | None = None

    def column(self, of: Sequence[Coordinate]) -> Array:
        """Return what its rows read for 1 of some coordinates together, whatever their epochs."""
        wanted = {c[:3] for c in of}
        mine = [i for i, c in enumerate(self.coordinates) if c[:3] in wanted]
        return np.asarray(self.r[:, mine].sum(axis=1), dtype=np.float64)

    def rows(self) -> tuple[Array, Array, Array]:
        """Return rows (n, p), what they read (n,), and (n,) 1 where one informs, -1 where it takes away."""
        if self.doubt is None:
            return self.r, self.z, np.ones(len(self.z))
        a = self.column(self.doubt.of)
        precision, pull = self.doubt.information()
        size = math.sqrt(a @ a + precision)
        r = np.vstack([self.r, a @ self.r / size])
        z = np.append(self.z, (a @ self.z + pull) / size)
        return r, z, np.append(np.ones(len(self.z)), -1.0)

    def carefully(self) -> "Block":
        """Return the block, any doubt counted carefully."""
        return replace(self, doubt=self.doubt.carefully()) if self.doubt else self

    def owner(self, kind: str) -> str:
        """Return the one thing of a kind that it speaks of, empty where it speaks of none."""
        return next((c.owner for c in self.coordinates if c.kind == kind), "")

    def times(self, factor: float) -> "Block":
        """Return the block with its standard uncertainties multiplied."""
        return replace(self, r=self.r / factor, z=self.z / factor, misfit=self.misfit / factor**2)


@dataclass(frozen=True, slots=True)
class Part:
    """How a sheet's parameter depends on the state: weight of each coordinate, and a constant."""

    weights: Mapping[Coordinate, float]
    constant: float = 0.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Design:
    """A sheet's linear problem: whitened, without any prior.

    Attributes
    ----------
    names : q parameters of the sheet
    x : (n, q) float
    y : (n,) float
        Both divided by the noise's standard deviation, as the sheet's fit found it.
    own_mean, own_sd : name -> float
        Prior of the parameters that belong to the sheet alone; those that are not here are parts
        of the state.
    """

    names: tuple[str, ...]
    x: Array
    y: Array
    own_mean: Mapping[str, float] = field(default_factory=dict)
    own_sd: Mapping[str, float] = field(default_factory=dict)


def condensed(
    design: Design, parts: Mapping[str, Part]
) -> tuple[tuple[Coordinate, ...], Array, Array, float]:
    """Integrate out what is the sheet's own and turn the rest into coordinates of the state.

    Returns
    -------
    coordinates, R (k, p), z (k,), misfit

    Raises
    ------
    ValueError
        A parameter is neither part of the state nor has a prior of its own.
    """
    own = [n for n in design.names if n not in parts]
    missing = [n for n in own if not np.isfinite(design.own_sd.get(n, np.inf))]
    if missing:
        msg = f"{', '.join(missing)}: neither part of the state nor known beforehand"
        raise ValueError(msg)
    coordinates = tuple(
        dict.fromkeys(c for n in design.names if n in parts for c in parts[n].weights)
    )
    n, p = len(design.y), len(coordinates)
    x = np.zeros((n, p))
    y = design.y.astype(float).copy()
    for k, name in enumerate(design.names):
        if name not in parts:
            continue
        for c, weight in parts[name].weights.items():
            x[:, coordinates.index(c)] += weight * design.x[:, k]
        y -= design.x[:, k] * parts[name].constant
    at = [design.names.index(name) for name in own]
    sd = np.array([design.own_sd[name] for name in own])
    mean = np.array([design.own_mean.get(name, 0.0) for name in own])
    top = np.hstack([design.x[:, at], x, y[:, None]])
    bottom = np.hstack([np.diag(1 / sd), np.zeros((len(own), p)), (mean / sd)[:, None]])
    r, z, misfit = reduced(np.vstack([top, bottom]) if own else top, len(own))
    return coordinates, r, z, misfit


def reduced(rows: Array, own: int) -> tuple[Array, Array, float]:
    """Reduce rows by QR to what they say of the state, with the sheet's own parameters taken out.

    Parameters
    ----------
    rows : (n, own + p + 1) float
        Columns of the sheet's own parameters, of the state, and what was read; each row in units of
        its own uncertainty.

    Returns
    -------
    r : (k, p) float, z : (k,) float
        With k at most p: R x state = z.
    misfit : float
        Sum of squares that no state explains.
    """
    small: Array = np.asarray(np.linalg.qr(rows, mode="r"), dtype=np.float64)[own:, own:]
    p = small.shape[1] - 1
    if len(small) <= p:
        return small[:, :p], small[:, p], 0.0
    return small[:p, :p], small[:p, p], float(small[p, p] ** 2)


def value_rows(
    parts: Sequence[tuple[Part, float, float]],
) -> tuple[tuple[Coordinate, ...], Array, Array]:
    """Return coordinates, R and z of values that were found directly: (part, value, u) of each."""
    coordinates = tuple(dict.fromkeys(c for part, _, _ in parts for c in part.weights))
    r = np.zeros((len(parts), len(coordinates)))
    z = np.zeros(len(parts))
    for i, (part, value, u) in enumerate(parts):
        for c, weight in part.weights.items():
            r[i, coordinates.index(c)] = weight / u
        z[i] = (value - part.constant) / u
    return coordinates, r, z


def joined(
    one: tuple[tuple[Coordinate, ...], Array, Array],
    other: tuple[tuple[Coordinate, ...], Array, Array],
) -> tuple[tuple[Coordinate, ...], Array, Array]:
    """Put two sets of rows under one another: (coordinates, R (n, p), z (n,)) of each and of both."""
    coordinates = tuple(dict.fromkeys((*one[0], *other[0])))
    r = np.zeros((len(one[2]) + len(other[2]), len(coordinates)))
    for first, (names, rows, _) in ((0, one), (len(one[2]), other)):
        r[first : first + len(rows), [coordinates.index(c) for c in names]] = rows
    return coordinates, r, np.concatenate([one[2], other[2]])


def block_json(block: Block) -> dict[str, Any]:
    """Return a block as plain data: what is stored."""
    return {
        "coordinates": [[c.quantity, c.kind, c.owner] for c in block.coordinates],
        "r": [float(v) for v in block.r.ravel()],
        "z": [float(v) for v in block.z],
        "misfit": block.misfit,
        "readings": block.readings,
        "steps": dict(block.steps),
        "settings": list(block.settings),
    }


def block_from_json(uid: str, at: datetime, pattern: str, data: Mapping[str, Any]) -> Block:
    """Return the block that `block_json` wrote."""
    coordinates = tuple(Coordinate(str(q), str(k), str(o)) for q, k, o in data["coordinates"])
    return Block(
        uid=uid,
        at=at,
        coordinates=coordinates,
        r=np.array(data["r"], float).reshape(-1, len(coordinates)),
        z=np.array(data["z"], float),
        misfit=float(data["misfit"]),
        readings=int(data["readings"]),
        pattern=pattern,
        steps=data["steps"],
        settings=tuple(data["settings"]),
    )


def without_pieces(block: Block, prior_sd: Mapping[Coordinate, float]) -> Block:
    """Integrate out the parts that belong to one piece alone, whose priors have mean 0."""
    mine = [i for i, c in enumerate(block.coordinates) if c.kind == "piece"]
    rest = [i for i, c in enumerate(block.coordinates) if c.kind != "piece"]
    if not mine:
        return block
    sd = np.array([prior_sd[block.coordinates[i]] for i in mine])
    top = np.hstack([block.r[:, mine], block.r[:, rest], block.z[:, None]])
    bottom = np.hstack([np.diag(1 / sd), np.zeros((len(mine), len(rest) + 1))])
    r, z, misfit = reduced(np.vstack([top, bottom]), len(mine))
    coordinates = tuple(block.coordinates[i] for i in rest)
    return replace(block, coordinates=coordinates, r=r, z=z, misfit=block.misfit + misfit)
