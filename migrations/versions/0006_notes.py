"""Notes, and the flags their owner has seen."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "note",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("ts_ms", sa.BigInteger(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_note_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_note")),
    )
    op.create_index(op.f("ix_note_pack_id"), "note", ["pack_id"], unique=False)
    op.create_table(
        "acknowledged_flag",
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["pack_id"], ["pack.id"], name=op.f("fk_acknowledged_flag_pack_id_pack"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("pack_id", "code", name=op.f("pk_acknowledged_flag")),
    )


def downgrade() -> None:
    op.drop_table("acknowledged_flag")
    op.drop_table("note")
