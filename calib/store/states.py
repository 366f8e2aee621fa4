"""The blocks of the kept sheets in the store, and the posterior of all that still count."""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import and_, delete, func, or_, select
from sqlalchemy.orm import Session, joinedload, load_only

from calib.errors import BadInput
from calib.model.correction import Correction, Verdict
from calib.model.instrument import DEFAULTS
from calib.profile.blocks import Block, block_from_json, block_json
from calib.profile.doubts import Judgement, robust
from calib.profile.evidence import MODEL, Made
from calib.profile.kept import block_of_kept, was_set
from calib.profile.knowledge import World
from calib.profile.posterior import Posterior
from calib.profile.prior import Spreads
from calib.readings import Sheet, read_sheet
from calib.store.inventory import instrument_record, printer_record
from calib.store.rows import correction_record, corrections_query
from calib.store.tables import (
    BlockRow,
    CorrectionRow,
    EventRow,
    InstrumentRow,
    MaterialRow,
    NozzleRow,
    PlaceRow,
    PrinterRow,
    SheetRow,
    SpoolRow,
    UndoRow,
)

_AT_ONCE = 500
#: A store with more sheets keeps its posterior in parts (`calib.store.large`).
MOST_SHEETS = 150
_STEPS = tuple(f"steps_{a}_per_mm" for a in "xyz")


def printer_key(row_id: int) -> str:
    """Return how a printer is named in the state."""
    return f"p{row_id}"


def nozzle_key(row_id: int | None) -> str:
    """Return how a nozzle is named in the state; empty where there was none."""
    return "" if row_id is None else f"n{row_id}"


def spool_key(row_id: int | None) -> str:
    """Return how a spool is named in the state; empty where nothing was printed."""
    return "" if row_id is None else f"s{row_id}"


@dataclass(frozen=True, slots=True)
class Near:
    """What a profile is asked of; `sheets` where the sheets by themselves are asked for, too.

    Only a large store makes a difference of it.
    """

    printer_id: int | None = None
    spool_id: int | None = None
    material: str = ""
    sheets: bool = False


@dataclass(frozen=True, eq=False)
class State:
    """The posterior at one moment, with the blocks that it rests on and how they go together."""

    posterior: Posterior
    world: World
    blocks: Sequence[Block]
    judged: Mapping[str, Judgement]


def world_of(session: Session, at: datetime | None = None) -> World:
    """Return what is known without any sheet."""
    printers = session.scalars(select(PrinterRow)).all()
    drives, steps = {}, {}
    for row in printers:
        for axis in printer_record(row).axes:
            key = (printer_key(row.id), axis.axis)
            if axis.drive is not None:
                drives[key] = axis.drive
            if axis.best_steps_per_mm is not None:
                steps[key] = axis.best_steps_per_mm
    # Names are few, rolls many.
    types = {i: name for i, name in session.execute(select(MaterialRow.id, MaterialRow.name))}
    spools = select(SpoolRow.id, SpoolRow.material_id)
    nozzles = select(NozzleRow.id, NozzleRow.printer_id)
    instruments = {
        i.name: i for i in map(instrument_record, session.scalars(select(InstrumentRow)))
    }
    return World(
        drives=drives,
        steps=steps,
        printer_of={nozzle_key(n): printer_key(p) for n, p in session.execute(nozzles)},
        materials={spool_key(s): types[of] for s, of in session.execute(spools)},
        instruments={**DEFAULTS, **instruments},
        events=_events(session, at),
    )


def _events(session: Session, at: datetime | None) -> list[Any]:
    from calib.profile.events import TAKEN_BACK, Happened
    from calib.store.tables import now

    rows = session.execute(
        select(
            EventRow.uid, EventRow.kind, EventRow.at, EventRow.printer_id, EventRow.nozzle_id,
            EventRow.spool_id, EventRow.axis, EventRow.note,
        ).where(EventRow.at <= (at or now()))
    ).all()  # fmt: skip
    undone = {r.note.partition(" ")[0] for r in rows if r.kind == TAKEN_BACK.name}
    return [
        Happened(
            kind=r.kind,
            at=r.at,
            printer="" if r.printer_id is None else printer_key(r.printer_id),
            nozzle=nozzle_key(r.nozzle_id),
            spool=spool_key(r.spool_id),
            axis=r.axis,
        )
        for r in rows
        if r.kind != TAKEN_BACK.name and r.uid not in undone
    ]


def signature(session: Session) -> tuple[Any, ...]:
    """Return numbers that change with everything that the posterior and a profile rest on."""
    return tuple(
        session.execute(
            select(
                select(func.count(CorrectionRow.id)).scalar_subquery(),
                select(func.count(UndoRow.id)).scalar_subquery(),
                select(func.count(EventRow.id)).scalar_subquery(),
                select(func.sum(PrinterRow.version)).scalar_subquery(),
                select(func.count(PrinterRow.id)).scalar_subquery(),
                select(func.count(NozzleRow.id)).scalar_subquery(),
                select(func.count(SpoolRow.id)).scalar_subquery(),
                select(func.sum(SpoolRow.version)).scalar_subquery(),
                select(func.sum(NozzleRow.version)).scalar_subquery(),
                select(func.count(PlaceRow.id)).scalar_subquery(),
                select(func.sum(InstrumentRow.version)).scalar_subquery(),
            )
        ).one()
    )


