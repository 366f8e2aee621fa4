"""What the user owns: printers with their nozzles and drives, spools, and what is measured with."""

from dataclasses import replace
from typing import Any

from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.pages.grid import grid_cell, overview
from calib.desk.pages.meant import chosen, spools_to_choose
from calib.desk.settings import half_width, label, spell
from calib.desk.web import Ask, Page, go, show
from calib.errors import BadInput
from calib.workshop.results import Who

#: Value -> label, what it is like, drive, icon. Common practice, no source.
DRIVES: tuple[tuple[str, str, str, dict[str, Any], str], ...] = (
    ("", "I don't know", "nothing is taken for granted", {}, "unknown"),
    ("belt20", "Belt, 20 teeth", "the most common: a belt with 2 mm from tooth to tooth round a wheel of 20 teeth", {"belt_pitch_mm": 2.0, "pulley_teeth": 20}, "belt"),
    ("belt16", "Belt, 16 teeth", "the same with a smaller wheel", {"belt_pitch_mm": 2.0, "pulley_teeth": 16}, "belt"),
    ("screw8", "Screw, 8 mm a turn", "a steep thread; often on Z", {"screw_lead_mm": 8.0}, "screw"),
    ("screw2", "Screw, 2 mm a turn", "a fine thread; often on Z", {"screw_lead_mm": 2.0}, "screw"),
)  # fmt: skip


_ASKED_PRINTER = ("name", "x", "y", "z", "hot", "bore")
_ASKED_SPOOL = ("name", "type", "other", "colour", "density", "grams")


def printer(ask: Ask) -> Page:
    """Show a printer: what is known of it, and what it is good for."""
    shop = ask.shop
    name = ask.text("printer")
    found = next((p for p in shop.printers() if p.name == name), None)
    if found is None:
        raise BadInput(f"there is no printer {name!r}")
    return _printer_page(ask, found)


def _printer_page(ask: Ask, found: Any, error: BadInput | None = None) -> Page:
    shop = ask.shop
    return show(
        "printer.html",
        400 if error else 200,
        error=error,
        who=Who(printer=found.name),
        printer=found,
        nozzles=shop.nozzles(found.name),
        drives=DRIVES,
        axes=[
            {"axis": a, "drive": _drive_name(found.axis(a).drive), "steps": found.axis(a).steps_per_mm}
            for a in "XYZ"
        ],
        spools=spools_to_choose(ask),
        links={
            "event": f"/happened?{says.query(Who(printer=found.name))}",
            "history": f"/history?{says.query(Who(printer=found.name))}",
        },
    )  # fmt: skip


def _drive_name(drive: Any) -> str:
    if drive is None:
        return ""
    for value, _, _, known, _ in DRIVES[1:]:
        if all(getattr(drive, k) == v for k, v in known.items()):
            return value
    return ""


def change_printer(ask: Ask) -> Page | Response:
    """Change what is known of a printer."""
    shop = ask.shop
    found = next((p for p in shop.printers() if p.name == ask.text("printer")), None)
    if found is None:
        raise BadInput(f"there is no printer {ask.text('printer')!r}")
    try:
        numbers: dict[str, Any] = {
            field: ask.number(field, what)
            for field, what in (
                ("build_x_mm", "left to right"),
                ("build_y_mm", "front to back"),
                ("build_z_mm", "the height"),
                ("hot_end_max_c", "the hot end's highest temperature"),
                ("bed_max_c", "the bed's highest temperature"),
                ("layer_mm", "the layer height"),
            )
        }
        seen = ask.text("version")
        changed = replace(found, **numbers, axes=_axes(ask, found))
        shop.change_printer(changed, int(seen) if seen.isdecimal() else None)
    except BadInput as err:
        return _printer_page(ask, found, err)
    return go("/printer", "changed", printer=found.name)


