"""Looking at what is known: profiles, differences, and what taking something back leaves to do."""

import math
from datetime import datetime
from typing import TYPE_CHECKING

from calib.errors import BadInput
from calib.model.place import Place
from calib.workshop.context import who_in_store
from calib.workshop.results import Difference, Profile, TakenBack, Who

if TYPE_CHECKING:
    from calib.model.estimate import Estimate
    from calib.profile.influence import Influence
    from calib.store.records import ProfileValue, SaidPlace
    from calib.store.store import Store


def profile(store: "Store", asked: Who, at: datetime | None = None) -> Profile:
    """Return what is known of one printer, nozzle and spool."""
    who = who_in_store(store, asked)
    names = (who.printer, who.nozzle, who.spool)
    # First what needs the sheets one by one: all else is then at hand.
    rests = store.rests(*names) if at is None else {}
    return Profile(
        who=who,
        settings=tuple(store.in_force(*names, at)),
        to_do_once=tuple(store.to_do_once(*names)),
        rests=rests,
        odd=tuple(store.disagreeing(who.printer)) if at is None else (),
    )


def why(store: "Store", setting: str, asked: Who) -> "list[Influence]":
    """Return what each sheet does to a value, the weightiest first."""
    who = who_in_store(store, asked)
    return store.why(setting, who.printer, who.nozzle, who.spool)


def undo(store: "Store", uid: str | None, why: str, asked: Who) -> TakenBack:
    """Take corrections back, and say what has to be set again in the printer.

    Raises
    ------
    BadInput
        Nothing names what to take back, and the store has several printers.
    """
    if uid is None:
        asked = _of_newest(store, asked)
    done = store.undo(
        uid, why, printer=asked.printer or None, nozzle=asked.nozzle or None,
        spool=asked.spool or None,
    )  # fmt: skip
    first = done[0]
    said: dict[str, SaidPlace] = {}
    for p in store.places(first.printer):
        if not first.spool or p.spool == first.spool:
            said.setdefault(p.setting, p)
    now = {}
    if first.nozzle and first.spool:
        now = {v.setting: v.value for v in store.in_force(first.printer, first.nozzle, first.spool)}
    back = {}
    for c in (k.correction for k in done):
        word, value = said.get(c.setting), now.get(c.setting, c.old)
        if word is None or word.place != Place.PRINTER or word.value is None or value is None:
            continue
        if not math.isclose(word.value, value, rel_tol=1e-9):
            back[c.setting] = value
    return TakenBack(corrections=tuple(done), set_back=back)


def _of_newest(store: "Store", asked: Who) -> Who:
    """Return whose newest sheet is meant: the newest one of the whole store may be another printer's."""
    return Who(
        printer=store.printer(asked.printer or None).name, nozzle=asked.nozzle, spool=asked.spool
    )


def differences(store: "Store", asked: Who, against: str, at: datetime | None) -> list[Difference]:
    """Compare a profile with that of another spool, or with itself at an earlier moment.

    Raises
    ------
    BadInput
        Neither another spool nor an earlier moment is given.
    """
    if bool(against) == bool(at):
        raise BadInput("there is nothing to compare with", mend="give --against SPOOL or --at DAY")
    who = who_in_store(store, asked)
    mine = {v.setting: v for v in store.in_force(who.printer, who.nozzle, who.spool)}
    other = store.in_force(who.printer, who.nozzle, against or who.spool, at)
    theirs = {v.setting: v for v in other}
    return [_difference(s, mine.get(s), theirs.get(s)) for s in {**mine, **theirs}]


def _difference(name: str, a: "ProfileValue | None", b: "ProfileValue | None") -> Difference:
    """Compare two values; what comes from the very same correction does not differ."""
    same = a is not None and b is not None and a.source.uid == b.source.uid
    u = 0.0 if same else math.hypot(*(v.u for v in (a, b) if v is not None))
    left, right = (v.value if v is not None else None for v in (a, b))
    difference = left - right if left is not None and right is not None else None
    if difference is None:
        says = "only here" if b is None else "only there" if a is None else ""
    elif same:
        inherited = any(v is not None and v.inherited_from for v in (a, b))
        says = "inherited" if inherited else "the same value"
    else:
        says = "differ" if abs(difference) > 1.96 * u else "not distinguishable"
    return Difference(
        setting=name, value=left, other=right, difference=difference, u=u, expanded_95=1.96 * u,
        says=says,
    )  # fmt: skip


def split(store: "Store", printer: str | None) -> "list[tuple[str, str, Estimate]]":
    """Return (of, what, estimate as a fraction): the machine's own scale, and each spool's shrinkage."""
    return store.split(printer)
