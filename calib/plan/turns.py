"""Turns of levelling screws: found once, done once, and not a value to have set."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from calib.model.correction import Verdict
from calib.model.setting import kept_setting

if TYPE_CHECKING:
    from calib.store.records import ProfileValue


def turns_to_do(values: "Iterable[ProfileValue]") -> dict[str, float]:
    """Return setting -> turns of the levelling screws that were found and not yet said to be done."""
    return {
        v.setting: v.source.correction.new
        for v in values
        if kept_setting(v.setting).done_once
        and not v.stale
        and v.source.correction.verdict is Verdict.APPLY
    }
