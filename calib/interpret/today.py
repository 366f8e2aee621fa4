"""What a sheet says in terms of what is set today: settings that do the same thing add up once.

A piece printed before the steps were changed says what steps and scale together should be; of that,
today's steps already give their part. Likewise outline offset and holes, extruder steps and flow.
"""

from collections.abc import Mapping
from dataclasses import replace

from calib.interpret.finding import Context, Finding
from calib.model.correction import Correction, Scope, Verdict
from calib.model.estimate import coverage_factor
from calib.model.setting import kept_setting, label

#: Setting -> settings that multiply it: (name, power, value where nothing is said).
_PRODUCTS: Mapping[str, tuple[tuple[str, float, float | None], ...]] = {
    **{f"scale_{a}_percent": ((f"steps_{a}_per_mm", 1.0, None),) for a in "xyz"},
    **{f"steps_{a}_per_mm": ((f"scale_{a}_percent", 1.0, 100.0),) for a in "xyz"},
    "flow_percent": (("steps_e_per_mm", 1.0, None), ("filament_mm", -2.0, None)),
}
#: Setting -> settings that add to it: (name, how often).
_SUMS: Mapping[str, tuple[tuple[str, float], ...]] = {
    # A wall that stands in by 0.1 mm makes a hole wider by 0.2 mm and a pin thinner.
    "hole_oversize_mm": (("outline_offset_mm", -2.0),),
    "hole_horizontal_oversize_mm": (("outline_offset_mm", -2.0),),
    "hole_pin_oversize_mm": (("outline_offset_mm", 2.0),),
}


def for_today(finding: Finding, context: Context) -> Finding:
    """Return a finding whose corrections are those still to be made today."""
    if context.in_force is None or finding.topic == "travel":  # no plastic: the scale has no part
        return finding
    return replace(
        finding,
        corrections=tuple(_for_today(c, context, context.in_force) for c in finding.corrections),
    )


def _for_today(c: Correction, context: Context, today: Mapping[str, float]) -> Correction:
    new, changed = c.new, []
    factor = 1.0
    for name, power, usual in _PRODUCTS.get(c.setting, ()):
        if kept_setting(name).scope is Scope.SPOOL and name == c.instead_of:
            continue  # steps in place of the scale, not on top of it
        then, now = context.now.get(name, usual), today.get(name, usual)
        if then and now and abs(now / then - 1) > 1e-6:
            factor *= (then / now) ** power
            changed.append(_said(name, then, now))
    for name, often in _SUMS.get(c.setting, ()):
        then, now = context.now.get(name, 0.0), today.get(name, 0.0)
        if abs(now - then) > 1e-6:
            new -= often * (now - then)
            changed.append(_said(name, then, now))
    if not changed:
        return c
    own = today.get(c.setting, c.old)
    moved = replace(c, old=own, new=new * factor, u_new=c.u_new * factor)
    verdict = _verdict(moved)
    left = "" if verdict is Verdict.APPLY else ", which leaves nothing to set"
    return replace(
        moved,
        verdict=verdict,
        reason=f"{c.reason}; {' and '.join(changed)} since it was printed{left}",
    )


def _said(name: str, then: float, now: float) -> str:
    return f"{label(name)} went from {then:.6g} to {now:.6g}"


def _verdict(c: Correction) -> Verdict:
    if c.verdict is Verdict.PRINT_AGAIN or c.old is None:
        return c.verdict
    half = c.u_new * coverage_factor(c.error.dof)
    change = abs(c.new - c.old)
    return Verdict.APPLY if change > max(half, kept_setting(c.setting).step) else Verdict.LEAVE
