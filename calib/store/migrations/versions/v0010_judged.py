"""How odd sheets go with the others, kept with a large store's posterior, which is worked out anew."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, and have the posterior worked out anew."""
    op.execute("DELETE FROM posterior_parts")
    op.execute("DELETE FROM posterior")
    with op.batch_alter_table("posterior") as table:
        table.add_column(sa.Column("judged", sa.JSON(), nullable=False))
