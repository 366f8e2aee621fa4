"""Outline offset from the walls that outlines show, and what inside lengths say beside it."""

from calib.fit.linear import LinearFit
from calib.interpret.common import plus_minus
from calib.interpret.corrected import corrected
from calib.interpret.finding import Context
from calib.model.correction import Correction, Verdict, judge
from calib.model.estimate import Estimate
from calib.model.setting import setting

#: How surely X and Y must differ before they are told apart, and by how much at least.
_SURE = 0.99
_DIFFER_MM = 0.02
#: How much more inside lengths must close to be worth a word.
_INSIDE_MM = 0.03


def outline_correction(fit: LinearFit, context: Context, *, closed: bool) -> list[Correction]:
    """Judge the outline offset: the mean wall, or what X and Y have in common where they differ.

    Parameters
    ----------
    closed : bool
        Whether the caliper's closed jaws were looked at.
    """
    offset = setting("outline_offset_mm")
    axes = [a for a in "xy" if f"offset_{a}" in fit]
    if not axes:
        return []
    walls = {a: fit.combine({f"offset_{a}": 0.5}, f"wall_{a}", "mm") for a in axes}
    # Each of the two walls of a length moves by half of the offset.
    share = 1.0 / (2 * len(axes))
    error = fit.combine({f"offset_{a}": share for a in axes}, "outline_offset", "mm")
    if error.from_data < 0.5:
        return []  # one kind of length only: offset and scale can't be told apart
    verdict = judge(error, offset.step, offset.wanted)
    reason = _reason(error, verdict, closed=closed)
    if differ(fit):
        error = _in_common(walls, error)
        verdict = judge(error, offset.step, offset.wanted)
        reason = _unequal(walls, verdict)
    old = context.now.get(offset.name, 0.0)
    evidence = "outside lengths on " + " and ".join(a.upper() for a in axes)
    return [corrected(offset.name, old, old - error.value, error, verdict, reason, evidence)]


def differ(fit: LinearFit) -> bool:
    """Whether walls that face X and walls that face Y stand off by different amounts."""
    if not {"offset_x", "offset_y"} <= set(fit.index):
        return False
    apart = fit.combine({"offset_x": 0.5, "offset_y": -0.5}, "x_less_y", "mm")
    return abs(apart.value) > max(apart.expanded(_SURE), _DIFFER_MM)


def _in_common(walls: dict[str, Estimate], mean: Estimate) -> Estimate:
    """Return the smaller of two errors of one sign; nothing where their signs differ."""
    smaller = min(walls.values(), key=lambda e: abs(e.value))
    same_sign = walls["x"].value * walls["y"].value > 0
    return Estimate(
        name=mean.name,
        value=smaller.value if same_sign else 0.0,
        u=smaller.u,
        dof=smaller.dof,
        unit="mm",
        from_data=smaller.from_data,
    )


def _reason(error: Estimate, verdict: Verdict, *, closed: bool) -> str:
    way = "outward" if error.value > 0 else "inward"
    size = (
        f"every wall stands {abs(error.value):.3f} mm too far {way} (± {error.expanded():.3f} mm)"
    )
    surer = (
        "read the outside lengths three times each"
        if closed
        else "close the caliper's jaws and write what it shows as # jaws_closed_mm:"
    )
    return {
        Verdict.APPLY: f"{size}, whatever the length, so it is not a scale error",
        Verdict.LEAVE: f"{size}: not distinguishable from zero, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: {surer}",
    }[verdict]


def _unequal(walls: dict[str, Estimate], verdict: Verdict) -> str:
    x, y = walls["x"], walls["y"]
    worse = "X" if abs(x.value) > abs(y.value) else "Y"
    text = (
        f"walls that face X stand {_out(x)}, walls that face Y {_out(y)}: an outline offset moves both"
        f" alike; look for a loose belt or play along {worse}"
    )
    return f"{text}; set what they have in common" if verdict is Verdict.APPLY else text


def _out(e: Estimate) -> str:
    half = f"(± {e.expanded():.3f} mm)"
    if abs(e.value) <= e.expanded():
        return f"right {half}"
    return f"{abs(e.value):.3f} mm too far {'outward' if e.value > 0 else 'inward'} {half}"


def outline_summary(fit: LinearFit, context: Context) -> list[str]:
    """Return what walls say that no outline offset mends: axes that differ, inside lengths."""
    lines = []
    if differ(fit):
        walls = {a: fit.combine({f"offset_{a}": 0.5}, f"wall_{a}", "mm") for a in "xy"}
        text = _unequal(walls, Verdict.LEAVE)
        lines.append(f"{text[0].upper()}{text[1:]}.")
    inner = [f"inside_{a}" for a in "xy" if f"inside_{a}" in fit]
    if inner:
        more = fit.combine(dict.fromkeys(inner, 1 / len(inner)), "inside", "mm")
        if abs(more.value) > max(more.expanded(), _INSIDE_MM):
            size = "smaller" if more.value > 0 else "larger"
            lines.append(
                f"Inside lengths come out {plus_minus(_absolute(more))} {size} than the outlines"
                " explain: that is for holes to correct, not for the outline offset."
            )
            lines += _by_lost_motion(
                [a.removeprefix("inside_") for a in inner], more.value, context
            )
    return lines


def _by_lost_motion(axes: list[str], more_mm: float, context: Context) -> list[str]:
    """Say how much of inside lengths that come out small is lost motion.

    A nozzle that loses B at each reversal makes outside and inside lengths B smaller alike: in terms of an
    outline that moves both by opposite amounts, inside ones close by 2 B more.
    """
    known = context.in_force or {}
    lost = sum(known.get(f"reversal_{a}_mm", 0.0) for a in axes) / len(axes)
    if lost <= 0 or more_mm <= 0:
        return []
    return [
        f"Of that, {min(2 * lost, more_mm):.2f} mm is the lost motion of {lost:.2f} mm that was measured at reversals"
        " (it closes outsides and insides alike): mend that first."
    ]


def _absolute(e: Estimate) -> Estimate:
    return e if e.value >= 0 else e.times(-1.0, e.unit)
