"""What may have gone wrong with a sheet, and how likely each is by what all others foretell."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from calib.fit.linear import Array
from calib.profile.blocks import Block, Coordinate
from calib.profile.gaussian import Gaussian
from calib.profile.prior import Knowledge

#: How well the scatter of a sheet's readings is known before they are: degrees of freedom whose t is as
#: wide, at one in a thousand, as a normal law whose sd is known to a factor of e^0.5 (`dimensions.PIECE`).
_SCATTER_DOF = 5.0


@dataclass(frozen=True, slots=True)
class Reason:
    """What may have gone wrong: whose columns are off together, how far it would be (one sd), words."""

    of: tuple[Coordinate, ...]
    sd: float
    words: str


def reasons(block: Block, knowledge: Knowledge) -> list[Reason]:
    """Return what may have gone wrong with a sheet."""
    at = {c.quantity: c for c in block.coordinates if c.kind == "printer"}
    own = {c.quantity: c for c in block.coordinates if c.kind == "spool"}
    found = []

    def add(names: Iterable[str], known: dict[str, Coordinate], sd: float, words: str) -> None:
        of = tuple(known[n] for n in names if n in known)
        if of:
            found.append(Reason(of, sd, words))

    for axis in "xyz":
        add([f"scale_{axis}"], at, 0.005,
            f"{axis.upper()} was set otherwise than its sheet says (scale or steps/mm), or its drive slipped")  # fmt: skip
    add(
        ["shrink_xy", "shrink_z"],
        own,
        0.005,
        "another roll was on the printer, or the caliper's scale is off",
    )
    add(["swell"], own, 0.1, "another nozzle or flow was in use, or the caliper was not zeroed")
    add(["first_layer"], at, 0.15, "the first layer was set otherwise when it was printed")
    for plane in ("xy", "xz", "yz"):
        add([f"skew_{plane}"], at, 0.005,
            f"the {plane.upper()} axes were not as square as on the other sheets: the frame moved, or was squared")  # fmt: skip
    for name in own:
        if not name.startswith(("shrink_", "swell")):
            add([name], own, 5 * knowledge.usual_spread(name), f"{name} was judged otherwise")
    return found


@dataclass(frozen=True, eq=False, kw_only=True)
class Held:
    """A sheet held against the rest: what it reads beyond it, the covariance of that and its dof's shares."""

    block: Block
    rest: Gaussian
    off: Array
    inverse: Array

    @classmethod
    def against(cls, rest: Gaussian, block: Block) -> "Held":
        """Hold a block against what the rest foretells."""
        off, covariance = rest.surprise(block)
        return cls(
            block=block,
            rest=rest,
            off=off,
            inverse=np.asarray(np.linalg.inv(covariance), dtype=np.float64),
        )

    def amount(self, of: Sequence[Coordinate]) -> tuple[float, float]:
        """Return by how much it would be off in a direction, and the variance of that."""
        a = self.block.column(of)
        weight = float(a @ self.inverse @ a)
        return float(a @ self.inverse @ self.off) / weight, 1 / weight

    def dof(self, way: Array) -> float:
        """Return the degrees of freedom of a sum of its readings (Welch-Satterthwaite).

        Parameters
        ----------
        way : (n,) float
            What each of the block's rows counts for in the sum.
        """
        shares = (self.rest.covariance @ (self.block.r.T @ way) / self.rest.spread_sd) ** 2
        told = max(self.block.readings - len(self.block.z), 0)
        noise = float(way @ way) ** 2 / (_SCATTER_DOF + told)
        variance = float(way @ np.linalg.solve(self.inverse, way))
        return min(
            variance**2 / max(float(np.sum(shares**2 / self.rest.spread_dof)) + noise, 1e-300), 1e6
        )

    def odds(self) -> tuple[float, int, float]:
        """Return chi-square, its degrees of freedom and how often chance makes as much."""
        from scipy.special import fdtrc

        way = self.inverse @ self.off
        chi2, size = float(self.off @ way), np.abs(self.block.r).max(initial=0.0)
        rank = int(np.linalg.matrix_rank(self.block.r, tol=1e-6 * size)) if size else 0
        return chi2, rank, float(fdtrc(rank, self.dof(way), chi2 / rank)) if rank else 1.0

    def likelihood_ratio(self, reason: Reason) -> float:
        """Return how much more likely the readings are if something was off than if nothing was."""
        x, v = self.amount(reason.of)
        dof = self.dof(self.inverse @ self.block.column(reason.of) * v)

        def log_t(variance: float) -> float:
            return -0.5 * math.log(variance) - (dof + 1) / 2 * math.log1p(x**2 / variance / dof)

        return math.exp(min(log_t(v + reason.sd**2) - log_t(v), 500.0))
