"""Corrections on their way into a file: what is claimed until the file is in its place."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table; it is empty but for the moments in which files take their places."""
    op.create_table(
        "claims",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("printer_id", sa.Integer(), nullable=False),
        sa.Column("spool_id", sa.Integer(), nullable=False),
        sa.Column("words", sa.JSON(), nullable=False),
        sa.Column("host", sa.String(), nullable=False),
        sa.Column("file", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["printer_id"], ["printers.id"]),
        sa.ForeignKeyConstraint(["spool_id"], ["spools.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