def _axes(ask: Ask, found: Any) -> tuple[Any, ...]:
    """Return the axes with the drives that were chosen; what was not asked stays."""
    from calib.model.drive import Drive
    from calib.store.records import Axis

    known: dict[str, dict[str, Any]] = {value: given for value, _, _, given, _ in DRIVES}
    axes = {a.axis: a for a in found.axes}
    for name in "XYZ":
        chosen, steps = ask.text(f"drive.{name}"), ask.text(f"steps.{name}")
        given = known.get(chosen, {})
        before = axes.get(name, Axis(axis=name))
        drive = (
            before.drive
            if chosen == _drive_name(before.drive)
            else (Drive(**given) if given else None)
        )
        axes[name] = replace(
            before,
            drive=drive,
            steps_per_mm=ask.number(f"steps.{name}", f"steps/mm of {name}") if steps else None,
        )  # fmt: skip
    return tuple(a for a in axes.values() if a.drive is not None or a.steps_per_mm is not None)


def new_printer(ask: Ask) -> Page:
    """Ask for another printer."""
    return show("new_printer.html", error=None, given=dict.fromkeys(_ASKED_PRINTER, ""))


def add_printer(ask: Ask) -> Page | Response:
    """Add a printer with its nozzle."""
    shop = ask.shop
    given = {k: ask.text(k) for k in _ASKED_PRINTER}
    try:
        build = (ask.number("x", "left to right"), ask.number("y", "front to back"), ask.number("z", "the height"))  # fmt: skip
        known = {"hot_end_max_c": ask.number("hot", "the temperature")} if given["hot"] else {}
        added = shop.add_printer(given["name"], build, **known)
        bore = ask.number("bore", "the nozzle's hole") if given["bore"] else 0.4
        shop.add_nozzle(f"{bore:g} mm", added.name, bore)
    except BadInput as err:
        return show("new_printer.html", 400, error=err, given=given)
    return go("/printer", "added", printer=added.name)


def add_nozzle(ask: Ask) -> Page | Response:
    """Add a nozzle to a printer."""
    shop = ask.shop
    printer = ask.text("printer")
    bore = ask.number("bore", "the nozzle's hole")
    shop.add_nozzle(ask.text("name") or f"{bore:g} mm", printer, bore)
    return go("/printer", "added", printer=printer)


def spool(ask: Ask) -> Page:
    """Show a spool: what is known of it on each printer."""
    shop = ask.shop
    found = bench.spool(shop, ask.text("spool"))
    cells = [c for r in overview(ask).rows if r.spool == found.name for c in r.cells]
    measured = [c.printer for c in cells if c.newest] or [c.printer for c in cells[:1]]
    return show(
        "spool.html",
        who=Who(spool=found.name),
        spool=found,
        profiles=ask.remembered(
            "spool", found.name, work_out=lambda: _profiles(shop, found.name, measured)
        ),
        others=[grid_cell(c, found.name) for c in cells if c.printer not in measured],
        event_link=f"/happened?{says.query(Who(spool=found.name))}",
    )


def _profiles(shop: Any, name: str, printers: list[str]) -> list[dict[str, Any]]:
    """Return what is known of a spool on some printers; with several nozzles, where anything is."""
    every = [
        _profile(shop, Who(printer=printer, nozzle=n.name, spool=name))
        for printer in printers
        for n in shop.nozzles(printer)
    ]
    return [p for p in every if p["rows"]] or every[:1]


def _profile(shop: Any, who: Who) -> dict[str, Any]:
    rows = [
        {
            "label": label(v.setting),
            "value": spell(v.setting, v.value) if v.value is not None else "as it is",
            "sure": half_width(v.setting, v.expanded) if v.expanded else "",
            "state": "stale" if v.stale else "inherited" if v.inherited_from else "good",
            "words": v.stale or (f"from {', '.join(v.inherited_from[:3])}" if v.inherited_from else f"measured on {v.source.kept_at:%-d %B}"),
        }
        for v in bench.in_force(shop, who)
    ]  # fmt: skip
    query = says.query(who)
    return {"who": who, "rows": rows, "next": f"/next?{query}", "values": f"/values?{query}"}


_OWNED = ("printer", "spool")


