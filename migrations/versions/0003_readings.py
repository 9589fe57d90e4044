"""Readings in thousandths, what several imports brought, side tables, and a view in plain units."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

VIEW = """
CREATE VIEW reading_in_units AS
SELECT pack.name AS pack, {time} AS time_utc, voltage / 1000.0 AS voltage_v, current / 1000.0 AS current_a,
       temperature / 1000.0 AS temperature_c, soc / 1000.0 AS soc_percent, import_id
FROM reading JOIN pack ON pack.id = reading.pack_id
"""
TIMES = {
    "sqlite": "strftime('%Y-%m-%dT%H:%M:%fZ', ts_ms / 1000.0, 'unixepoch')",
    "postgresql": "to_timestamp(ts_ms / 1000.0)",
}


def upgrade() -> None:
    op.create_table(
        "reading",
        sa.Column("pack_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ts_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("voltage", sa.Integer(), nullable=True),
        sa.Column("current", sa.Integer(), nullable=True),
        sa.Column("temperature", sa.Integer(), nullable=True),
        sa.Column("soc", sa.Integer(), nullable=True),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("pack_id", "ts_ms", name=op.f("pk_reading")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "shared_reading",
        sa.Column("pack_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ts_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("import_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("voltage", sa.Integer(), nullable=True),
        sa.Column("current", sa.Integer(), nullable=True),
        sa.Column("temperature", sa.Integer(), nullable=True),
        sa.Column("soc", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("pack_id", "ts_ms", "import_id", name=op.f("pk_shared_reading")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "cell_voltage",
        sa.Column("pack_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ts_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("cell", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("import_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("voltage", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("pack_id", "ts_ms", "cell", "import_id", name=op.f("pk_cell_voltage")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "counter",
        sa.Column("pack_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ts_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(length=20), nullable=False),
        sa.Column("import_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("charge", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("pack_id", "ts_ms", "name", "import_id", name=op.f("pk_counter")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "status",
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("ts_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("import_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("word", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_status_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("pack_id", "ts_ms", "import_id", name=op.f("pk_status")),
        sqlite_with_rowid=False,
    )
    op.execute(VIEW.format(time=TIMES[op.get_context().dialect.name]).replace(":", "\\:"))


def downgrade() -> None:
    op.execute("DROP VIEW reading_in_units")
    op.drop_table("status")
    op.drop_table("counter")
    op.drop_table("cell_voltage")
    op.drop_table("shared_reading")
    op.drop_table("reading")
