"""Ids of imports and notes are given once: after one is taken back its number is not another's."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa
from alembic import op

if TYPE_CHECKING:
    from collections.abc import Callable

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def _import_table(name: str, **kwargs: object) -> sa.Table:
    return op.create_table(
        name,
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
        **kwargs,
    )


def _note_table(name: str, **kwargs: object) -> sa.Table:
    return op.create_table(
        name,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pack_id", sa.Integer(), nullable=False),
        sa.Column("ts_ms", sa.BigInteger(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["pack.id"], name=op.f("fk_note_pack_id_pack"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_note")),
        **kwargs,
    )


def _rebuild(name: str, make: Callable[..., sa.Table], **kwargs: object) -> None:
    """Copy a table into one made anew; only SQLite needs it, other databases never give a number twice."""
    if op.get_context().dialect.name != "sqlite":
        return
    fresh = make(f"{name}_new", **kwargs)
    names = ", ".join(f'"{column.name}"' for column in fresh.columns)
    op.execute(f'INSERT INTO "{name}_new" ({names}) SELECT {names} FROM "{name}" ORDER BY id')  # noqa: S608 - our own names
    op.drop_table(name)
    op.rename_table(f"{name}_new", name)


def _rebuild_both(**kwargs: object) -> None:
    _rebuild("import", _import_table, **kwargs)
    _rebuild("note", _note_table, **kwargs)
    if op.get_context().dialect.name == "sqlite":
        op.create_index(op.f("ix_note_pack_id"), "note", ["pack_id"], unique=False)


def upgrade() -> None:
    _rebuild_both(sqlite_autoincrement=True)


def downgrade() -> None:
    _rebuild_both()
