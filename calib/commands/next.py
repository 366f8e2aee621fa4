"""`truebead next`: the shortest sequence of pieces that makes a profile fit for use again."""

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands.common import SAFETY, JsonOption, print_json
from calib.commands.show import (
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    place_lines,
    say,
)

if TYPE_CHECKING:
    from calib.model.request import Request
    from calib.plan.steps import Plan, Step
    from calib.store.records import Spool
    from patterns.spec import PrintSetup


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
    from calib.plan.steps import plan
    from calib.store import open_store

    with open_store(store, make=False) as opened:
        known = opened.known(printer, nozzle, spool)
        names = (known.printer.name, opened.nozzle(known.printer.name, nozzle).name, known.spool)
        setup = opened.setup_for(*names)
        reel = opened.spool(known.spool)
    found = plan(known, goal, within_mm=within, part_mm=part, pieces=pieces)
    found = replace(found, steps=tuple(_fitted(step, setup) for step in found.steps))
    costs = [_cost(step, setup, reel) for step in found.steps]
    if as_json:
        places = {v.setting: {"place": str(v.place), "is_set": v.is_set} for v in known.in_force}
        print_json({**_plan_json(names, found, costs), "places": places})
    else:
        _say_plan(names, found, costs)
        for line in place_lines(known.in_force, f" {options(names)}"):
            say(line)


def _fitted(step: "Step", setup: "PrintSetup") -> "Step":
    """Return a step whose piece this printer can build."""
    from calib.model.request import Request, fitting

    made, words = fitting(Request(pattern=step.piece, parameters=step.parameters), setup)
    why = (*step.why, words) if words else step.why
    return replace(step, parameters=made.parameters, why=why)


def _request(step: "Step") -> "Request":
    from calib.model.request import Request

    return Request(pattern=step.piece, parameters=step.parameters)


def _cost(step: "Step", setup: "PrintSetup", spool: "Spool") -> dict[str, float | None]:
    """Return minutes, grams and price of a piece; empty for a check without plastic."""
    from calib.plan.cost import piece_cost

    found = piece_cost(_request(step).pattern, _request(step).typed, setup, spool)
    return (
        {}
        if found is None
        else {"minutes": found.minutes, "grams": found.grams, "cost": found.cost}
    )


def command_of(step: "Step", names: tuple[str, str, str]) -> str:
    """Return what to type to make a step's piece."""
    sets = "".join(f" --set {k}={v}" for k, v in _request(step).typed.items())
    return f"truebead make {step.piece} {options(names)}{sets}"


def options(names: tuple[str, str, str]) -> str:
    """Return the options that name printer, nozzle and spool, as a shell takes them."""
    from shlex import quote

    printer, nozzle, spool = map(quote, names)
    return f"--printer {printer} --nozzle {nozzle} --spool {spool}"


def _say_plan(
    names: tuple[str, str, str], found: "Plan", costs: list[dict[str, float | None]]
) -> None:
    from calib.model.setting import topic

    say(f"{' / '.join(names)}, for {found.goal.what}:", "bold")
    if not found.steps:
        say("Nothing to print: the profile is fit for use.")
    for i, (step, cost) in enumerate(zip(found.steps, costs, strict=True), 1):
        effort = _effort(cost)
        say(f"{i}. {step.piece}{f' ({effort})' if effort else ''}", "bold")
        say(f"   settles {step.settles}")
        for why in step.why:
            say(f"   because {why}")
        say(f"   {command_of(step, names)}")
    total = _effort({k: sum(c.get(k) or 0.0 for c in costs) for k in ("minutes", "grams", "cost")})
    if len(found.steps) > 1 and total:
        say(f"In all {total}. After each: truebead keep SHEET {options(names)}, then truebead next again: a change may make a later piece needless.")  # fmt: skip
    if found.good:
        say(f"Still good: {', '.join(topic(t).what for t in found.good)}.")
    if found.taken:
        taken = ", ".join(f"{topic(t).what} ({words})" for t, words in found.taken.items())
        say(f"Taken as they are, not measured: {taken}.")
    if found.dropped:
        say(f"Left out, since it does not matter to this goal: {', '.join(topic(t).what for t in found.dropped)}.")  # fmt: skip
    for line in tolerance_lines(found):
        say(line)
    if found.steps:
        say(SAFETY)


def _effort(cost: dict[str, Any]) -> str:
    parts = []
    minutes, grams, price = (cost.get(k) or 0.0 for k in ("minutes", "grams", "cost"))
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


def _plan_json(
    names: tuple[str, str, str], found: "Plan", costs: list[dict[str, float | None]]
) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        **dict(zip(("printer", "nozzle", "spool"), names, strict=True)),
        "goal": found.goal.name,
        "steps": [
            {**asdict(step), **cost, "command": command_of(step, names)}
            for step, cost in zip(found.steps, costs, strict=True)
        ],
        "good": list(found.good),
        "taken": dict(found.taken),
        "dropped": list(found.dropped),
        "tolerance": asdict(found.tolerance),
        "within_mm": found.within_mm,
    }
