"""Machine scale apart from material shrinkage: one print, and its printer's travel where it was measured.

    size error(axis) = machine(axis) - shrinkage(direction) + instrument scale + noise
    travel error(axis) = machine(axis) + instrument scale + noise

Over many sheets of many printers and spools the joint posterior (`calib.profile`) does the same.
"""

from dataclasses import dataclass

import numpy as np

from calib.fit.linear import Array, LinearFit, Problem, fit
from calib.model.estimate import Estimate

AXES = "XYZ"
DIRECTIONS = ("XY", "Z")

#: Spools of one material differ in shrinkage by this (standard deviation, fraction): a judgement.
SPOOL_SD = 0.0007
#: Prints of one spool on one printer differ by this (standard deviation, fraction): a judgement.
PRINT_SD = 0.0002

_NAMES = ("machine_x", "machine_y", "machine_z", "shrinkage_xy", "shrinkage_z", "instrument")
_MACHINE = np.hstack([np.eye(3), np.zeros((3, 2)), np.ones((3, 1))])
_SHRINKAGE = np.array([[0, 0, 0, 1, 0, 0], [0, 0, 0, 1, 0, 0], [0, 0, 0, 0, 1, 0]], float)


@dataclass(frozen=True, eq=False, kw_only=True)
class Priors:
    """What is known beforehand; every number is a fraction.

    Attributes
    ----------
    machine_sd : (3,) float
        How true the drives' mechanics are.
    shrinkage, shrinkage_sd : float
        Of the type of filament: middle and standard uncertainty, without what differs between spools.
    instrument_sd : float
        Scale error, from the permissible error.
    """

    machine_sd: Array
    shrinkage: float
    shrinkage_sd: float
    instrument_sd: float


@dataclass(frozen=True, eq=False, slots=True)
class Errors:
    """Scale errors along X, Y, Z, measured over nominal less 1; NaN where not measured.

    The covariance must not hold the instrument's own scale error, which is a parameter here; rows and
    columns of what was not measured are not looked at.
    """

    error: Array
    covariance: Array


def split(printed: Errors, priors: Priors, travel: Errors | None = None) -> LinearFit:
    """Split size errors into ``machine_x`` .. ``machine_z``, ``shrinkage_xy``, ``shrinkage_z``.

    Everything is a fraction, referred to the steps/mm that the mechanics give and to 20 degrees C.
    What nothing was read of keeps what is known of it beforehand.
    """
    rows = [_rows(printed, _MACHINE - _SHRINKAGE)]
    y, blocks = [_seen(printed)], [_noise(printed, PRINT_SD)]
    if travel is not None:
        rows.append(_rows(travel, _MACHINE))
        y.append(_seen(travel))
        blocks.append(_noise(travel, 0.0))
    return fit(
        Problem(
            names=_NAMES,
            x=np.vstack(rows),
            y=np.concatenate(y),
            variance=_joined(blocks),
            prior_mean=np.array([0, 0, 0, priors.shrinkage, priors.shrinkage, 0]),
            prior_sd=np.array(
                [
                    *priors.machine_sd,
                    *[np.hypot(priors.shrinkage_sd, SPOOL_SD)] * 2,
                    priors.instrument_sd,
                ]
            ),
        )
    )


def size(found: LinearFit, axis: str) -> Estimate:
    """Size error along an axis: well known even where its parts are not."""
    shrinkage = "shrinkage_z" if axis == "Z" else "shrinkage_xy"
    return found.combine({f"machine_{axis.lower()}": 1.0, shrinkage: -1.0}, f"size_{axis.lower()}")


def _rows(one: Errors, design: Array) -> Array:
    return np.asarray(design[np.isfinite(one.error)])


def _seen(one: Errors) -> Array:
    return np.asarray(one.error[np.isfinite(one.error)])


def _noise(one: Errors, sd: float) -> Array:
    seen = np.flatnonzero(np.isfinite(one.error))
    return np.asarray(one.covariance[np.ix_(seen, seen)] + sd**2 * np.eye(len(seen)))


def _joined(blocks: list[Array]) -> Array:
    from scipy.linalg import block_diag

    joined = np.asarray(block_diag(*[b for b in blocks if b.size] or [np.zeros((0, 0))]))
    return joined if joined.size else np.zeros(0)
