"""The posterior of a large store, kept in parts: a profile reads some of them, and hardly any sheets.

One row for each shared coordinate holds its mean and its covariance with all others. Sheets that came or
went since are brought in exactly (`calib.profile.excerpt`). It is worked out anew where that can't be
done: after very many, after a change to a printer, an instrument or the past.
"""

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from calib.profile.blocks import Block, Coordinate
from calib.profile.doubts import all_judged, counting, judgement_from_json, judgement_json
from calib.profile.evidence import MODEL
from calib.profile.excerpt import Excerpt, NotInOrder
from calib.profile.knowledge import World
from calib.profile.posterior import Posterior
from calib.profile.prior import Spread
from calib.profile.spools import summed
from calib.store.states import (
    Near,
    State,
    blocks_in_use,
    first_steps,
    made_blocks,
    printer_key,
    spool_key,
    state_from,
    with_first_steps,
    world_of,
)
from calib.store.tables import (
    CorrectionRow,
    NozzleRow,
    PosteriorPartRow,
    PosteriorRow,
    PrinterRow,
    SheetRow,
    SpoolRow,
    UndoRow,
    now,
)

#: So many sheets that came or went are brought in, at most this share of all (but so many in any case);
#: after more of them all is worked out anew, and how far rolls differ learnt again.
MOST_PENDING, _PENDING_SHARE, _FEWEST = 300, 0.1, 20
#: Newest sheets of a printer that are looked at one by one.
_MOST_NEAR = 100
_NEWEST = {"corrections": CorrectionRow, "undos": UndoRow, "printers": PrinterRow, "nozzles": NozzleRow, "spools": SpoolRow}  # fmt: skip


def worked_out(session: Session) -> tuple[State, PosteriorRow, list[PosteriorPartRow]]:
    """Work the posterior of all sheets out, with the rows that keep it.

    How far rolls differ is learnt from where it was learnt last.
    """
    made_at = now()
    newest = {name: _newest(session, table) for name, table in _NEWEST.items()}
    counts = {name: _count(session, _NEWEST[name]) for name in ("corrections", "undos")}
    last = session.get(PosteriorRow, 1)
    blocks = list(blocks_in_use(session))
    known, first = world_of(session), first_steps(blocks)
    state = state_from(blocks, known, _spreads(last.spreads) if last else None)
    whole = Excerpt.whole(state.posterior)
    head = PosteriorRow(
        id=1, model=MODEL, made_at=made_at, newest=newest, counts=counts,
        basis=_basis(known, newest, made_at),
        spreads=[[*key, s.sd, s.dof, s.spools] for key, s in state.posterior.spreads.items()],
        first_steps=[[*key, value, uid] for key, (value, uid) in first.items()],
        judged=[judgement_json(j) for j in state.judged.values()],
    )  # fmt: skip
    parts = [
        PosteriorPartRow(
            id=i, quantity=c.quantity, kind=c.kind, owner=c.owner, epoch=c.epoch,
            mean=float(whole.mean[i]), told=int(whole.told[i]),
            covariance=whole.covariance[i].astype("<f8").tobytes(),
        )
        for i, c in enumerate(whole.coordinates)
    ]  # fmt: skip
    return state, head, parts


def read(session: Session, near: Near) -> State | None:
    """Return the posterior for what is near; None where it has to be worked out anew."""
    head = session.get(PosteriorRow, 1)
    if head is None or head.model != MODEL:
        return None
    known = world_of(session)
    if _basis(known, head.newest, head.made_at) != head.basis:
        return None
    pending = _pending(session, head)
    if pending is None or {uid for *_, uid in head.first_steps} & set(pending.values()):
        return None
    try:
        return _brought_up(session, head, known, near, pending)
    except NotInOrder:
        return None


