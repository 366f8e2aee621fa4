"""`truebead profile`: what is in force, where it comes from, and how it came about."""

from typing import TYPE_CHECKING, Any

import typer

from calib.commands.common import JsonOption, print_json
from calib.commands.show import (
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    age,
    half_width,
    iso,
    number,
    say,
    say_table,
)

if TYPE_CHECKING:
    from calib.store.records import InForce, KeptCorrection

profile = typer.Typer(
    no_args_is_help=True, help="Show the corrections in force, their history, and take them back."
)


def register(app: typer.Typer) -> None:
    """Hang the verbs on the command line."""
    app.add_typer(profile, name="profile")


@profile.command(
    epilog="Example: truebead profile show --printer lantern --nozzle brass --spool white-1"
)
def show(
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show each value with where it comes from, how old it is and how sure.

    The narrowest layer that has a value wins: spool, then material, then nozzle, then printer.
    """
    from calib.store import open_store

    with open_store(store) as opened:
        names = (
            opened.printer(printer).name,
            opened.nozzle(printer, nozzle).name,
            opened.spool(spool).name,
        )
        settings = opened.in_force(*names)
    if as_json:
        keys = ("printer", "nozzle", "spool")
        print_json({**dict(zip(keys, names, strict=True)), "settings": [setting_json(v) for v in settings]})  # fmt: skip
        return
    title = f"Profile of {' / '.join(names)}"
    if not settings:
        say(f"{title}: nothing is known yet. See what to print: truebead next")
        return
    say_table(title, ("setting", "value>", "95 %>", "unit", "from", "found", ""), [_row(v) for v in settings])  # fmt: skip
    for v in settings:
        if v.stale:
            say(f"{v.setting} is stale: {v.stale}", "yellow")


def _row(v: "InForce") -> tuple[str, ...]:
    where = str(v.layer)
    if v.inherited_from:
        few = ", ".join(v.inherited_from[:2]) + (" ..." if len(v.inherited_from) > 2 else "")
        where = f"inherited from {few}"
    return (
        v.setting,
        number(v.value, v.u),
        half_width(expanded(v)),
        v.unit,
        where,
        age(v.source.kept_at),
        "stale" if v.stale else "",
    )


def expanded(v: "InForce") -> float:
    """Return the half-width that covers 95 %."""
    from calib.estimate import coverage_factor

    return v.u * coverage_factor(
        float("inf") if v.inherited_from else v.source.correction.error.dof
    )


def setting_json(v: "InForce") -> dict[str, Any]:
    """Return one setting of a profile for machines."""
    return {
        "setting": v.setting,
        "value": v.value,
        "unit": v.unit,
        "u": v.u,
        "expanded_95": expanded(v),
        "layer": str(v.layer),
        "inherited_from": list(v.inherited_from),
        "stale": v.stale,
        "source": correction_json(v.source),
    }


def correction_json(k: "KeptCorrection") -> dict[str, Any]:
    """Return a kept correction for machines."""
    c = k.correction
    return {
        "id": k.uid,
        "setting": c.setting,
        "old": c.old,
        "new": c.new,
        "u_new": c.u_new,
        "unit": c.unit,
        "verdict": str(c.verdict),
        "scope": str(c.scope),
        "chosen": k.chosen,
        "evidence": c.evidence,
        "reason": c.reason,
        "sheet": k.sheet_uid,
        "pattern": k.pattern,
        "piece": k.piece_id,
        "printer": k.printer,
        "nozzle": k.nozzle,
        "material": k.material,
        "spool": k.spool,
        "kept_at": iso(k.kept_at),
        "by_version": k.by_version,
        "undone_at": iso(k.undone_at),
        "why_undone": k.why_undone,
    }
