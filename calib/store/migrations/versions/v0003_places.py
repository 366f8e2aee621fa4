"""Where each setting takes effect: in the printer, in models or in G-code."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table; nothing was said in an older store, so it starts empty."""
    op.create_table(
        "places",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("printer_id", sa.Integer(), nullable=False),
        sa.Column("spool_id", sa.Integer(), nullable=True),
        sa.Column("setting", sa.String(), nullable=False),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["printer_id"], ["printers.id"]),
        sa.ForeignKeyConstraint(["spool_id"], ["spools.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("uid"),
    )
    op.create_index("places_by_printer", "places", ["printer_id", "setting", "at"])
