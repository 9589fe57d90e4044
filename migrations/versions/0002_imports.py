"""Imports: one row a file taken in, with its receipt and the rows it set aside."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "import",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("imported_ms", sa.BigInteger(), nullable=False),
        sa.Column("first_ms", sa.BigInteger(), nullable=True),
        sa.Column("last_ms", sa.BigInteger(), nullable=True),
        sa.Column("original", sa.Text(), nullable=True),
        sa.Column("receipt", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_import_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import")),
        sa.UniqueConstraint("pack_id", "id", name="uq_import_pack_id_id"),
        sa.UniqueConstraint("pack_id", "sha256", name=op.f("uq_import_pack_id")),
    )
    op.create_table(
        "set_aside",
        sa.Column("pack_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("import_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ordinal", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["pack_id", "import_id"], ["import.pack_id", "import.id"], name="fk_set_aside_import", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("pack_id", "import_id", "ordinal", name=op.f("pk_set_aside")),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("set_aside")
    op.drop_table("import")
