"""`truebead demo`: the whole loop on invented readings, with a store of its own."""

from pathlib import Path
from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import say_safety


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "demo",
        help="Run the whole loop on invented readings.\n\n"
        "Nothing of yours is touched: it has a store of its own in the folder it makes.",
        epilog="Example: truebead demo --out demo-out",
    )(demo)


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to make.")] = Path("demo-out"),
    force: o.Force = False,
) -> None:
    """Play the scenario with the real commands, each shown before it runs."""
    from calib.cli import build_app
    from demo import play
    from demo.folder import made_in

    app = build_app()

    def run(words: list[str]) -> int:
        typer.secho(f"\n$ truebead {' '.join(words)}", bold=True)
        code = app(words, standalone_mode=False)
        if code not in (0, 1, None):
            raise typer.Exit(code)
        return code or 0

    with made_in(out, anew=force):
        play(out, run, lambda text: typer.echo(f"\n{text}"))
    typer.echo("\nOpen these to see what was made:")
    for path in (*sorted(out.glob("*/sheet.html")), *sorted(out.glob("*.svg"))):
        typer.echo(f"  {path}")
    where = out / "store.db"
    typer.echo(f"The store is {where}; look into it with --store {where}")
    say_safety()
