"""The posterior of a large store in parts; worked out when it is first asked for."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables; they stay empty in a store that is not large."""
    op.create_table(
        "posterior",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("model", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("newest", sa.JSON(), nullable=False),
        sa.Column("counts", sa.JSON(), nullable=False),
        sa.Column("basis", sa.JSON(), nullable=False),
        sa.Column("spreads", sa.JSON(), nullable=False),
        sa.Column("first_steps", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "posterior_parts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("owner", sa.String(), nullable=False),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("mean", sa.Double(), nullable=False),
        sa.Column("told", sa.Integer(), nullable=False),
        sa.Column("covariance", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_posterior_parts_owner", "posterior_parts", ["owner"])
