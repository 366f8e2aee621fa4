"""The tables of the store, as typed models; the first migration makes the same ones.

Names of things (printer, nozzle, spool, instrument) are the user's keys. `uid` never changes and is
what two stores are merged by. Sheets, readings, corrections, undos, events and places are
only ever added.
"""

from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import JSON, DateTime, ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.types import TypeDecorator

from patterns.text import shown_text


def new_uid() -> str:
    """Return a name that no other store will give."""
    return uuid4().hex


def now() -> datetime:
    """Return the time in UTC."""
    return datetime.now(UTC)


class UtcTime(TypeDecorator[datetime]):
    """A time in UTC, stored without its zone because SQLite knows none."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn an aware time into UTC without zone."""
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give the zone back."""
        return None if value is None else value.replace(tzinfo=UTC)


class ShownText(TypeDecorator[str]):
    """Text as somebody wrote it, which comes out without control characters whatever went in."""

    impl = String
    cache_ok = True

    def process_result_value(self, value: str | None, dialect: Dialect) -> str | None:
        """Make it fit to be shown."""
        return None if value is None else shown_text(value)


class Base(DeclarativeBase):
    """Base of all tables."""

    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy's way
        datetime: UtcTime, dict[str, Any]: JSON, list[Any]: JSON, str: ShownText,
    }  # fmt: skip


class PrinterRow(Base):
    """A printer; its axes hang on it."""

    __tablename__ = "printers"
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    name: Mapped[str] = mapped_column(unique=True)
    build_x_mm: Mapped[float]
    build_y_mm: Mapped[float]
    build_z_mm: Mapped[float]
    hot_end_max_c: Mapped[float]
    bed_max_c: Mapped[float]
    layer_mm: Mapped[float]
    filament_mm: Mapped[float]
    added_at: Mapped[datetime] = mapped_column(default=now)
    retired_at: Mapped[datetime | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column()
    axes: Mapped[list["AxisRow"]] = relationship(
        cascade="all, delete-orphan", lazy="selectin", order_by="AxisRow.id"
    )
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012 - SQLAlchemy's way


class AxisRow(Base):
    """How one axis of a printer is driven, and the steps/mm set."""

    __tablename__ = "axes"
    __table_args__ = (UniqueConstraint("printer_id", "axis"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    printer_id: Mapped[int] = mapped_column(ForeignKey("printers.id"))
    axis: Mapped[str]
    steps_per_mm: Mapped[float | None]
    motor_steps: Mapped[int | None]
    microsteps: Mapped[int | None]
    belt_pitch_mm: Mapped[float | None]
    pulley_teeth: Mapped[int | None]
    screw_lead_mm: Mapped[float | None]


class NozzleRow(Base):
    """A nozzle of a printer."""

    __tablename__ = "nozzles"
    __table_args__ = (UniqueConstraint("printer_id", "name"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    name: Mapped[str]
    printer_id: Mapped[int] = mapped_column(ForeignKey("printers.id"))
    bore_mm: Mapped[float]
    line_mm: Mapped[float]
    added_at: Mapped[datetime] = mapped_column(default=now)
    retired_at: Mapped[datetime | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column()
    printer: Mapped[PrinterRow] = relationship()
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012 - SQLAlchemy's way


class MaterialRow(Base):
    """A type of filament, by the name that spools give it."""

    __tablename__ = "materials"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)


class SpoolRow(Base):
    """A spool of filament."""

    __tablename__ = "spools"
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    name: Mapped[str] = mapped_column(unique=True)
    material_id: Mapped[int] = mapped_column(ForeignKey("materials.id"), index=True)
    colour: Mapped[str]
    price: Mapped[float | None]
    grams: Mapped[float | None]
    density_g_cm3: Mapped[float | None]
    filament_mm: Mapped[float | None]
    added_at: Mapped[datetime] = mapped_column(default=now)
    retired_at: Mapped[datetime | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column()
    material: Mapped[MaterialRow] = relationship(lazy="joined")
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012 - SQLAlchemy's way


class InstrumentRow(Base):
    """An instrument as its data sheet describes it."""

    __tablename__ = "instruments"
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    name: Mapped[str] = mapped_column(unique=True)
    kind: Mapped[str]
    unit: Mapped[str]
    resolution: Mapped[float]
    mpe: Mapped[float]
    repeatability: Mapped[float]
    jaw_mpe: Mapped[float]
    reach: Mapped[float]
    added_at: Mapped[datetime] = mapped_column(default=now)
    retired_at: Mapped[datetime | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column()
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012 - SQLAlchemy's way


class SheetRow(Base):
    """A kept sheet: the piece, what it was printed with, the text itself and what the fit said.

    `keep_key` is a hash of the text and of what it was printed with: a sheet is kept once.
    A check made without plastic has neither nozzle nor spool.
    """

    __tablename__ = "sheets"
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    keep_key: Mapped[str] = mapped_column(unique=True)
    sheet_sha256: Mapped[str]
    sheet_text: Mapped[str] = mapped_column(String)  # as it was read, to the letter
    pattern: Mapped[str]
    piece_id: Mapped[str]
    parameters: Mapped[dict[str, Any]]
    keys: Mapped[dict[str, Any]]
    printer_id: Mapped[int] = mapped_column(ForeignKey("printers.id"), index=True)
    nozzle_id: Mapped[int | None] = mapped_column(ForeignKey("nozzles.id"))
    spool_id: Mapped[int | None] = mapped_column(ForeignKey("spools.id"), index=True)
    fit: Mapped[dict[str, Any]]
    kept_at: Mapped[datetime] = mapped_column(default=now)
    by_version: Mapped[str]
    by: Mapped[str | None] = mapped_column(default=None)
    printer: Mapped[PrinterRow] = relationship()
    nozzle: Mapped[NozzleRow | None] = relationship()
    spool: Mapped[SpoolRow | None] = relationship()


class ReadingRow(Base):
    """One reading of a kept sheet, with what the fits need to know of its feature."""

    __tablename__ = "readings"
    id: Mapped[int] = mapped_column(primary_key=True)
    sheet_id: Mapped[int] = mapped_column(ForeignKey("sheets.id"), index=True)
    feature: Mapped[str] = mapped_column(String)  # a name of our own, many of them
    kind: Mapped[str] = mapped_column(String)
    axis: Mapped[str] = mapped_column(String)
    nominal: Mapped[float | None]
    value: Mapped[float]
    u: Mapped[float | None]


class CorrectionRow(Base):
    """A correction and where it came from; never changed, never deleted."""

    __tablename__ = "corrections"
    __table_args__ = (
        Index("corrections_by_printer", "printer_id", "scope", "setting", "kept_at"),
        Index("corrections_by_time", "kept_at"),
        Index("corrections_by_material", "material_id", "printer_id", "scope", "kept_at"),
        Index("corrections_by_spool", "spool_id", "printer_id"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    sheet_id: Mapped[int] = mapped_column(ForeignKey("sheets.id"), index=True)
    printer_id: Mapped[int] = mapped_column(ForeignKey("printers.id"))
    nozzle_id: Mapped[int | None] = mapped_column(ForeignKey("nozzles.id"))
    material_id: Mapped[int | None] = mapped_column(ForeignKey("materials.id"))
    spool_id: Mapped[int | None] = mapped_column(ForeignKey("spools.id"))
    scope: Mapped[str]
    setting: Mapped[str]
    unit: Mapped[str]
    old: Mapped[float | None]
    new: Mapped[float]
    u_new: Mapped[float]
    error: Mapped[dict[str, Any]]
    verdict: Mapped[str]
    evidence: Mapped[str]
    reason: Mapped[str]
    instead_of: Mapped[str]
    requests: Mapped[list[Any]] = mapped_column(server_default="[]")
    chosen: Mapped[bool]
    kept_at: Mapped[datetime] = mapped_column(default=now)
    by_version: Mapped[str]
    sheet: Mapped[SheetRow] = relationship()
    undo: Mapped["UndoRow | None"] = relationship(viewonly=True)


class UndoRow(Base):
    """A correction taken back; the correction itself stays."""

    __tablename__ = "undos"
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    correction_id: Mapped[int] = mapped_column(ForeignKey("corrections.id"), unique=True)
    at: Mapped[datetime] = mapped_column(default=now)
    why: Mapped[str]
    by: Mapped[str | None] = mapped_column(default=None)


class BlockRow(Base):
    """What a kept sheet says, condensed (`calib.profile.blocks`): made from it, and made anew at will.

    `data` is null where the sheet says nothing that lasts. `model` is the version of what a block
    means; one of another version is not read.
    """

    __tablename__ = "blocks"
    sheet_id: Mapped[int] = mapped_column(ForeignKey("sheets.id"), primary_key=True)
    model: Mapped[int]
    data: Mapped[dict[str, Any] | None]


class PosteriorRow(Base):
    """What a large store's posterior rests on, once (`calib.store.large`); made anew at will.

    `newest` and `counts` are the largest ids and the numbers of rows that are in it, `basis` is a
    fingerprint of all else; `spreads` how far rolls of a type differ, `first_steps` the steps/mm of the
    first sheet of axes of which nobody wrote any down, `judged` how odd sheets go with the others.
    """

    __tablename__ = "posterior"
    id: Mapped[int] = mapped_column(primary_key=True)
    model: Mapped[int]
    made_at: Mapped[datetime]
    newest: Mapped[dict[str, Any]]
    counts: Mapped[dict[str, Any]]
    basis: Mapped[dict[str, Any]]
    spreads: Mapped[list[Any]]
    first_steps: Mapped[list[Any]]
    judged: Mapped[list[Any]]


class PosteriorPartRow(Base):
    """One shared coordinate of it: its mean, by how many rolls it is told, its covariance with all."""

    __tablename__ = "posterior_parts"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    quantity: Mapped[str] = mapped_column(String)
    kind: Mapped[str] = mapped_column(String)
    owner: Mapped[str] = mapped_column(String, index=True)
    epoch: Mapped[int]
    mean: Mapped[float]
    told: Mapped[int]
    covariance: Mapped[bytes]


class EventRow(Base):
    """Something that happened to a printer, a nozzle or a spool."""

    __tablename__ = "events"
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    kind: Mapped[str]
    at: Mapped[datetime] = mapped_column(default=now)
    printer_id: Mapped[int | None] = mapped_column(ForeignKey("printers.id"), index=True)
    nozzle_id: Mapped[int | None] = mapped_column(ForeignKey("nozzles.id"))
    spool_id: Mapped[int | None] = mapped_column(ForeignKey("spools.id"), index=True)
    axis: Mapped[str]
    note: Mapped[str]
    by: Mapped[str | None] = mapped_column(default=None)
    printer: Mapped[PrinterRow | None] = relationship(lazy="joined")
    nozzle: Mapped[NozzleRow | None] = relationship(lazy="joined")
    spool: Mapped[SpoolRow | None] = relationship(lazy="joined")


class PlaceRow(Base):
    """Where a setting of a printer takes effect, as it was said; the newest counts, none is deleted.

    `value` is the value that was in force then. Where the place is the printer, it is what was set.
    """

    __tablename__ = "places"
    __table_args__ = (Index("places_by_printer", "printer_id", "setting", "at"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    printer_id: Mapped[int] = mapped_column(ForeignKey("printers.id"))
    spool_id: Mapped[int | None] = mapped_column(ForeignKey("spools.id"))
    setting: Mapped[str]
    place: Mapped[str]
    value: Mapped[float | None]
    at: Mapped[datetime] = mapped_column(default=now)
    by: Mapped[str | None] = mapped_column(default=None)
    printer: Mapped[PrinterRow] = relationship()
    spool: Mapped[SpoolRow | None] = relationship()
