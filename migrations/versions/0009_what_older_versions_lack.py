"""What is missing where readings came before rollups, or packs before findings: rollups, and a state of each pack."""

from __future__ import annotations

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

STATES = """
INSERT INTO digest_state (pack_id, revision)
SELECT id, 0 FROM pack WHERE id NOT IN (SELECT pack_id FROM digest_state)
"""
LEVELS_S = (60, 900, 86_400)
ROLLUP = """
INSERT INTO rollup (pack_id, level_s, bucket_ms, n,
  voltage_n, voltage_min, voltage_max, voltage_sum, current_n, current_min, current_max, current_sum,
  temperature_n, temperature_min, temperature_max, temperature_sum, soc_n, soc_min, soc_max, soc_sum)
SELECT pack_id, {level_s}, bucket, count(*),
  count(voltage), min(voltage), max(voltage), sum(voltage), count(current), min(current), max(current), sum(current),
  count(temperature), min(temperature), max(temperature), sum(temperature), count(soc), min(soc), max(soc), sum(soc)
FROM (
  SELECT reading.*, ts_ms - ((ts_ms % {level_ms}) + {level_ms}) % {level_ms} AS bucket FROM reading
  WHERE pack_id NOT IN (SELECT pack_id FROM rollup WHERE level_s = {level_s})
) AS bare
GROUP BY pack_id, bucket ORDER BY pack_id, bucket
"""


def upgrade() -> None:
    op.execute(STATES)
    for level_s in LEVELS_S:
        op.execute(ROLLUP.format(level_s=level_s, level_ms=1000 * level_s))


def downgrade() -> None:
    """Nothing to take away: older versions make the same rows themselves."""
