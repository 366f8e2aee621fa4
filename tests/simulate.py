"""Simulated printers and calipers with known truth; independent of the code that fits them.

Points of the piece are moved as a printer would move them, then the distance is taken between
them, so nothing here shares a formula with the linear model.
"""

from dataclasses import dataclass, field

import numpy as np

from calib.model.instrument import DEFAULTS, Instrument
from patterns.feature import Feature, Kind


@dataclass(frozen=True, kw_only=True)
class Printer:
    """Truth of a printer with one material: scales as fractions, offset in mm, skews in radians."""

    scale: tuple[float, float, float] = (0.0, 0.0, 0.0)
    offset_mm: float = 0.0  # both walls of an outside length together
    skew: dict[str, float] = field(default_factory=dict)
    squeeze_mm: float = 0.0
    piece_sd_mm: float = 0.015

    def matrix(self):
        gxy, gxz, gyz = (self.skew.get(p, 0.0) for p in ("XY", "XZ", "YZ"))
        x = np.array([1.0, 0, 0])
        y = np.array([np.sin(gxy), np.cos(gxy), 0])
        z = np.array([np.sin(gxz), np.sin(gyz), np.sqrt(1 - np.sin(gxz) ** 2 - np.sin(gyz) ** 2)])
        return np.column_stack([x, y, z]) * (1 + np.array(self.scale))

    def true_length(self, f: Feature) -> float:
        a, b = np.array(f.start), np.array(f.end)
        length = float(np.linalg.norm(self.matrix() @ (b - a)))
        sign = {Kind.OUTSIDE: 1, Kind.INSIDE: -1}.get(f.kind, 0)
        if f.kind is Kind.DIAGONAL:
            sign = -1 if f.jaws == "inside" else 1
        return length + sign * self.offset_mm + (self.squeeze_mm if f.kind is Kind.HEIGHT else 0.0)


@dataclass(frozen=True, kw_only=True)
class Caliper:
    """Truth of one caliper: its common errors in mm and as a fraction."""

    zero_mm: float = 0.0
    inside_mm: float = 0.0
    depth_mm: float = 0.0
    scale: float = 0.0
    repeatability_mm: float = 0.015
    resolution_mm: float = 0.01

    @classmethod
    def drawn(cls, rng, like: Instrument = DEFAULTS["caliper"], *, rectangular=False):
        """Draw one caliper out of those that keep the permissible error."""

        def draw(u):
            return rng.uniform(-u, u) * 3**0.5 if rectangular else rng.normal(0, u)

        return cls(
            zero_mm=draw(like.u_zero),
            inside_mm=draw(like.u_jaws),
            depth_mm=draw(like.u_jaws),
            scale=draw(like.u_scale),
            repeatability_mm=like.repeatability,
            resolution_mm=like.resolution,
        )

    def read(self, length: float, f: Feature, rng) -> float:
        jaws = {"inside": self.inside_mm, "depth": self.depth_mm}.get(f.jaws, 0.0)
        shown = (
            length * (1 + self.scale) + self.zero_mm + jaws + rng.normal(0, self.repeatability_mm)
        )
        return round(shown / self.resolution_mm) * self.resolution_mm


def readings(features, printer: Printer, caliper: Caliper, rng, repeats=3):
    """Return (which, value): every feature read `repeats` times on one print."""
    which, value = [], []
    for i, f in enumerate(features):
        length = printer.true_length(f) + rng.normal(0, printer.piece_sd_mm)
        for _ in range(repeats):
            which.append(i)
            value.append(caliper.read(length, f, rng))
    return np.array(which), np.array(value)
