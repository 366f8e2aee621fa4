"""How much larger to draw holes (and pins) so that they come out true, and X against Y.

    read = drawn (1 + slope) - constant - (curvature + flats) / drawn +- half (X - Y) + zero + noise

The constant is the outline's offset on both sides; the curvature term is the plastic that a tight
inner curve drags inwards. Inside jaws end in flats a little apart, which span a chord: they read small
holes too small although those are not. Both fall with the diameter, so the flats are known beforehand
only, and what is drawn larger leaves them out. Pins are fitted by the same form, without flats; theirs
is mostly negative.
"""

import math
from dataclasses import dataclass

import numpy as np

from calib.fit.linear import Array, LinearFit, Problem, fit
from calib.model.estimate import Estimate

#: What is known beforehand (standard uncertainties; judgements): scale, curvature in mm2, and half
#: the difference between X and Y in mm.
SLOPE_SD = 0.006
CURVATURE_SD_MM2 = 0.4
XY_SD_MM = 0.15
#: Flats of crossed knife-edge jaws and the gap between them make a chord b of 0.3 to 0.7 mm (makers'
#: guides to calipers, from memory), which reads b^2 / (2 d) too small: mean and sd of b^2 / 2, in mm2.
FLATS_MM2 = (0.12, 0.06)
#: Scatter from hole to hole beside the caliper's, mm: common practice, no source.
HOLE_SCATTER_MM = 0.015
_NOISE_DOF = 8.0


@dataclass(frozen=True, eq=False, kw_only=True)
class HoleFit:
    """Oversize of one group of holes or pins, over the diameters that were printed."""

    fit: LinearFit
    smallest_mm: float
    largest_mm: float

    def oversize(self, drawn_mm: float) -> Estimate:
        """Drawn less printed diameter of a hole drawn at this diameter, mean of X and Y."""
        weights = {"constant": 1.0, "slope": drawn_mm, "curvature": 1 / drawn_mm}
        return self.fit.combine(weights, f"oversize_at_{drawn_mm:g}", "mm")

    def draw(self, wanted_mm: float) -> Estimate:
        """Diameter to draw so that the wanted one comes out."""
        drawn = wanted_mm
        for _ in range(20):
            drawn = max(wanted_mm + self.oversize(drawn).value, 0.2 * wanted_mm)
        over = self.oversize(drawn)
        return Estimate(
            name=f"draw_for_{wanted_mm:g}",
            value=drawn,
            u=over.u,
            dof=over.dof,
            unit="mm",
            from_data=over.from_data,
        )

    @property
    def x_less_y(self) -> Estimate | None:
        """How much larger the holes are along X than along Y; None where only one was read."""
        if "half_xy" not in self.fit:
            return None
        return self.fit.combine({"half_xy": 2.0}, "x_less_y", "mm")


def fit_holes(
    drawn_mm: Array,
    read_mm: Array,
    u_mm: Array,
    along_x: Array,
    u_common_mm: float,
    *,
    flats: bool = False,
) -> HoleFit:
    """Fit oversize as a function of diameter.

    Parameters
    ----------
    drawn_mm, read_mm, u_mm : (n,) float
        Drawn and measured diameter, and the standard uncertainty of the measured one.
    along_x : (n,) float
        +1 where read along X, -1 along Y, 0 where neither.
    u_common_mm : float
        Zero and jaws of the caliper, common to all.
    flats : bool
        Read with a caliper's inside jaws.

    Raises
    ------
    ValueError
        No hole, or a diameter that is not positive.
    """
    if not len(drawn_mm) or np.any(drawn_mm <= 0):
        msg = "holes need positive drawn diameters"
        raise ValueError(msg)
    columns = {
        "constant": (np.ones(len(drawn_mm)), math.inf),
        "slope": (drawn_mm, SLOPE_SD),
        "curvature": (1 / drawn_mm, CURVATURE_SD_MM2),
        "zero": (np.ones(len(drawn_mm)), max(u_common_mm, 1e-6)),
    }
    if np.any(along_x > 0) and np.any(along_x < 0):
        columns["half_xy"] = (-along_x, XY_SD_MM)
    if flats:
        columns["flats"] = (1 / drawn_mm, FLATS_MM2[1])
    means = {"flats": FLATS_MM2[0]}
    problem = Problem(
        names=tuple(columns),
        x=np.column_stack([column for column, _ in columns.values()]),
        y=drawn_mm - read_mm,
        variance=u_mm**2 + HOLE_SCATTER_MM**2,
        prior_mean=np.array([means.get(n, 0.0) for n in columns]),
        prior_sd=np.array([sd for _, sd in columns.values()]),
        noise_dof=_NOISE_DOF,
        units=tuple(
            {"slope": "", "curvature": "mm2", "flats": "mm2"}.get(n, "mm") for n in columns
        ),
    )
    return HoleFit(
        fit=fit(problem), smallest_mm=float(drawn_mm.min()), largest_mm=float(drawn_mm.max())
    )
