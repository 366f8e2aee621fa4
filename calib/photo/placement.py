"""Where a lying piece is on the mat."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a lying piece is: grown a little, turned by `angle_rad`, then moved, in world mm.

    Attributes
    ----------
    grow : (float, float)
        How much longer than drawn it seems along lying x and y, as a fraction.
    """

    x_mm: float
    y_mm: float
    angle_rad: float
    grow: tuple[float, float] = (0.0, 0.0)

    def to_world(self, lying_mm: Floats) -> Floats:
        """Turn (n, 3) lying points into world ones."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
        return np.asarray(self.grown(lying_mm) @ turn.T + [self.x_mm, self.y_mm, 0])

    def grown(self, lying_mm: Floats) -> Floats:
        """Return (n, 3) lying points grown as the piece seems to be."""
        return np.asarray(lying_mm * (1 + self.grow[0], 1 + self.grow[1], 1.0))

    def to_lying(self, world_mm: Floats) -> Floats:
        """Turn (n, 3) world points into lying ones."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
        flat = (world_mm - [self.x_mm, self.y_mm, 0]) @ turn
        return np.asarray(flat / (1 + self.grow[0], 1 + self.grow[1], 1.0))

    def turned(self, flat: Floats) -> Floats:
        """Turn (n, 2) lying directions into world ones."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return np.asarray(flat @ np.array([[c, s], [-s, c]]))
