"""`truebead store`: export, import, merge, back up, restore and check the store."""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from calib.commands import options as o
from calib.commands.common import answer, print_json
from calib.commands.show import console, say

if TYPE_CHECKING:
    from calib.store.importing import ImportResult

T = TypeVar("T")
store_app = typer.Typer(
    no_args_is_help=True, help="Export, import, merge, back up, restore and check the store."
)


def register(app: typer.Typer) -> None:
    """Hang the verbs on the command line."""
    app.add_typer(store_app, name="store")


def counting(items: Iterable[T], what: str) -> Iterator[T]:
    """Pass items on; show how many on a terminal, since large stores take a while."""
    import sys

    if not sys.stderr.isatty():
        yield from items  # so that closing this closes them, too
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn

    columns = (SpinnerColumn(), TextColumn("{task.description} {task.completed:.0f}"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what)
        for item in items:
            yield item
            progress.advance(task)


@store_app.command(epilog="Example: truebead store export lantern.json --printer lantern")
def export(
    file: Path,
    printer: Annotated[
        str | None, typer.Option("--printer", "-p", help="Only this printer and what it used.")
    ] = None,
    force: o.Force = False,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Write everything that is kept to a JSON file. `truebead store schema` describes it."""
    from calib.store import open_store
    from calib.store.exchange_file import write_records

    with open_store(store, make=False) as opened:
        count = write_records(file, counting(opened.records(printer), "records"), force=force)
    data = {"file": str(file), "records": count}
    answer(data, [f"{count} records are in {file}."], as_json=as_json)


SameOption = Annotated[list[str] | None, typer.Option("--same", metavar="'printer NAME[=OURS]'",
    help="A thing of theirs that is one of ours, though their data differ; ours are kept.")]  # fmt: skip
RenameOption = Annotated[list[str] | None, typer.Option("--rename", metavar="'printer NAME=NEW'",
    help="A thing of theirs whose name is taken here by another one, and what to call it here.")]  # fmt: skip
WithoutUnsafeOption = Annotated[bool, typer.Option("--without-unsafe",
    help="Leave out corrections that are beyond the printer's ratings or make no sense.")]  # fmt: skip


@store_app.command("import", epilog="Example: truebead store import lantern.json")
def import_(
    file: Path,
    same: SameOption = None,
    rename: RenameOption = None,
    without_unsafe: WithoutUnsafeOption = False,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Take an export in. What is there already is not taken twice; all of it or nothing."""
    from calib.store import open_store
    from calib.store.clash import decisions
    from calib.store.exchange_file import read_records

    decided = decisions(same or [], rename or [], without_unsafe=without_unsafe)
    with open_store(store) as opened:
        records = counting(read_records(file), "records")
        _say_taken(opened.take_in(records, decided, source=str(file)), str(file), as_json)


@store_app.command(epilog="Example: truebead store merge /media/stick/truebead.sqlite")
def merge(
    other: Annotated[str, typer.Argument(metavar="PATH|URL", help="The other store; it stays.")],
    same: SameOption = None,
    rename: RenameOption = None,
    without_unsafe: WithoutUnsafeOption = False,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Take everything of another store in, without duplicates."""
    from calib.errors import StoreError
    from calib.store import open_store
    from calib.store.clash import decisions
    from calib.store.engine import same_store

    decided = decisions(same or [], rename or [], without_unsafe=without_unsafe)
    if same_store(other, store):
        raise StoreError(
            "that is this very store", where=other, mend="give another one's file or URL"
        )
    if "://" not in other and not Path(other).is_file():
        raise StoreError("there is no such store", where=other, mend="give its file or URL")
    with open_store(store) as opened, open_store(other, make=False, read_only=True) as source:
        records = counting(source.records(), "records")
        _say_taken(opened.take_in(records, decided, source=source.where), source.where, as_json)


def _say_taken(taken: "ImportResult", source: str, as_json: bool) -> None:
    from calib.report.store_words import taken_json, taken_lines

    answer(taken_json(taken, source), taken_lines(taken, source), as_json=as_json)


@store_app.command(epilog="Example: truebead store backup before-the-move.sqlite")
def backup(
    file: Path, force: o.Force = False, store: o.Store = None, as_json: o.Json = False
) -> None:
    """Copy the store to a file, even while others write to it."""
    from shlex import quote

    from calib.store import open_store

    with open_store(store, make=False) as opened:
        opened.backup(file, force=force)
    line = f"The store is copied to {file}. Put it back with: truebead store restore {quote(str(file))}"
    answer({"backup": str(file)}, [line], as_json=as_json)


@store_app.command(epilog="Example: truebead store restore before-the-move.sqlite")
def restore(file: Path, store: o.Store = None, as_json: o.Json = False) -> None:
    """Put a back-up in the store's place. What was there is set aside, not deleted."""
    from calib.store import open_store
    from calib.store.restore import restore as put_back

    aside = put_back(store, file)
    with open_store(store) as opened:
        where = opened.where
    lines = [f"{file} is in use now, at {where}."]
    if aside is not None:
        lines.append(f"What was there before is at {aside}.")
    data = {"store": where, "aside": None if aside is None else str(aside)}
    answer(data, lines, as_json=as_json)


@store_app.command(epilog="Example: truebead store check")
def check(store: o.Store = None, as_json: o.Json = False) -> None:
    """Look whether the store is whole; exits with 1 if not."""
    from calib.store import open_store

    with open_store(store, make=False) as opened:
        with console().status("Looking through the store"):
            wrong = opened.check()
        counts, where = opened.counts(), opened.where
    if as_json:
        print_json({"store": where, "counts": counts, "problems": wrong})
    else:
        say(f"{where}: {', '.join(f'{n} {what}' for what, n in counts.items())}.")
        for text in wrong:
            say(text, "yellow")
        say("All is well." if not wrong else "Restore a back-up: truebead store restore FILE")
    if wrong:
        raise typer.Exit(1)


@store_app.command(epilog="Example: truebead store schema")
def schema() -> None:
    """Print the JSON Schema of an export."""
    from calib.store.exchange_file import schema as published

    print_json(published())