def is_large(session: Session) -> bool:
    """Whether a store has so many sheets that they are not read whole for one profile."""
    return (session.scalar(select(func.max(SheetRow.id))) or 0) > MOST_SHEETS


def state_of(session: Session, at: datetime | None = None, where: Any = None) -> State:
    """Return the posterior of all sheets that count (at a moment; None: now), or of some of them."""
    return state_from(list(blocks_in_use(session, where, at)), world_of(session, at))


def state_from(blocks: Sequence[Block], world: World, start: Spreads | None = None) -> State:
    """Return the posterior of blocks, each counted for as much as it is likely right."""
    world = with_first_steps(world, first_steps(blocks))
    found = robust(blocks, world, start)
    return State(found.posterior, world, found.blocks, found.judged)


FirstSteps = Mapping[tuple[str, str], tuple[float, str]]


def first_steps(blocks: Iterable[Block]) -> dict[tuple[str, str], tuple[float, str]]:
    """Return (printer, axis) -> the steps/mm of its first sheet that says them, and which that is."""
    first: dict[tuple[str, str], tuple[float, str]] = {}
    for block in sorted(blocks, key=lambda b: (b.at, b.uid)):
        for axis, value in block.steps.items():
            first.setdefault((block.owner("printer"), axis), (value, block.uid))
    return first


def with_first_steps(world: World, first: FirstSteps) -> World:
    """Refer axes whose steps/mm nobody wrote down for the printer to those of their first sheet."""
    return replace(world, steps={**{k: value for k, (value, _) in first.items()}, **world.steps})


def blocks_in_use(
    session: Session, where: Any = None, at: datetime | None = None
) -> Iterator[Block]:
    """Yield the block of every sheet of which something still counts.

    Parameters
    ----------
    where : SQL or None
        A condition on `SheetRow`, of few of them.
    """
    some = None if where is None else list(session.scalars(select(SheetRow.id).where(where)))
    kept_at = _in_use(at, some)
    query = (
        select(
            SheetRow.id, SheetRow.uid, SheetRow.pattern, kept_at.c.at, BlockRow.model, BlockRow.data
        )
        .join(kept_at, kept_at.c.sheet_id == SheetRow.id)
        .outerjoin(BlockRow, BlockRow.sheet_id == SheetRow.id)
        .order_by(SheetRow.id)
    )
    missing: dict[int, datetime] = {}
    for sheet_id, uid, pattern, when, model, data in session.execute(query):
        if model != MODEL or at is not None:
            missing[sheet_id] = when
        elif data:
            yield block_from_json(uid, when, pattern, data)
    for _, block in made_blocks(session, missing, at):
        if block is not None:
            yield block


def without_blocks(session: Session) -> dict[int, datetime]:
    """Return the sheets that have no block of this model, with when they were kept."""
    query = (
        select(SheetRow.id, SheetRow.kept_at)
        .outerjoin(BlockRow, BlockRow.sheet_id == SheetRow.id)
        .where(or_(BlockRow.sheet_id.is_(None), BlockRow.model != MODEL))
    )
    return {sheet_id: when for sheet_id, when in session.execute(query)}


def write_blocks(session: Session, made: dict[int, Block | None]) -> None:
    """Write blocks; those that were written meanwhile are made again by the next who asks."""
    session.execute(delete(BlockRow).where(BlockRow.sheet_id.in_(list(made))))
    session.add_all(
        BlockRow(sheet_id=i, model=MODEL, data=None if b is None else block_json(b))
        for i, b in made.items()
    )


def _in_use(at: datetime | None, sheets: Any = None) -> Any:
    """Return (of some sheets) sheet_id and the time of its newest correction that counts."""
    c = CorrectionRow
    counts: list[Any] = [UndoRow.id.is_(None)]
    if at is not None:
        counts = [c.kept_at <= at, or_(UndoRow.id.is_(None), UndoRow.at > at)]
    if sheets is not None:
        counts.append(c.sheet_id.in_(sheets))
    return (
        select(c.sheet_id.label("sheet_id"), func.max(c.kept_at).label("at"))
        .outerjoin(UndoRow, UndoRow.correction_id == c.id)
        .where(and_(*counts))
        .group_by(c.sheet_id)
        .subquery()
    )


