"""Scale errors of a sheet from its finding, and what is known of a type of filament."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from calib.fit.linear import Array
from calib.fit.split import AXES
from calib.interpret.common import plus_minus
from calib.model.estimate import Estimate
from patterns.errors import SpecError
from patterns.filaments import filament

#: Shrinkage of a filament type that the table lacks: middle and standard uncertainty, fractions.
UNKNOWN_SHRINK, UNKNOWN_SHRINK_U = 0.004, 0.003


_UNKNOWN_EXPANSION = 80e-6


#: Scale error of an instrument that is not described, as a fraction.
INSTRUMENT_SD = 1.2e-4


def scales_of(evidence: Mapping[str, Any]) -> tuple[Array, Array]:
    """Return scale errors and their covariance from the evidence of a size finding.

    The instrument's scale error looks exactly like a scale of the piece; it is fixed at zero here
    (the normal's conditional distribution), so that the split can share it between sheets.

    Raises
    ------
    KeyError
        The evidence is not that of a size finding.
    """
    names = list(evidence["parameters"])
    values = np.asarray(evidence["values"], float)
    covariance = np.asarray(evidence["covariance"], float)
    for name in ("caliper_scale", "photo_scale"):
        if name in names:
            k = names.index(name)
            gain = covariance[:, k] / covariance[k, k]
            values = values - gain * values[k]
            covariance = covariance - np.outer(gain, covariance[k])
    error, spread = np.full(3, np.nan), np.eye(3)
    at = [
        (a, names.index(f"scale_{n.lower()}"))
        for a, n in enumerate(AXES)
        if f"scale_{n.lower()}" in names
    ]
    for a, i in at:
        error[a] = values[i]
        for b, j in at:
            spread[a, b] = covariance[i, j]
    return error, spread


def percent(e: Estimate) -> str:
    """Write a fraction in % with its expanded uncertainty."""
    return plus_minus(e.times(100, "%"))


def shrink_prior(material: str) -> tuple[float, float]:
    """Return what is known of a type's shrinkage: middle and standard uncertainty, fractions."""
    try:
        found = filament(material)
    except SpecError:
        return UNKNOWN_SHRINK, UNKNOWN_SHRINK_U
    return found.shrink_percent / 100, found.shrink_u_percent / 100


def expansion_of(material: str) -> float:
    """Return a filament type's thermal expansion per kelvin; a usual one where it is not known."""
    try:
        return filament(material).expansion_per_k
    except SpecError:
        return _UNKNOWN_EXPANSION