def _brought_up(
    session: Session, head: PosteriorRow, known: World, near: Near, pending: Mapping[int, str]
) -> State:
    """Read what is near and bring it up to date; the rolls whose sheets changed are judged anew."""
    judged = {j.uid: j for j in map(judgement_from_json, head.judged)}
    # The sheets that are looked at one by one.
    blocks = list(blocks_in_use(session, near_sheets(session, near))) if near.sheets else []
    rolls = _rolls_of(session, pending)
    wanted = {near.spool_id, *rolls, *_rolls_with(session, blocks)} - {None}
    now_there = counting(blocks_in_use(session, _of_rolls(wanted, pending)), judged)
    touched = {spool_key(r) for r in rolls} - {""}
    changed = set(pending.values())
    stayed = [b for b in now_there if b.uid not in changed and b.owner("spool") in touched]
    gone = [b for _, b in made_blocks(session, _were(session, head, pending), head.made_at) if b]
    before = [*stayed, *counting(gone, judged)]
    first = {(p, a): (value, uid) for p, a, value, uid in head.first_steps}
    world = with_first_steps(known, {**first_steps(now_there), **first})
    spreads = _spreads(head.spreads)
    asked = {c for b in (*before, *now_there) for c in b.coordinates}
    excerpt = _excerpt(session, _owners(session, near, asked))

    def with_them(blocks: Iterable[Block]) -> Posterior:
        are = summed(blocks, world)
        after = [s for name, s in are.items() if name in touched or name[6:] in changed]
        brought = excerpt.changed(list(summed(before, world).values()), after, world, spreads)
        rolls = {n: s for n, s in are.items() if not n.startswith("sheet ")}
        return brought.posterior(rolls, world, spreads)

    found = with_them(now_there)
    if pending:
        new = [b for b in now_there if b.owner("spool") in touched or b.uid in changed]
        anew = all_judged(found, new, judged)
        judged = {u: j for u, j in judged.items() if u not in {b.uid for b in new}} | anew
        now_there = counting(now_there, judged)
        found = with_them(now_there)
    return State(found, world, counting(blocks, judged), judged)


def _newest(session: Session, table: Any) -> int:
    return int(session.scalar(select(func.max(table.id))) or 0)


def _count(session: Session, table: Any, after: int = 0) -> int:
    return int(session.scalar(select(func.count(table.id)).where(table.id > after)) or 0)


def _spreads(stored: Iterable[Sequence[Any]]) -> dict[tuple[str, str], Spread]:
    return {(m, q): Spread(sd, dof, n) for m, q, sd, dof, n in stored}


def _basis(world: World, newest: Mapping[str, int], until: datetime) -> dict[str, str]:
    """Return what a posterior rests on beside sheets, so that it is seen when any of that changes.

    What is new since is left out: no sheet in it speaks of that.
    """
    numbers = range(1, newest["printers"] + 1)
    printers = [printer_key(i) for i in numbers]
    rolls = [world.materials.get(spool_key(i)) for i in range(1, newest["spools"] + 1)]
    nozzles = [world.printer_of.get(f"n{i}") for i in range(1, newest["nozzles"] + 1)]
    drives = [(world.drives.get((p, a)), world.steps.get((p, a))) for p in printers for a in "XYZ"]
    events = sorted((e.at, repr(e)) for e in world.events if e.at <= until)
    told = {
        "rolls": rolls, "nozzles": nozzles, "drives": drives, "events": events,
        "instruments": sorted(world.instruments.items()),
    }  # fmt: skip
    return {name: hashlib.sha256(repr(of).encode()).hexdigest() for name, of in told.items()}


