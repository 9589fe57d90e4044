"""Answers kept: what was last worked out from the findings of a pack; derived, so nothing is to be filled in."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "answer",
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("rests_on", sa.String(length=64), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("checksum", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_answer_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("pack_id", name=op.f("pk_answer")),
    )


def downgrade() -> None:
    op.drop_table("answer")
