"""What to print next, in lines for people and as plain data for machines."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from calib.report.words import place_lines, turn_lines

if TYPE_CHECKING:
    from calib.model.request import Request
    from calib.plan.steps import Plan, Step
    from calib.workshop.results import Next, Who


def command_of(request: "Request", who: "Who") -> str:
    """Return what to type to make a piece."""
    sets = "".join(f" --set {k}={v}" for k, v in request.typed.items())
    return f"truebead make {request.pattern}{who.options}{sets}"


def next_lines(found: "Next") -> Iterator[tuple[str, str]]:
    """Yield (line, style): what to do next and what it takes, what is good, how true parts come out."""
    plan = found.plan
    yield f"{found.who.words}, for {plan.goal.what}:", "bold"
    for line in turn_lines(plan.to_do, found.who.options):
        yield line, ""
    if not found.steps and not plan.to_do:
        yield "Nothing to print: the profile is fit for use.", ""
    for i, one in enumerate(found.steps, 1):
        effort = effort_words(one.minutes, one.grams, one.cost, one.readings)
        yield f"{i}. {one.piece}{f' ({effort})' if effort else ''}", "bold"
        yield f"   settles {one.settles}", ""
        for why in one.why:
            yield f"   because {why}", ""
        yield f"   {command_of(one.request, found.who)}", ""
    yield from ((line, "") for line in plate_lines(found))
    total = effort_words(found.minutes, found.grams, found.cost, found.readings)
    if len(found.steps) > 1 and total:
        yield f"In all {total}.", ""
        yield f"After each: truebead keep SHEET{found.who.options}, then truebead next again.", ""
        yield "What one piece says may make a later one needless.", ""
    for line in (*aim_lines(plan), *_rest_lines(plan), *tolerance_lines(plan)):
        yield line, ""
    for line in place_lines(found.in_force, found.who.options):
        yield line, ""


def plate_lines(found: "Next") -> Iterator[str]:
    """Say which pieces can be printed together on one plate, and with what command."""
    by_plate: dict[int, list[int]] = {}
    for i, one in enumerate(found.steps, 1):
        if one.plate:
            by_plate.setdefault(one.plate, []).append(i)
    for numbers in by_plate.values():
        if len(numbers) > 1:
            words = f"{', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
            yield f"Pieces {words} need the same settings: print them together, on one plate (make --plate)."


def aim_lines(plan: "Plan") -> Iterator[str]:
    """Say how sure the steps make us of what matters, and what stays open."""
    gained = [a for a in plan.aims if a.after < 0.95 * a.now]
    if plan.steps and gained:
        words = ", ".join(
            f"{a.label} ±{a.now:.2g} to ±{a.after:.2g} {a.unit}".rstrip() for a in gained
        )
        yield f"How sure that makes us (95 %): {words}."
    for a in plan.open:
        yield (
            f"Still open afterwards: {a.label} ±{a.after:.2g} {a.unit}, ±{a.wanted:.2g} is wanted;"
            " ask again when these are measured."
        )


def _rest_lines(plan: "Plan") -> Iterator[str]:
    """Say what is good, what is taken as it is, and what was left out."""
    from calib.model.setting import topic

    if plan.good:
        yield (f"Still good: {', '.join(topic(t).what for t in plan.good)}.")
    if plan.taken:
        taken = ", ".join(f"{topic(t).what} ({words})" for t, words in plan.taken.items())
        yield (f"Taken as they are, not measured: {taken}.")
    if plan.dropped:
        dropped = ", ".join(topic(t).what for t in plan.dropped)
        yield (f"Left out, since it does not matter to this goal: {dropped}.")


def effort_words(
    minutes: float | None, grams: float | None, price: float | None, readings: int = 0
) -> str:
    """Say what printing and measuring take; empty where they take nothing."""
    parts = []
    if minutes:
        parts.append(f"about {minutes:.0f} min" if minutes < 90 else f"about {minutes / 60:.1f} h")
    if grams:
        parts.append(f"{grams:.0f} g" if grams >= 10 else f"{grams:.1f} g")
    if price:
        parts.append(f"costs {price:.2f}")
    if readings:
        parts.append(f"{readings} readings")
    return ", ".join(parts)


def tolerance_lines(found: "Plan") -> list[str]:
    """Say how true parts would come out with the profile as it is now."""
    t = found.tolerance
    shares = ", ".join(
        f"{s.what} ±{s.half_mm:.2f}{'' if s.measured else ' (usual, not measured)'}"
        for s in t.shares
    )
    lines = [
        f"As the profile is now, a part of {t.part_mm:g} mm comes out within ±{t.part_half_mm:.2f} mm"
        f" (95 %): {shares}."
    ]
    if t.pieces > 1:
        lines.append(
            f"Two neighbours meet within ±{t.joint_half_mm:.2f} mm at their joint; {t.pieces} in a row"
            f" are {t.pieces * t.part_mm:g} ±{t.row_half_mm:.2f} mm."
        )
    if t.pieces > 2:
        lines.append(
            f"A closed ring of {t.pieces} such segments closes within ±{t.ring_half_mm:.2f} mm."
        )
    if found.steps:
        lines.append(
            f"With the pieces above a part of {t.part_mm:g} mm comes out within"
            f" ±{found.after.part_half_mm:.2f} mm."
        )
    if found.within_mm is not None:
        good = t.part_half_mm <= found.within_mm
        lines.append(f"±{found.within_mm:g} mm is {_met_words(found, good)}.")
    return lines


def _met_words(found: "Plan", good: bool) -> str:
    assert found.within_mm is not None
    if good:
        return "met"
    if found.steps and found.after.part_half_mm <= found.within_mm:
        return "not met yet; with the pieces above it will be"
    return "not met yet" + ("; ask again when the pieces above are measured" if found.steps else "")


def next_json(found: "Next") -> dict[str, Any]:
    """Return a plan for machines."""
    from dataclasses import asdict

    plan = found.plan
    return {
        **asdict(found.who),
        "goal": plan.goal.name,
        "steps": [_step_json(one, found.who) for one in found.steps],
        "aims": [asdict(a) for a in plan.aims],
        "minutes": found.minutes,
        "grams": found.grams,
        "readings": found.readings,
        "good": list(plan.good),
        "taken": dict(plan.taken),
        "to_do": dict(plan.to_do),
        "dropped": list(plan.dropped),
        "tolerance": asdict(plan.tolerance),
        "tolerance_after": asdict(plan.after),
        "within_mm": plan.within_mm,
        "places": {v.setting: {"place": str(v.place), "is_set": v.is_set} for v in found.in_force},
    }


def _step_json(one: "Step", who: "Who") -> dict[str, Any]:
    r = one.request
    return {
        "piece": r.pattern, "topics": list(r.settles), "why": list(one.why), "settles": one.settles,
        "parameters": dict(r.parameters), "minutes": one.minutes, "grams": one.grams,
        "cost": one.cost, "readings": one.readings, "plate": one.plate,
        "command": command_of(r, who),
    }  # fmt: skip
