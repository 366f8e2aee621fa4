"""`truebead doctor`: look whether everything is there that the work needs."""

import typer

from calib.commands import options as o
from calib.commands.common import print_json
from calib.commands.show import say


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(epilog="Example: truebead doctor")(doctor)


def doctor(store: o.Store = None, as_json: o.Json = False) -> None:
    """Look whether everything is there that the work needs.

    Versions, libraries, the store, fonts and write access; exits with 1 where one fails.
    """
    from calib.workshop.health import look_over

    found = look_over(store)
    if as_json:
        print_json([{"what": f.what, "found": f.found, "good": f.good, "mend": f.mend} for f in found])  # fmt: skip
    else:
        for f in found:
            mark = {True: "good ", False: "BAD  ", None: "     "}[f.good]
            say(f"{mark} {f.what}: {f.found}", "" if f.good is not False else "yellow")
            if f.good is False and f.mend:
                say(f"      {f.mend}")
    if any(f.good is False for f in found):
        raise typer.Exit(1)
