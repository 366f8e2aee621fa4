"""Indices for looking at the newest corrections first, which large stores need."""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Put the time into the printer's index, and add one by time."""
    op.drop_index("corrections_by_printer", "corrections")
    op.create_index(
        "corrections_by_printer", "corrections", ["printer_id", "scope", "setting", "kept_at"]
    )
    op.create_index("corrections_by_time", "corrections", ["kept_at"])