def _pending(session: Session, head: PosteriorRow) -> dict[int, str] | None:
    """Return the sheets (id -> uid) of which corrections came or went since.

    None where they are too many, or where they came from elsewhere and are older than they seem.
    """
    for name in ("corrections", "undos"):
        table, newest = _NEWEST[name], head.newest[name]
        late = _count(session, table) - _count(session, table, newest) != head.counts[name]
        if late:  # somebody wrote at the same time and was ready later
            return None
    c, u = CorrectionRow, UndoRow
    came = select(c.sheet_id, c.kept_at).where(c.id > head.newest["corrections"])
    went = select(c.sheet_id, u.at).join(u, u.correction_id == c.id).where(u.id > head.newest["undos"])  # fmt: skip
    rows = [*session.execute(came), *session.execute(went)]
    ids = {sheet for sheet, _ in rows}
    most = min(MOST_PENDING, max(_FEWEST, int(_PENDING_SHARE * _newest(session, SheetRow))))
    if len(ids) > most or any(at <= head.made_at for _, at in rows):
        return None
    named = select(SheetRow.id, SheetRow.uid).where(SheetRow.id.in_(ids))
    return {i: uid for i, uid in session.execute(named)}


def _were(session: Session, head: PosteriorRow, pending: Collection[int]) -> dict[int, datetime]:
    """Return those of some sheets that counted when the posterior was worked out."""
    c = CorrectionRow
    query = (
        select(c.sheet_id, func.max(c.kept_at))
        .outerjoin(UndoRow, UndoRow.correction_id == c.id)
        .where(c.sheet_id.in_(list(pending)), c.id <= head.newest["corrections"])
        .where(or_(UndoRow.id.is_(None), UndoRow.id > head.newest["undos"]))
        .group_by(c.sheet_id)
    )
    return {sheet: at for sheet, at in session.execute(query)}


def near_sheets(session: Session, near: Near, most: int = _MOST_NEAR) -> Any:
    """Return the condition for the sheets of a roll, and the newest of a printer."""
    newest = select(SheetRow.id).where(SheetRow.printer_id == near.printer_id)
    newest = newest.order_by(SheetRow.id.desc()).limit(most)
    of_roll = select(SheetRow.id).where(SheetRow.spool_id == near.spool_id)
    return SheetRow.id.in_({*session.scalars(newest), *session.scalars(of_roll)})


def _rolls_of(session: Session, sheets: Collection[int]) -> set[int | None]:
    return set(
        session.scalars(select(SheetRow.spool_id).where(SheetRow.id.in_(list(sheets))).distinct())
    )


def _rolls_with(session: Session, blocks: Iterable[Block]) -> set[int | None]:
    return {int(b.owner("spool")[1:]) for b in blocks if b.owner("spool")}


def _of_rolls(rolls: Collection[int | None], sheets: Collection[int]) -> Any:
    return or_(SheetRow.spool_id.in_(list(rolls)), SheetRow.id.in_(list(sheets)))


def _owners(session: Session, near: Near, asked: Iterable[Coordinate]) -> set[str]:
    """Return everything that may be asked of: a printer with its nozzles, a type, all that rolls touch."""
    owners = {c.owner for c in asked}
    owners.add(printer_key(near.printer_id or 0))
    tips = select(NozzleRow.id).where(NozzleRow.printer_id == near.printer_id)
    owners |= {f"n{i}" for i in session.scalars(tips)}
    if near.material:
        owners.add(near.material)
    return owners


def _excerpt(session: Session, owners: Collection[str]) -> Excerpt:
    part = PosteriorPartRow
    of_printers = [part.owner.startswith(f"{o} ") for o in owners if o.startswith("p") and o[1:].isdigit()]  # fmt: skip
    query = select(part).where(or_(part.owner.in_(list(owners)), *of_printers)).order_by(part.id)
    rows = session.scalars(query).all()
    at = [r.id for r in rows]
    covariance = [np.frombuffer(r.covariance, dtype="<f8")[at] for r in rows]
    return Excerpt(
        coordinates=tuple(Coordinate(r.quantity, r.kind, r.owner, r.epoch) for r in rows),
        mean=np.array([r.mean for r in rows], float),
        covariance=np.array(covariance, float).reshape(len(at), len(at)),
        told=np.array([r.told for r in rows], np.int64),
    )
