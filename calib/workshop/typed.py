"""What people type: numbers, name=value pairs, a printer's build volume and set-up."""

import math
import re
from collections.abc import Sequence

from calib.errors import BadInput
from calib.workshop.context import Assumed


def number(text: str | float) -> float:
    """Read a number as people write it: a decimal comma and a unit of its own are fine.

    Raises
    ------
    ValueError
        It is none; the message says how to write one. What is not finite is left to what uses it.
    """
    plain = re.sub(r"\s*(mm|g|min|%|deg|°|(deg|°)?C)$", "", str(text).strip()).replace(",", ".")
    try:
        return float(plain)
    except ValueError:
        msg = f"{text!r} is not a number; write one such as 0.4"
        raise ValueError(msg) from None


def pairs(given: Sequence[str], option: str) -> dict[str, str]:
    """Return ``["size_mm=40"]`` as ``{"size_mm": "40"}``.

    Raises
    ------
    BadInput
        One is not ``name=value``, or a name is given twice.
    """
    found: dict[str, str] = {}
    for text in given:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise BadInput(
                f"{text!r} is not name=value",
                where=option,
                mend=f"write {option} {name.strip() or 'size_mm'}=40",
            )
        if name.strip() in found:
            raise BadInput(f"{name.strip()} is given twice", where=option, mend="give it once")
        found[name.strip()] = value.strip()
    return found


def numbers(given: Sequence[str], option: str) -> dict[str, float]:
    """Return ``["steps_x_per_mm=80"]`` as ``{"steps_x_per_mm": 80.0}``.

    Raises
    ------
    BadInput
        A value is not a number.
    """
    found = {}
    for name, text in pairs(given, option).items():
        try:
            found[name] = float(text.replace(",", "."))
        except ValueError:
            found[name] = math.nan
        if not math.isfinite(found[name]):
            raise BadInput(f"{name}: {text!r} is not a number", where=option, mend="write a number")
    return found


def assumed_of(
    now: Sequence[str] | None,
    filament: str,
    instruments: Sequence[str] | None,
    tolerance_mm: float,
    part_mm: float,
    accept: bool,
) -> Assumed:
    """Return what the options say besides the sheet, for `solve` and `keep` alike."""
    return Assumed(
        now=numbers(now or [], "--now"), filament=filament, instruments=instruments or (),
        tolerance_mm=tolerance_mm, part_mm=part_mm, accept=accept,
    )  # fmt: skip


def setup_given(
    *,
    nozzle_mm: float | None = None,
    layer_mm: float | None = None,
    line_mm: float | None = None,
    build: str = "",
    hot_end_max_c: float | None = None,
) -> dict[str, float]:
    """Return what the options say of the printer's set-up; nothing for those that were not given."""
    named = {
        "nozzle_mm": nozzle_mm, "layer_mm": layer_mm, "line_mm": line_mm,
        "hot_end_max_c": hot_end_max_c,
    }  # fmt: skip
    return {k: v for k, v in named.items() if v is not None} | build_given(build)


def build_given(build: str) -> dict[str, float]:
    """Return the build volume of an option by axis; empty where it was not given."""
    if not build:
        return {}
    names = ("build_x_mm", "build_y_mm", "build_z_mm")
    return dict(zip(names, build_volume(build), strict=True))


def build_volume(text: str) -> tuple[float, float, float]:
    """Read ``220x220x250`` (or with * or ×) as millimetres.

    Of a round bed, ``round:180x200`` (diameter and height), the largest square on it counts.

    Raises
    ------
    BadInput
        The text is not three lengths, or the diameter and height of a round bed.
    """
    shape, colon, sizes = text.strip().partition(":")
    if colon and shape.strip().lower() == "round":
        return _round_volume(sizes)
    parts = re.split(r"\s*[xX*×]\s*", text.strip())
    try:
        x, y, z = (float(p.replace(",", ".")) for p in parts)
    except ValueError:
        raise BadInput(
            f"{text!r} is not a build volume",
            where="--build",
            mend="write three numbers in mm, such as 220x220x250, or round:180x200",
        ) from None
    return x, y, z


def _round_volume(text: str) -> tuple[float, float, float]:
    try:
        diameter, high = (
            float(p.replace(",", ".")) for p in re.split(r"\s*[xX*×]\s*", text.strip())
        )
    except ValueError:
        raise BadInput(
            f"{text!r} is not the diameter and height of a round bed",
            where="--build",
            mend="write two numbers in mm, such as round:180x200",
        ) from None
    side = math.floor(10 * diameter / math.sqrt(2)) / 10
    return side, side, high
