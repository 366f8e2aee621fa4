"""`truebead next`: the shortest sequence of pieces that makes a profile fit for use again."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands.common import JsonOption, print_json, say_safety
from calib.commands.show import (
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    place_lines,
    say,
)

if TYPE_CHECKING:
    from calib.plan.steps import Plan
    from calib.workshop.results import Next, NextStep


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(
        "next",
        epilog="Example: truebead next --printer lantern --spool white-1 --goal size --within 0.2"
        " --part 200 --pieces 8",
    )(next_)


def next_(
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    goal: Annotated[
        str, typer.Option(help="all, fits (join and slide), clean (looks), size (with --within).")
    ] = "all",
    within: Annotated[
        float | None, typer.Option(help="Tolerance wanted on a part, in mm; for --goal size.")
    ] = None,
    part: Annotated[float, typer.Option(help="Length of your part in mm.")] = 100.0,
    pieces: Annotated[int, typer.Option(help="How many such parts join in a row.")] = 1,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what to print or to measure next, in order, and what is still good.

    Mechanics come before material, temperature before flow, flow before size.
    """
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        found = workshop.next(
            printer, nozzle, spool, goal, within_mm=within, part_mm=part, pieces=pieces
        )
    if as_json:
        print_json(_plan_json(found))
        return
    _say_plan(found)
    for line in place_lines(found.in_force, found.who.options):
        say(line)


def command_of(step: "NextStep") -> str:
    """Return what to type to make a step's piece."""
    sets = "".join(f" --set {k}={v}" for k, v in step.request.typed.items())
    return f"truebead make {step.request.pattern}{step.who.options}{sets}"


def _say_plan(found: "Next") -> None:
    plan = found.plan
    say(f"{found.who.words}, for {plan.goal.what}:", "bold")
    if not found.steps:
        say("Nothing to print: the profile is fit for use.")
    for i, one in enumerate(found.steps, 1):
        effort = _effort(one.minutes, one.grams, one.cost)
        say(f"{i}. {one.step.piece}{f' ({effort})' if effort else ''}", "bold")
        say(f"   settles {one.step.settles}")
        for why in one.step.why:
            say(f"   because {why}")
        say(f"   {command_of(one)}")
    total = _effort(found.minutes, found.grams, found.cost)
    if len(found.steps) > 1 and total:
        say(
            f"In all {total}. After each: truebead keep SHEET{found.who.options}, then truebead next"
            f"{found.who.options} again: a change may make a later piece needless."
        )
    _say_rest(plan)
    for line in tolerance_lines(plan):
        say(line)
    if found.steps:
        say_safety()


def _say_rest(plan: "Plan") -> None:
    """Say what is good, what is taken as it is, and what was left out."""
    from calib.model.setting import topic

    if plan.good:
        say(f"Still good: {', '.join(topic(t).what for t in plan.good)}.")
    if plan.taken:
        taken = ", ".join(f"{topic(t).what} ({words})" for t, words in plan.taken.items())
        say(f"Taken as they are, not measured: {taken}.")
    if plan.dropped:
        dropped = ", ".join(topic(t).what for t in plan.dropped)
        say(f"Left out, since it does not matter to this goal: {dropped}.")


def _effort(minutes: float | None, grams: float | None, price: float | None) -> str:
    parts = []
    if minutes:
        parts.append(f"about {minutes:.0f} min" if minutes < 90 else f"about {minutes / 60:.1f} h")
    if grams:
        parts.append(f"{grams:.0f} g" if grams >= 10 else f"{grams:.1f} g")
    if price:
        parts.append(f"costs {price:.2f}")
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
    if found.within_mm is not None:
        good = t.part_half_mm <= found.within_mm
        after = " after the pieces above" if found.steps else ""
        lines.append(
            f"±{found.within_mm:g} mm is {'met' if good else 'not met yet; ask again' + after}."
        )
    return lines


def _plan_json(found: "Next") -> dict[str, Any]:
    from dataclasses import asdict

    plan = found.plan
    return {
        **asdict(found.who),
        "goal": plan.goal.name,
        "steps": [_step_json(one) for one in found.steps],
        "good": list(plan.good),
        "taken": dict(plan.taken),
        "dropped": list(plan.dropped),
        "tolerance": asdict(plan.tolerance),
        "within_mm": plan.within_mm,
        "places": {v.setting: {"place": str(v.place), "is_set": v.is_set} for v in found.in_force},
    }


def _step_json(one: "NextStep") -> dict[str, Any]:
    from dataclasses import asdict

    cost = {"minutes": one.minutes, "grams": one.grams, "cost": one.cost}
    effort = {} if one.minutes is None else cost
    return {**asdict(one.step), **effort, "command": command_of(one)}
