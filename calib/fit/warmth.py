"""Sizes of warm parts referred to 20 degrees C (ISO 1), with what is not known of it."""

import math
from collections.abc import Sequence

import numpy as np

from calib.fit.linear import Array

#: How well a material's expansion is known, as a share of it: ranges over grades in databases.
EXPANSION_U = 0.2
#: Of a caliper's steel, per kelvin: about 11.5e-6 for plain and hardened steels (from memory, tables).
CALIPER_EXPANSION_PER_K = 11.5e-6
#: What an empty line for the part's temperature means: 20 to 25 degrees C, as middle and standard
#: uncertainty. Not less than the range's ends ask for: a room keeps to one side of it for months.
ROOM_C = (22.5, 2.0)


def refer_to_20c(
    error: Sequence[float] | Array,
    expansion_per_k: float,
    part_c: float | None,
    u_part_k: float = 1.0,
) -> tuple[Array, float]:
    """Refer size errors measured at `part_c` to 20 degrees C (ISO 1).

    The caliper is as warm as the part and grows with it, so that only the difference shows. A
    temperature that nobody wrote down is that of a room, `ROOM_C`.

    Parameters
    ----------
    error : (n,) float
        As fractions of the lengths.
    part_c, u_part_k : float
        Temperature in degrees C (None: not known), its standard uncertainty in K.

    Returns
    -------
    (n,) float and float
        Errors at 20 degrees C, and the standard uncertainty that this adds, common to all of them.
    """
    if part_c is None:
        part_c, u_part_k = ROOM_C
    away, seen = part_c - 20.0, expansion_per_k - CALIPER_EXPANSION_PER_K
    at20 = (1 + np.asarray(error, dtype=float)) / (1 + seen * away) - 1
    return at20, math.hypot(seen * u_part_k, EXPANSION_U * expansion_per_k * away)
