"""What a correction asks to be printed: data of its own, no longer a command within its reason."""

import sqlalchemy as sa
from alembic import op

from calib.store.old_reasons import parted

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, and move the commands of kept reasons into it."""
    op.add_column(
        "corrections", sa.Column("requests", sa.JSON(), nullable=False, server_default="[]")
    )
    table = sa.table(
        "corrections",
        sa.column("id", sa.Integer()),
        sa.column("setting", sa.String()),
        sa.column("reason", sa.String()),
        sa.column("requests", sa.JSON()),
    )
    connection = op.get_bind()
    asked = sa.select(table.c.id, table.c.setting, table.c.reason).where(
        table.c.reason.contains("truebead make ")
    )
    for row_id, setting, reason in connection.execute(asked).all():
        left, requests = parted(reason, setting)
        change = table.update().where(table.c.id == row_id)
        connection.execute(change.values(reason=left, requests=requests))
