"""Values as files, and the limits that a command's numbers leave: what `apply` and `values` share."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.apply.limits import Limits
    from calib.apply.values import Value
    from calib.workshop.applying import ToSet


def write_values(
    listed: "Sequence[Value]", found: "ToSet", card: Path | None, csv: Path | None, force: bool
) -> None:
    """Write the card and the table that were asked for, with what is to be set by hand."""
    from calib.apply import values as v
    from calib.files import write_atomic

    own = v.to_set(listed)
    if card is not None:
        page = v.values_card(own, title="Values to set", of=found.heading)
        write_atomic(card, page, force=force)
    if csv is not None:
        write_atomic(csv, v.values_csv(own, found.heading), force=force)


def limits_told(
    kept: "Limits",
    build_mm: Mapping[str, float],
    origin: str,
    hot_end_max_c: float | None,
    bed_max_c: float | None,
) -> "Limits":
    """Return the limits with those of one command laid over them; a rating only tightens.

    Raises
    ------
    BadInput
        The origin is not a point.
    """
    from calib.apply.limits import parse_point
    from calib.workshop.applying import with_limits

    names = ("origin_x_mm", "origin_y_mm", "origin_z_mm")
    corner = dict(zip(names, parse_point(origin, "--origin"), strict=True)) if origin else {}
    ratings = {"hot_end_max_c": hot_end_max_c, "bed_max_c": bed_max_c}
    told = {k: v for k, v in ratings.items() if v is not None}
    return with_limits(kept, {**build_mm, **corner, **told})
