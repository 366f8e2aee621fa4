"""A flatbed scanner: an affine picture of its glass, and how true its millimetres are.

World coordinates are true millimetres on the glass, x along the row of sensors (the picture's width), y up
the picture, z out of the glass towards what is looked at from. What the file states as its resolution is a start:
the row of sensors and the carriage each have a scale of their own, and need not be square to each other.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.fit import linear
from calib.photo.camera import Camera

Floats = NDArray[np.float64]

MM_PER_INCH = 25.4
NAMES = ("x", "y", "shear", "lift")
#: Standard uncertainties before anything is known (no source): carriage and sensors as built, their
#: squareness in rad; and per mm above the glass: a lens 300 mm away makes things smaller, a row of rods does not.
PRIOR_SD = (0.004, 0.004, 0.001, 0.003)
_FAR_MM = 1e7


@dataclass(frozen=True, eq=False)
class GlassScale:
    """True over stated millimetres.

    Attributes
    ----------
    factors : (4,) float
        Along X, along Y, shear (rad), and what X gains per mm above the glass (`NAMES`).
    covariance : (4, 4) float
    source : str
        Where it comes from, in words.
    height_mm : float
        How far above the glass lengths are taken for `sd_along`.
    """

    factors: Floats = field(default_factory=lambda: np.array([1.0, 1.0, 0.0, 0.0]))
    covariance: Floats = field(default_factory=lambda: np.diag(np.square(PRIOR_SD)))
    source: str = "nothing measured: as the file states"
    height_mm: float = 0.0

    def matrix(self, height_mm: float = 0.0) -> Floats:
        """Return the (2, 2) turn of stated into true millimetres at a height."""
        x, y, shear, lift = self.factors
        return np.array([[x + lift * height_mm, shear / 2], [shear / 2, y]])

    def sd_along(self, direction: Floats) -> float:
        """Return the standard uncertainty of the scale along a (2,) unit direction."""
        w = weights(direction, self.height_mm)
        return float(np.sqrt(w @ self.covariance @ w))

    @property
    def ratio(self) -> tuple[float, float]:
        """X over Y, with its standard uncertainty."""
        w = np.array([1.0, -1.0, 0.0, 0.0])
        return float(self.factors[0] / self.factors[1]), float(np.sqrt(w @ self.covariance @ w))


def weights(direction: Floats, height_mm: float) -> Floats:
    """Return how a length along a (2,) direction grows with each of `NAMES`, as a fraction."""
    x, y = direction
    return np.array([x * x, y * y, x * y, x * x * height_mm])


def turning(direction: Floats, height_mm: float) -> Floats:
    """Return by how many radians an edge along a (2,) direction turns with each of `NAMES`."""
    x, y = direction
    return np.array([-x * y, x * y, (x * x - y * y) / 2, -x * y * height_mm])


@dataclass(frozen=True, eq=False)
class Glass(Camera):
    """What is so many millimetres above a scanner's glass, seen from infinitely far."""

    px_per_true: Floats  # (2, 2)
    origin_px: Floats
    covariance = np.zeros((0, 0))  # its scale is shared by all lengths (`GlassScale`)
    steps = np.zeros(0)

    @classmethod
    def of(
        cls, size: tuple[int, int], dpi: tuple[float, float], scale: GlassScale, height_mm: float
    ) -> "Glass":
        """Return the view of a scan of (width, height) pixels with the origin in its middle."""
        stated = np.diag([dpi[0], -dpi[1]]) / MM_PER_INCH
        middle = (np.array(size, dtype=float) - 1) / 2
        return cls(stated @ np.linalg.inv(scale.matrix(height_mm)), middle)

    @property
    def position_mm(self) -> Floats:
        """A place far above the middle."""
        return np.array([0.0, 0.0, _FAR_MM])

    def project(self, world_mm: Floats) -> Floats:
        """Return the pixels of (..., 3) points."""
        return np.asarray(world_mm[..., :2] @ self.px_per_true.T + self.origin_px)

    def on_plane(self, pixels: Floats, z_mm: float = 0.0) -> Floats:
        """Return the world x, y of (..., 2) pixels: all rays are upright."""
        return np.asarray((pixels - self.origin_px) @ np.linalg.inv(self.px_per_true).T)

    def moved(self, step: Floats) -> "Glass":
        """Return itself: there is nothing to step."""
        return self


@dataclass(frozen=True, eq=False)
class Clue:
    """One thing that must be so: `of_scale` @ factors + what `others` add up to = value, within sd."""

    of_scale: Floats
    others: Mapping[str, float]
    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class Size:
    """A length that clues speak of and that is known beforehand: mean and standard uncertainty."""

    mean: float
    sd: float


def settle(clues: Sequence[Clue], sizes: Mapping[str, Size], source: str) -> GlassScale:
    """Fit the scale to all clues together (least squares with priors)."""
    if not clues:
        return GlassScale()
    names = (*NAMES, *sizes)
    x = np.array([[*c.of_scale, *(c.others.get(n, 0.0) for n in sizes)] for c in clues])
    found = linear.fit(
        linear.Problem(
            names=names,
            x=x,
            y=np.array([c.value for c in clues]),
            variance=np.array([c.sd**2 for c in clues]),
            prior_mean=np.array([1.0, 1.0, 0.0, 0.0, *(s.mean for s in sizes.values())]),
            prior_sd=np.array([*PRIOR_SD, *(s.sd for s in sizes.values())]),
        )
    )
    n = len(NAMES)
    return GlassScale(found.theta[:n], found.covariance[:n, :n], source)
