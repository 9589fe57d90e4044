"""Rollups: count, least, greatest and sum of each quantity by bucket."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "rollup",
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("level_s", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("bucket_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("voltage_n", sa.Integer(), nullable=False),
        sa.Column("voltage_min", sa.Integer(), nullable=True),
        sa.Column("voltage_max", sa.Integer(), nullable=True),
        sa.Column("voltage_sum", sa.BigInteger(), nullable=True),
        sa.Column("current_n", sa.Integer(), nullable=False),
        sa.Column("current_min", sa.Integer(), nullable=True),
        sa.Column("current_max", sa.Integer(), nullable=True),
        sa.Column("current_sum", sa.BigInteger(), nullable=True),
        sa.Column("temperature_n", sa.Integer(), nullable=False),
        sa.Column("temperature_min", sa.Integer(), nullable=True),
        sa.Column("temperature_max", sa.Integer(), nullable=True),
        sa.Column("temperature_sum", sa.BigInteger(), nullable=True),
        sa.Column("soc_n", sa.Integer(), nullable=False),
        sa.Column("soc_min", sa.Integer(), nullable=True),
        sa.Column("soc_max", sa.Integer(), nullable=True),
        sa.Column("soc_sum", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_rollup_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("pack_id", "level_s", "bucket_ms", name=op.f("pk_rollup")),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("rollup")
