"""What each kept sheet says, condensed; made from the sheets themselves when it is first asked for."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table; it is filled as the sheets are looked at."""
    op.create_table(
        "blocks",
        sa.Column("sheet_id", sa.Integer(), nullable=False),
        sa.Column("model", sa.Integer(), nullable=False),
        sa.Column("data", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheets.id"]),
        sa.PrimaryKeyConstraint("sheet_id"),
    )
