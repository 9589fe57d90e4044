"""Findings: what the digest made of the readings, and what is out of date."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "hour",
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("start_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("readings", sa.Double(), nullable=True),
        sa.Column("logged_s", sa.Double(), nullable=True),
        sa.Column("charge_ah", sa.Double(), nullable=True),
        sa.Column("discharge_ah", sa.Double(), nullable=True),
        sa.Column("charge_wh", sa.Double(), nullable=True),
        sa.Column("discharge_wh", sa.Double(), nullable=True),
        sa.Column("min_voltage_v", sa.Double(), nullable=True),
        sa.Column("max_voltage_v", sa.Double(), nullable=True),
        sa.Column("min_temperature_c", sa.Double(), nullable=True),
        sa.Column("mean_temperature_c", sa.Double(), nullable=True),
        sa.Column("max_temperature_c", sa.Double(), nullable=True),
        sa.Column("max_charge_a", sa.Double(), nullable=True),
        sa.Column("max_discharge_a", sa.Double(), nullable=True),
        sa.Column("sum_low_ah", sa.Double(), nullable=True),
        sa.Column("sum_high_ah", sa.Double(), nullable=True),
        sa.Column("low_first", sa.Double(), nullable=True),
        sa.Column("cold_ah_below_m10", sa.Double(), nullable=True),
        sa.Column("cold_ah_m10_m5", sa.Double(), nullable=True),
        sa.Column("cold_ah_m5_0", sa.Double(), nullable=True),
        sa.Column("cold_ah_0_5", sa.Double(), nullable=True),
        sa.Column("hot_s", sa.Double(), nullable=True),
        sa.Column("full_warm_s", sa.Double(), nullable=True),
        sa.Column("nearly_empty_s", sa.Double(), nullable=True),
        sa.Column("rest_s", sa.Double(), nullable=True),
        sa.Column("rest_ah", sa.Double(), nullable=True),
        sa.Column("first_soc_percent", sa.Double(), nullable=True),
        sa.Column("last_soc_percent", sa.Double(), nullable=True),
        sa.Column("interval_s", sa.Double(), nullable=True),
        sa.Column("sampling_var_ah2", sa.Double(), nullable=True),
        sa.Column("live_s", sa.Double(), nullable=True),
        sa.Column("switched_ah", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_hour_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("pack_id", "start_ms", name=op.f("pk_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "finding_kind",
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("columns", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["pack_id"], ["pack.id"], name=op.f("fk_finding_kind_pack_id_pack"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("pack_id", "kind", name=op.f("pk_finding_kind")),
    )
    op.create_table(
        "finding",
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("start_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("ordinal", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_finding_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("pack_id", "kind", "start_ms", "ordinal", name=op.f("pk_finding")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "stale",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("start_ms", sa.BigInteger(), nullable=False),
        sa.Column("end_ms", sa.BigInteger(), nullable=False),
        sa.Column("whole_days", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_stale_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stale")),
    )
    op.create_index(op.f("ix_stale_pack_id"), "stale", ["pack_id"], unique=False)
    op.create_table(
        "digest_state",
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("digest_version", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["pack_id"], ["pack.id"], name=op.f("fk_digest_state_pack_id_pack"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("pack_id", name=op.f("pk_digest_state")),
    )


def downgrade() -> None:
    op.drop_table("digest_state")
    op.drop_table("stale")
    op.drop_table("finding")
    op.drop_table("finding_kind")
    op.drop_table("hour")
