"""Tasks: work that waits for a worker, outliving page and program."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "task",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("outcome", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("progress", sa.Double(), nullable=False),
        sa.Column("worker", sa.String(length=80), nullable=True),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("changed_ms", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("state IN ('waiting', 'running', 'asking', 'done', 'failed')", name=op.f("ck_task_state")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_task")),
        sqlite_autoincrement=True,
    )


def downgrade() -> None:
    op.drop_table("task")
