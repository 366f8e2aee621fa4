"""The one gate for values: within the setting's range and the printer's ratings, or not used at all.

Whatever leaves a store or a fit to be set, written or shown as "to set" passes here.
"""

import math
from collections.abc import Mapping
from typing import Protocol

from calib.errors import BadInput
from calib.model.setting import kept_setting, setting


class Rated(Protocol):
    """What has ratings: a printer, or the set-up that a piece was made for."""

    @property
    def hot_end_max_c(self) -> float:
        """Highest rated hot-end temperature, degC."""

    @property
    def bed_max_c(self) -> float:
        """Highest rated bed temperature, degC."""


#: What each rating is the rating of.
_RATED = {"hot_end_max_c": "hot end", "bed_max_c": "bed"}


def ratings_of(rated: Rated) -> dict[str, float]:
    """Return rating -> its number."""
    return {name: float(getattr(rated, name)) for name in _RATED}


def tightest(*ratings: Mapping[str, float]) -> dict[str, float]:
    """Return the lowest of several ratings, each."""
    return {n: min(r[n] for r in ratings if n in r) for n in _RATED if any(n in r for r in ratings)}


def ceiling(name: str, ratings: Mapping[str, float]) -> float:
    """Return the highest value that a setting may have."""
    known = kept_setting(name)
    return min(known.limits[1], ratings.get(known.rated_by, math.inf))


def why_refused(name: str, value: float, ratings: Mapping[str, float]) -> str:
    """Say why a value must not be used; empty where it may.

    Parameters
    ----------
    ratings : mapping
        See `ratings_of`; a rating that is missing does not limit.
    """
    known = kept_setting(name)
    low, high = known.limits
    if not (math.isfinite(value) and low <= value <= high):
        return f"{value:g} {known.unit} makes no sense ({low:g} to {high:g} does)"
    rated = ratings.get(known.rated_by, math.inf)
    if value > rated:
        return f"{value:g} {known.unit} is more than the {_RATED[known.rated_by]} is rated for ({rated:g})"
    return ""


def check_value(name: str, value: float, ratings: Mapping[str, float], where: str = "") -> float:
    """Return a value that may be used.

    Raises
    ------
    BadInput
        There is no such setting, or its value makes no sense or is above the printer's rating.
    """
    known = setting(name, where)
    if why := why_refused(name, value, ratings):
        low = known.limits[0]
        raise BadInput(
            f"{name}: {why}",
            where=where,
            mend=f"the {known.label} is from {low:g} to {ceiling(name, ratings):g} {known.unit}",
        )
    return value
