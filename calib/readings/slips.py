"""How a wrong number came about: another unit, a moved point, mistyped digits, another feature's reading."""

import itertools
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple

from calib.readings.cells import INCH_MM, OUNCE_G

# How far a print may be off and still be only badly set (common practice, no source): scale by
# 6 % (a drive set for a wrong belt is off by more and shows in every reading of an axis alike;
# shrinkage stays under 3 %), a face by 0.6 mm (an elephant's foot, a blob, a warped corner).
SCALE_SLACK = 0.06
FACE_SLACK_MM = 0.6


class Explanation(NamedTuple):
    """One way in which a wrong value comes about.

    Attributes
    ----------
    cause : str
        inch, mm, point, unit, swapped digits, missing digit, extra digit or other feature.
    words : str
        For the user, to follow "probably".
    value : float or None
        What was meant, where the explanation says so.
    """

    cause: str
    words: str
    value: float | None


def explanations(
    value: float,
    nominal: float,
    others: Mapping[str, float],
    tolerance: float,
    *,
    unit: str = "mm",
    text: str = "",
) -> tuple[Explanation, ...]:
    """Say how `value` may have come about where `nominal` was to be expected.

    Parameters
    ----------
    value, nominal, tolerance : float
        In `unit` (mm or g). Nothing is explained where they agree to within the tolerance.
    others : mapping
        What could have been read by mistake instead: words for it -> its value.
    text : str
        The number as it was typed, where known, so that digits are swapped as they stood.

    Returns
    -------
    tuple of Explanation
        All that fit. Mistyped digits are not considered where another unit fits, or a moved
        decimal point and the number has not the two decimals that a caliper shows: these keep
        every digit that was typed and are far more common.
    """
    if abs(value - nominal) <= tolerance:
        return ()

    def fits(candidate: float) -> bool:
        return abs(candidate - nominal) <= tolerance

    typed, scale = _typed(value, text)
    found = [
        Explanation(cause, words, value * factor)
        for cause, factor, words in FACTORS[unit]
        if fits(value * factor)
    ]
    if not found or (found[0].cause == "point" and _as_shown(typed, unit)):
        known = {round(e.value, 6) for e in found if e.value is not None}
        digits = _mistyped(typed, scale, fits)
        found += [e for e in digits if e.value is not None and round(e.value, 6) not in known]
    found += [
        Explanation("other feature", f"the reading of {words}", None)
        for words, other in others.items()
        if abs(value - other) <= min(tolerance, SCALE_SLACK * other + FACE_SLACK_MM)
        and abs(other - nominal) > tolerance
    ]
    return tuple(found)


FACTORS: Mapping[str, tuple[tuple[str, float, str], ...]] = {
    "mm": (
        ("inch", INCH_MM, "inches"),
        ("mm", 1 / INCH_MM, "millimetres in a place for inches"),
        ("point", 10.0, "centimetres, or the decimal point one place too far left"),
        ("point", 0.1, "the decimal point one place too far right"),
        ("point", 100.0, "the decimal point two places too far left"),
        ("point", 0.01, "the decimal point two places too far right"),
    ),
    "g": (
        ("unit", OUNCE_G, "ounces"),
        ("unit", 1000.0, "kilograms"),
        ("point", 10.0, "the decimal point one place too far left"),
        ("point", 0.1, "the decimal point one place too far right"),
    ),
}


_NUMBER = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)


def _typed(value: float, text: str) -> tuple[str, float]:
    """Return the number as it stood in the cell, and how many units one of its units is."""
    found = _NUMBER.match(text.strip())
    number = float(found[0].replace(",", ".")) if found else 0.0
    if found and number:
        return found[0].replace(",", "."), value / number
    return f"{value:.6f}".rstrip("0").rstrip("."), 1.0


def _as_shown(typed: str, unit: str) -> bool:
    """Whether a number has the two decimals that a caliper shows: its point did not move."""
    return unit == "mm" and len(typed.partition(".")[2]) == 2


def _mistyped(digits: str, scale: float, fits: Callable[[float], bool]) -> Sequence[Explanation]:
    """Return what neighbours swapped, a digit too few or one too many would explain."""
    found: dict[float, Explanation] = {}
    for cause, candidate in _near_misses(digits, most_decimals=4 if scale > 10.5 else 2):
        number = _float(candidate)
        if number is not None and fits(number * scale):
            value = number * scale
            found.setdefault(round(value, 9), Explanation(cause, _SLIPS[cause], value))
    return list(found.values())


_SLIPS = {
    "swapped digits": "two digits swapped",
    "missing digit": "a digit missing",
    "extra digit": "a digit too many",
}


def _near_misses(digits: str, most_decimals: int) -> Iterator[tuple[str, str]]:
    """Yield (cause, number) for every number from which a slip of the hand leads to `digits`.

    A display has no more than `most_decimals`, so that none beyond can have been left out.
    """
    whole, _, decimals = digits.partition(".")
    bare, point = whole + decimals, len(whole)

    def at(figures: str, place: int) -> str:
        return f"{figures[:place]}.{figures[place:]}"

    for k in range(len(bare) - 1):
        swapped = bare[:k] + bare[k + 1] + bare[k] + bare[k + 2 :]
        yield "swapped digits", at(swapped, point)
    for k, digit in itertools.product(range(len(bare) + 1), "0123456789"):
        longer = bare[:k] + digit + bare[k:]
        if k <= point:
            yield "missing digit", at(longer, point + 1)
        if k >= point and len(decimals) < most_decimals:
            yield "missing digit", at(longer, point)
    for k in range(len(bare)):
        yield "extra digit", at(bare[:k] + bare[k + 1 :], point - (k < point))


def _float(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def only_proposal(found: Sequence[Explanation]) -> float | None:
    """Return the value meant where all explanations agree on one; None where the user must look."""
    values = {None if e.value is None else round(e.value, 6) for e in found}
    return found[0].value if len(values) == 1 else None


def said(found: Sequence[Explanation], proposal: float | None, unit: str) -> str:
    """Put explanations into words, with the proposed value where there is one."""
    if not found:
        return "nothing simple explains it: measure it again"
    words = " or ".join(dict.fromkeys(e.words for e in found[:3]))
    meant = f", {proposal:.4g} {unit} is meant" if proposal is not None else ": look again"
    return f"probably {words}{meant}"