def made_blocks(
    session: Session, sheets: dict[int, datetime], at: datetime | None = None
) -> Iterator[tuple[int, Block | None]]:
    """Make the blocks of some sheets from their text and the corrections that count."""
    ids = sorted(sheets)
    for first in range(0, len(ids), _AT_ONCE):
        some = ids[first : first + _AT_ONCE]
        corrections = _corrections(session, some, at)
        rows = session.scalars(
            select(SheetRow)
            .where(SheetRow.id.in_(some))
            .options(
                load_only(
                    SheetRow.uid, SheetRow.pattern, SheetRow.piece_id, SheetRow.sheet_text,
                    SheetRow.keys, SheetRow.fit, SheetRow.printer_id, SheetRow.nozzle_id,
                    SheetRow.spool_id,
                ),
                joinedload(SheetRow.spool).joinedload(SpoolRow.material),
            )
        ).all()  # fmt: skip
        decided = _decided_steps(session, (row.printer_id for row in rows))
        for row in rows:
            steps = _steps_then(decided, row, sheets[row.id])
            yield row.id, block_of_row(row, corrections[row.id], sheets[row.id], steps)


def _corrections(
    session: Session, sheets: Sequence[int], at: datetime | None
) -> dict[int, list[Correction]]:
    found: dict[int, list[Correction]] = defaultdict(list)
    query = corrections_query().where(CorrectionRow.sheet_id.in_(sheets)).order_by(CorrectionRow.id)
    for row in session.execute(query):
        kept, undo = row[0], row[1]
        late = at is not None and kept.kept_at > at
        if not late and (undo is None or (at is not None and undo.at > at)):
            found[kept.sheet_id].append(correction_record(*row).correction)
    return found


def block_of_row(
    row: SheetRow,
    corrections: Sequence[Correction],
    at: datetime,
    steps: Mapping[str, float],
    sheet: Sheet | None = None,
) -> Block | None:
    """Return the block of one kept sheet; `steps` were in force where it does not say what was set."""
    if sheet is None:
        try:
            sheet = read_sheet(row.sheet_text.encode(), row.piece_id)
        except BadInput:  # of a pattern that is not there any more: its corrections stand for it
            sheet = None
    keys = {str(k): str(v) for k, v in row.keys.items()}
    caliper = sheet.instruments["caliper"] if sheet else DEFAULTS["caliper"]
    made = Made(
        uid=row.uid,
        at=at,
        pattern=row.pattern,
        piece=row.piece_id,
        printer=printer_key(row.printer_id),
        nozzle=nozzle_key(row.nozzle_id),
        spool=spool_key(row.spool_id),
        material=row.spool.material.name if row.spool else "",
        instrument=caliper.name,
        was_set={**steps, **was_set(corrections, keys)},
        part_c=sheet.part_c if sheet else None,
        printed=sheet is None or sheet.piece.printed,
    )
    return block_of_kept(made, sheet, corrections, row.fit, caliper)


Decided = Mapping[tuple[int, str], Sequence[tuple[datetime, int, float]]]


def _decided_steps(session: Session, printers: Iterable[int]) -> Decided:
    """Return (printer, setting) -> when, by which sheet and to what its steps/mm were decided, in order."""
    c = CorrectionRow
    query = (
        select(c.printer_id, c.setting, c.kept_at, c.sheet_id, c.new, c.old, c.verdict)
        .outerjoin(UndoRow, UndoRow.correction_id == c.id)
        .where(c.printer_id.in_(set(printers)), c.setting.in_(_STEPS))
        .where(c.chosen, UndoRow.id.is_(None))
        .order_by(c.kept_at, c.id)
    )
    found: dict[tuple[int, str], list[tuple[datetime, int, float]]] = defaultdict(list)
    for printer, setting, at, sheet, new, old, verdict in session.execute(query):
        value = new if verdict == Verdict.APPLY else old if verdict == Verdict.LEAVE else None
        if value:
            found[printer, setting].append((at, sheet, value))
    return found


def _steps_then(decided: Decided, sheet: SheetRow, at: datetime) -> dict[str, float]:
    """Return the steps/mm that had been decided for a printer before a sheet was kept."""
    found = {}
    for setting in _STEPS:
        rows = decided.get((sheet.printer_id, setting), ())
        for i in range(bisect_left(rows, at, key=lambda row: row[0]) - 1, -1, -1):
            if rows[i][1] != sheet.id:
                found[setting] = rows[i][2]
                break
    return found


def keep_block(session: Session, row: SheetRow, sheet: Sheet | None = None) -> None:
    """Write the block of a sheet anew, after its corrections changed."""
    session.flush()
    corrections = _corrections(session, [row.id], None)[row.id]
    session.execute(delete(BlockRow).where(BlockRow.sheet_id == row.id))
    block = None
    if corrections:
        steps = _steps_then(_decided_steps(session, [row.printer_id]), row, row.kept_at)
        block = block_of_row(row, corrections, row.kept_at, steps, sheet)
    data = None if block is None else block_json(block)
    session.add(BlockRow(sheet_id=row.id, model=MODEL, data=data))
