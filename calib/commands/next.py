"""`truebead next`: the shortest sequence of pieces that makes a profile fit for use again."""

from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import answer, say_safety
from calib.commands.show import console


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(
        "next",
        epilog="Example: truebead next --goal size --within 0.2 --part 200 --pieces 8",
    )(next_)


def next_(
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    goal: Annotated[
        str,
        typer.Option(help="all, fits, clean (looks), size (with --within), fast (ripples, slack)."),
    ] = "all",
    within: Annotated[
        float | None, o.number_option("Tolerance wanted, mm; for --goal size.")
    ] = None,
    part: Annotated[float, o.number_option("Length of your part in mm.")] = 100.0,
    pieces: Annotated[int, typer.Option(help="How many such parts join in a row or a ring.")] = 1,
    minutes: Annotated[float | None, o.number_option("Minutes of printing there are.")] = None,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Say what to print or to measure next.

    The fewest minutes that reach the goal; what a piece would tell is worked out beforehand.
    """
    from calib.report.next_words import next_json, next_lines
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        found = workshop.next(
            goal, within_mm=within, part_mm=part, pieces=pieces, minutes=minutes,
            printer=printer, nozzle=nozzle, spool=spool,
        )  # fmt: skip
    answer(next_json(found), next_lines(found, console().width), as_json=as_json)
    if found.steps:
        say_safety(as_json=as_json)
