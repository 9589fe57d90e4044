"""Packs: one row a battery."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "pack",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("chemistry", sa.String(length=20), nullable=False),
        sa.Column("cells_in_series", sa.SmallInteger(), nullable=False),
        sa.Column("rated_ah", sa.Double(), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.Column("purchased", sa.Date(), nullable=True),
        sa.Column("time_zone", sa.String(length=80), nullable=False),
        sa.CheckConstraint("cells_in_series > 0", name=op.f("ck_pack_cells_in_series")),
        sa.CheckConstraint("rated_ah > 0", name=op.f("ck_pack_rated_ah")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pack")),
        sa.UniqueConstraint("name", name=op.f("uq_pack_name")),
    )


def downgrade() -> None:
    op.drop_table("pack")
