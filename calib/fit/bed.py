"""The bed's tilt from the thickness of patches: turns of the levelling screws, and the warp left.

A patch is as thick as the gap under the nozzle was: thicker where the bed lies lower.

    thickness = height + slope_x (x - x0) + slope_y (y - y0) + warp + noise
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.fit.linear import Array, LinearFit, Problem, fit
from calib.fit.scatter import Scatter, fit_scattered, with_scatter
from calib.model.estimate import Estimate

#: Coarse pitches of metric threads, mm per turn (ISO 261).
PITCHES_MM = {"M2.5": 0.45, "M3": 0.5, "M4": 0.7, "M5": 0.8, "M6": 1.0}
#: Warp (from lowest to highest) up to which a first layer holds: common practice, no source.
FLAT_ENOUGH_MM = 0.1
#: Scatter of a patch beside the caliper's, and how far the bed's warp leaves the plane, mm: common
#: practice, no source.
PATCH = Scatter(typical=0.01, log_sd=0.8)
PATCH_SCATTER_MM = 0.012
_DRAWS = 2000
_SEED = 30
_BOW = "bow"
#: How well the scatter about a bowl is known, as degrees of freedom.
_BOWL_DOF = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Screw:
    """A levelling screw: where it stands on the bed, and its thread."""

    name: str
    x_mm: float
    y_mm: float
    pitch_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What to do at one screw.

    Attributes
    ----------
    raise_mm : Estimate
        How far the bed must come up there (negative: down).
    turns : Estimate
        Turns of the screw; positive is the sense in which the bed comes up.
    """

    screw: Screw
    raise_mm: Estimate
    turns: Estimate

    @property
    def words(self) -> str:
        """What to do, with screws that pull the bed down against springs from below."""
        degrees = abs(self.turns.value) * 360
        sense = "loosen (bed up)" if self.turns.value > 0 else "tighten (bed down)"
        return (
            f"{self.screw.name}: {sense} by {abs(self.turns.value):.2f} turn"
            f" ({degrees:.0f} degrees, {abs(self.raise_mm.value):.3f} mm)"
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class BedFit:
    """The bed as the patches show it.

    Attributes
    ----------
    fit : LinearFit
        Parameters height (thickness at the middle of the patches), slope_x, slope_y.
    plane : Problem
        What was fitted, with the noise of patches of a flat bed.
    warp : (n,) float
        What is left at each patch after levelling: thickness above the plane.
    warp_range_mm : Estimate
        Largest less smallest, freed of what the readings' noise alone would show.
    bow : Estimate or None
        Thickness at the middle less that at the edge of a bowl fitted beside the plane, where six
        patches or more allow it: positive where the bed is hollow.
    levelling_is_enough : bool or None
        Whether the warp left is small enough; None where the readings can't tell.
    """

    fit: LinearFit
    plane: Problem
    warp: Array
    warp_range_mm: Estimate
    bow: Estimate | None
    levelling_is_enough: bool | None
    middle: tuple[float, float]

    def height_at(self, x_mm: float, y_mm: float, name: str = "height") -> Estimate:
        """Thickness of the plane at a place on the bed."""
        weights = {
            "height": 1.0,
            "slope_x": x_mm - self.middle[0],
            "slope_y": y_mm - self.middle[1],
        }
        return self.fit.combine(weights, name, "mm")

    def tilt(self, screw: Screw) -> Estimate:
        """How far the bed must come up at a screw, so that the plane is level with its middle."""
        weights = {"slope_x": screw.x_mm - self.middle[0], "slope_y": screw.y_mm - self.middle[1]}
        return self.fit.combine(weights, screw.name, "mm")


def fit_bed(
    x_mm: Array,
    y_mm: Array,
    thick_mm: Array,
    u_mm: Array,
    u_common_mm: float,
    middle: tuple[float, float] | None = None,
) -> BedFit:
    """Fit a plane through patch thicknesses.

    Parameters
    ----------
    x_mm, y_mm : (n,) float
        Middles of the patches, bed coordinates.
    thick_mm, u_mm : (n,) float
        Thickness and its standard uncertainty.
    u_common_mm : float
        Caliper's zero: it moves the height and leaves the tilt alone.
    middle : (x, y) or None
        Where the bed stays as high as it is; the middle of the patches by default.

    Raises
    ------
    ValueError
        Fewer than three patches, or all on one line (NotDetermined).
    """
    if len(x_mm) < 3:
        msg = f"a plane needs three patches, there are {len(x_mm)}"
        raise ValueError(msg)
    middle = middle or (float(np.mean(x_mm)), float(np.mean(y_mm)))
    plane = Problem(
        names=("height", "slope_x", "slope_y", "zero"),
        x=np.column_stack(
            [np.ones(len(x_mm)), x_mm - middle[0], y_mm - middle[1], np.ones(len(x_mm))]
        ),
        y=thick_mm,
        variance=u_mm**2,
        prior_mean=np.zeros(4),
        prior_sd=np.array([math.inf, math.inf, math.inf, max(u_common_mm, 1e-6)]),
        units=("mm", "mm/mm", "mm/mm", "mm"),
    )
    # Warp makes the plane less certain than the readings' noise alone would: it counts as scatter.
    result, _ = fit_scattered(plane, PATCH)
    warp = np.asarray(result.residuals)
    warp_range = _warp_range(warp, with_scatter(plane, PATCH_SCATTER_MM))
    return BedFit(
        fit=result,
        plane=with_scatter(plane, PATCH_SCATTER_MM),
        warp=warp,
        warp_range_mm=warp_range,
        bow=_bow(plane, middle) if len(x_mm) >= 6 else None,
        levelling_is_enough=_enough(warp_range) if len(x_mm) >= 4 else None,
        middle=middle,
    )


def _warp_range(warp: Array, plane: Problem) -> Estimate:
    """Return largest less smallest residual, less what noise alone would show on these patches."""
    rng = np.random.default_rng(_SEED)
    noise = rng.normal(size=(_DRAWS, len(warp))) * np.sqrt(plane.variance)
    x = plane.x[:, :3] / np.sqrt(plane.variance)[:, None]
    left = noise.T - plane.x[:, :3] @ (np.linalg.pinv(x) @ (noise / np.sqrt(plane.variance)).T)
    ranges = np.ptp(left, axis=0)
    seen = float(np.ptp(warp))
    value = math.sqrt(max(seen**2 - float(np.mean(ranges**2)), 0.0))
    # Where the warp is small the range of noise hides it, where it is large its two ends scatter.
    u = max(float(np.std(ranges)), math.sqrt(2) * float(np.sqrt(np.mean(plane.variance))))
    return Estimate(name="warp_range", value=value, u=u, unit="mm")


def _enough(warp_range: Estimate) -> bool | None:
    low, high = warp_range.interval()
    if high <= FLAT_ENOUGH_MM:
        return True
    if low > FLAT_ENOUGH_MM:
        return False
    return None


def _bow(plane: Problem, middle: tuple[float, float]) -> Estimate | None:
    """Add a bowl, 1 at the middle and 0 at the distance of the furthest patch."""
    r2 = plane.x[:, 1] ** 2 + plane.x[:, 2] ** 2
    column = 1 - r2 / r2.max()
    if np.ptp(column) < 0.2:
        return None
    with_bowl = replace(
        with_scatter(plane, PATCH_SCATTER_MM),
        noise_dof=_BOWL_DOF,
        names=(*plane.names, _BOW),
        x=np.column_stack([plane.x, column]),
        prior_mean=np.zeros(5),
        prior_sd=np.append(plane.prior_sd, math.inf),
        units=(*plane.units, "mm"),
    )
    return fit(with_bowl)[_BOW]


def turns(bed: BedFit, screws: Sequence[Screw]) -> tuple[Turn, ...]:
    """Work out the turns of every screw that bring the bed level with its middle."""
    found = []
    for screw in screws:
        lift = bed.tilt(screw)
        found.append(Turn(screw=screw, raise_mm=lift, turns=lift.times(1 / screw.pitch_mm, "turn")))
    return tuple(found)
