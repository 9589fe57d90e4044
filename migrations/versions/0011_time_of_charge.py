"""Time of charge: for how long of each hour charge went in; derived, so the findings are made anew and fill it in."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("hour", sa.Column("charge_s", sa.Double(), nullable=True))
    op.execute("UPDATE digest_state SET digest_version = NULL")


def downgrade() -> None:
    op.drop_column("hour", "charge_s")
