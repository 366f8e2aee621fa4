"""Further tables: pieces whose readings are still being taken, who changed which thing, files on their way."""

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calib.store.tables import Base as Base
from calib.store.tables import NozzleRow, PrinterRow, SpoolRow, new_uid, now


class PieceRow(Base):
    """A piece that was made and is not kept yet: its sheet as it stands, and how far it has come.

    `version` grows with each reading, so that two who type at once never overwrite one another.
    """

    __tablename__ = "pieces"
    __table_args__ = (Index("pieces_by_state", "state", "made_at"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(unique=True, default=new_uid)
    piece_id: Mapped[str]
    pattern: Mapped[str]
    printer_id: Mapped[int | None] = mapped_column(ForeignKey("printers.id"))
    nozzle_id: Mapped[int | None] = mapped_column(ForeignKey("nozzles.id"))
    spool_id: Mapped[int | None] = mapped_column(ForeignKey("spools.id"))
    sheet_text: Mapped[str] = mapped_column(String)  # to the letter
    state: Mapped[str]
    sheet_uid: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(default=now)
    changed_at: Mapped[datetime] = mapped_column(default=now)
    by: Mapped[str | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column()
    printer: Mapped[PrinterRow | None] = relationship(lazy="joined")
    nozzle: Mapped[NozzleRow | None] = relationship(lazy="joined")
    spool: Mapped[SpoolRow | None] = relationship(lazy="joined")
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012 - SQLAlchemy's way


class PieceReadingRow(Base):
    """One entry into a cell of such a sheet, or into a line of its head; only ever added."""

    __tablename__ = "piece_readings"
    __table_args__ = (UniqueConstraint("piece_id", "client_id"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("pieces.id"), index=True)
    feature: Mapped[str]
    repeat: Mapped[int]
    before: Mapped[str]
    text: Mapped[str]
    sure: Mapped[bool]
    client_id: Mapped[str | None]
    at: Mapped[datetime] = mapped_column(default=now)
    by: Mapped[str | None] = mapped_column(default=None)


class ChangeRow(Base):
    """A thing that was added, changed, renamed, retired, brought back or copied; only ever added."""

    __tablename__ = "changes"
    __table_args__ = (Index("changes_by_old_name", "what", "old_name"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    what: Mapped[str]
    thing_uid: Mapped[str] = mapped_column(index=True)
    action: Mapped[str]
    name: Mapped[str]
    old_name: Mapped[str]
    before: Mapped[dict[str, Any]]
    at: Mapped[datetime] = mapped_column(default=now)
    by: Mapped[str | None] = mapped_column(default=None)


class ClaimRow(Base):
    """Words on where settings take effect that count once a file is in its place (`calib.store.claims`)."""

    __tablename__ = "claims"
    id: Mapped[int] = mapped_column(primary_key=True)
    printer_id: Mapped[int] = mapped_column(ForeignKey("printers.id"))
    spool_id: Mapped[int] = mapped_column(ForeignKey("spools.id"))
    words: Mapped[list[Any]]
    host: Mapped[str]
    file: Mapped[str] = mapped_column(String)  # to the letter
    sha256: Mapped[str]
    at: Mapped[datetime] = mapped_column(default=now)
    by: Mapped[str | None] = mapped_column(default=None)
