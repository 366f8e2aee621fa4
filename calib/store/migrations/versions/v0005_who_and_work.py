"""Who did it, things out of use, and pieces whose readings are still being taken."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns, empty in an older store, and make the tables."""
    for table in ("printers", "nozzles", "spools", "instruments"):
        op.add_column(table, sa.Column("retired_at", sa.DateTime(), nullable=True))
    for table in ("sheets", "undos", "events", "places"):
        op.add_column(table, sa.Column("by", sa.String(), nullable=True))
    _pieces()
    op.create_table(
        "changes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("thing_uid", sa.String(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("old_name", sa.String(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("by", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("changes_by_old_name", "changes", ["what", "old_name"])
    op.create_index(op.f("ix_changes_thing_uid"), "changes", ["thing_uid"])


def _pieces() -> None:
    op.create_table(
        "pieces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("piece_id", sa.String(), nullable=False),
        sa.Column("pattern", sa.String(), nullable=False),
        sa.Column("printer_id", sa.Integer(), nullable=True),
        sa.Column("nozzle_id", sa.Integer(), nullable=True),
        sa.Column("spool_id", sa.Integer(), nullable=True),
        sa.Column("sheet_text", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("sheet_uid", sa.String(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.Column("by", sa.String(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["printer_id"], ["printers.id"]),
        sa.ForeignKeyConstraint(["nozzle_id"], ["nozzles.id"]),
        sa.ForeignKeyConstraint(["spool_id"], ["spools.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("uid"),
    )
    op.create_index("pieces_by_state", "pieces", ["state", "made_at"])
    op.create_table(
        "piece_readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("feature", sa.String(), nullable=False),
        sa.Column("repeat", sa.Integer(), nullable=False),
        sa.Column("before", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("sure", sa.Boolean(), nullable=False),
        sa.Column("client_id", sa.String(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("piece_id", "client_id"),
    )
    op.create_index(op.f("ix_piece_readings_piece_id"), "piece_readings", ["piece_id"])
