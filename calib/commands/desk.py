"""`truebead desk`: the guided pages in the browser, on this machine or also on the local network."""

from pathlib import Path
from typing import Annotated

import typer

from calib.commands import options as o


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(
        "desk",
        help="Open the guided pages in the browser.\n\nWhat to print, measuring, what to set, one question at a time.\n\n"
        "They are served on this machine alone; --lan also lets a phone beside the printer in, by a"
        " code that counts once.",
        epilog="Example: truebead desk --lan",
    )(desk)


def desk(
    store: o.Store = None,
    port: Annotated[
        int | None,
        typer.Option(min=1, max=65535, help="Port to serve on (default: the first free one)."),
    ] = None,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let phones on the local network in, with a code.")
    ] = False,
    open_: Annotated[
        bool, typer.Option("--open/--no-open", help="Open the browser at once.")
    ] = True,
    demo: Annotated[
        Path | None,
        typer.Option(
            "--demo", help="Show an invented workshop, kept in this folder.", metavar="FOLDER"
        ),
    ] = None,
) -> None:
    """Serve until Ctrl-C."""
    from calib.desk.serve import serve
    from calib.workshop import open_workshop

    if demo is not None:
        from demo.museum import example_store

        store = str(example_store(demo, typer.echo))
    with open_workshop(store) as workshop:
        serve(workshop, port=port, lan=lan, open_browser=open_, say=typer.echo)
