"""The first visit: three questions, and the first piece to print."""

from typing import Any

from starlette.responses import Response

from calib.desk.web import Ask, Page, go, show
from calib.errors import BadInput
from calib.workshop.inventory import CAUTIOUS

#: Value -> label, what it is like, icon. Common practice, no source.
SIZES = (
    ("120x120x120", "About 12 cm", "a small one: 120 × 120 mm", "size-s"),
    ("180x180x180", "About 18 cm", "180 × 180 mm", "size-m"),
    ("220x220x250", "About 22 cm", "the most common: 220 × 220 mm", "size-l"),
    ("300x300x300", "30 cm and more", "300 × 300 mm", "size-x"),
)
_USUAL_SIZE = "220x220x250"
#: Small enough for every printer that is sold for use at home.
_SAFE_SIZE = "100x100x100"
GOALS = (
    ("size", "True sizes", "a caliper: a sliding measure with two jaws", "caliper"),
    ("clean", "Clean surfaces, no strings", "only your eyes", "eye"),
    ("fits", "Parts that fit into each other", "a caliper and your fingers", "one"),
    ("fast", "Fast and still clean", "a caliper or a ruler, and your eyes", "bolt"),
    ("all", "Everything, from the beginning", "a caliper, your eyes, and some patience", "list"),
)
_MORE = {
    "PLA": "the most common; easy to print",
    "PETG": "tougher, strings a little",
    "ABS": "needs a hot bed; shrinks more",
    "ASA": "like ABS, for outdoors",
    "TPU": "soft, like rubber",
    "PA6": "nylon; takes up water",
    "PA12": "nylon; takes up less water",
    "PC": "polycarbonate; very hot",
}
_FIELDS = {
    "size": _USUAL_SIZE, "x": "", "y": "", "z": "", "type": "PLA", "goal": "size",
    "printer": "printer 1", "spool": "", "bore": "", "hot": "",
}  # fmt: skip


def first(ask: Ask) -> Page:
    """Show one of the three questions; what was answered before comes along in the address."""
    given = {name: ask.text(name, usual) for name, usual in _FIELDS.items()}
    step = ask.text("step", "1")
    step_number = int(step) if step in ("1", "2", "3") else 1
    error = None
    if step_number > 1:
        try:
            build_of(ask)
        except BadInput as err:
            step_number, error = 1, err
    return _question(step_number, given, error)


def _question(step: int, given: dict[str, str], error: BadInput | None = None) -> Page:
    from patterns.filaments import filaments

    known = [(t, t, _MORE.get(t, "")) for t in filaments()]
    other: Any = (
        "other",
        "Something else",
        "it is taken like PLA; write its type on the spool's page",
    )
    given = {**given, "spool": given["spool"] or f"{given['type']} 1"}
    return show(
        "first.html", 400 if error else 200, step=step, given=given, error=error, sizes=SIZES,
        types=[*known, other], goals=GOALS, low_limit=f"{CAUTIOUS['hot_end_max_c']:g}",
    )  # fmt: skip


def build_of(ask: Ask) -> tuple[float, float, float]:
    """Return the build volume in mm that was chosen or written."""
    size = ask.text("size", _USUAL_SIZE)
    if size == "own":
        x, y, z = (
            ask.number(n, what)
            for n, what in (("x", "left to right"), ("y", "front to back"), ("z", "the height"))
        )
        if not all(40 <= v <= 3000 for v in (x, y, z)):
            raise BadInput(
                "a printer's build volume is 40 to 3000 mm each way",
                mend="write millimetres, such as 220",
            )
        return x, y, z
    sizes = {s[0] for s in SIZES}
    chosen = size if size in sizes else _SAFE_SIZE
    x, y, z = (float(v) for v in chosen.split("x"))
    return x, y, z


def begin(ask: Ask) -> Page | Response:
    """Note printer, nozzle and spool, and go to the first print."""
    given = {name: ask.text(name, usual) for name, usual in _FIELDS.items()}
    try:
        who = _added(ask, given)
    except BadInput as err:
        return _question(3, given, err)
    goal = given["goal"] if given["goal"] in {g[0] for g in GOALS} else "all"
    return go("/next", "welcome", **who, goal=goal)


def _added(ask: Ask, given: dict[str, str]) -> dict[str, str]:
    bore = ask.number("bore", "the nozzle's hole") if given["bore"] else 0.4
    known = {}
    if given["hot"]:
        known["hot_end_max_c"] = ask.number("hot", "the highest temperature")
    printer = given["printer"] or _FIELDS["printer"]
    type_ = "PLA" if given["type"] == "other" else given["type"]
    spool = given["spool"] or f"{type_} 1"
    nozzle = f"{bore:g} mm"
    shop = ask.shop
    shop.add_printer(printer, build_of(ask), **known)
    shop.add_nozzle(nozzle, printer, bore)
    if spool not in {s.name for s in shop.spools()}:
        shop.add_spool(spool, type_)
    return {"printer": printer, "nozzle": nozzle, "spool": spool}