def _owned(ask: Ask) -> tuple[str, str]:
    """Return what is meant: printer or spool, and its name."""
    what = ask.text("what")
    if what not in _OWNED:
        raise BadInput("it is not said what is meant")
    return what, ask.text("name")


def rename(ask: Ask) -> Response:
    """Give a printer or a spool another name; its history stays its own."""
    what, name = _owned(ask)
    new = ask.text("new")
    ask.shop.rename(what, name, new)
    return go(f"/{what}", "changed", **{what: new})


def retire(ask: Ask) -> Response:
    """Take a printer or a spool out of use; its history stays."""
    ask.shop.retire(*_owned(ask))
    return go("/", "retired")


def new_spool(ask: Ask) -> Page:
    """Ask for another spool."""
    return _new_spool(ask, {**dict.fromkeys(_ASKED_SPOOL, ""), "type": "PLA"})


def _new_spool(ask: Ask, given: dict[str, str], error: BadInput | None = None) -> Page:
    from patterns.filaments import filaments

    return show("new_spool.html", 400 if error else 200, error=error, given=given, types=list(filaments()))  # fmt: skip


def add_spool(ask: Ask) -> Page | Response:
    """Add a spool."""
    shop = ask.shop
    given = {k: ask.text(k) for k in _ASKED_SPOOL}
    material = given["other"] or given["type"]
    try:
        known: dict[str, Any] = {"colour": given["colour"]}
        if given["density"]:
            known["density_g_cm3"] = ask.number("density", "the density")
        if given["grams"]:
            known["grams"] = ask.number("grams", "the mass")
        added = shop.add_spool(given["name"], material, **known)
    except BadInput as err:
        return _new_spool(ask, given, err)
    printers = shop.printers()
    if len(printers) == 1:
        return go("/next", "added", printer=printers[0].name, spool=added.name)
    return go("/spool", "added", spool=added.name)


def instruments(ask: Ask) -> Page:
    """Show what is measured with, and ask for more."""
    return _instruments(ask)


def _instruments(ask: Ask, error: BadInput | None = None) -> Page:
    from calib.model.instrument import DEFAULTS

    shop = ask.shop
    own = shop.instruments() if shop.store_if_any() else []
    return show(
        "instruments.html", 400 if error else 200, error=error, own=own, usual=DEFAULTS["caliper"]
    )


def add_instrument(ask: Ask) -> Page | Response:
    """Add an instrument."""
    try:
        known = {
            field: ask.number(field, what)
            for field, what in (("resolution", "the smallest step"), ("mpe", "the permissible error"))
            if ask.text(field)
        }  # fmt: skip
        kind = ask.text("kind", "caliper")
        ask.shop.add_instrument(ask.text("name") or f"my {kind}", kind, **known)
    except BadInput as err:
        return _instruments(ask, err)
    return go("/instruments", "added")


def _parameters(name: str) -> list[tuple[str, str, str, tuple[str, ...]]]:
    """Return name, words, usual value and choices of what can be chosen on a piece."""
    from patterns import registry

    return [
        (key, says.sentence(f"{p.help}, {p.unit}" if p.unit else p.help), f"{usual}", p.choices)
        for key, (p, usual) in registry.get(name).spec_type.params().items()
    ]


def pieces(ask: Ask) -> Page:
    """Show every pattern, to make any of them."""
    from patterns import registry

    shop = ask.shop
    who = chosen(ask)
    every = [*registry.all_patterns(), *registry.all_checks()]
    shown = []
    for name, piece in zip(every, bench.laid_out(shop, [(n, {}) for n in every], who), strict=True):
        if piece is None:
            shown.append({"pattern": name, "title": says.question_of(name), "fits": False})
            continue
        count, words = says.readings(list(piece.by_hand))
        shown.append(
            {
                "pattern": name,
                "title": says.question_of(name),
                "name": says.name_of(name),
                "fits": True,
                "readings": f"{count} {words}",
                "parameters": _parameters(name),
                "picture": f"/picture/{name}.svg?{says.query(who)}" if piece.printed else "",
            }
        )
    return show("pieces.html", who=who, pieces=shown)
