"""Tables of the logbook; the migrations make them, and a test compares the two.

Values are integers in thousandths of the unit (V, A, °C, %, Ah) and times UTC milliseconds. `pack_id` comes first
in every key. The bulk tables (readings, cell voltages, counters) have no foreign keys: checking `pack_id` costs a
tenth of the import's time, and `import_id` would need an index as large as the readings, or undo a search of the
whole history. `commit_import` looks both up in the same transaction.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
)

VALUES = ("voltage", "current", "temperature", "soc")
"""Stored names of the quantities, in the order of `schema.reading.QUANTITIES`."""

ROLLUP_LEVELS_S = (60, 900, 86_400)
"""Lengths of the rollups' buckets: a minute, a quarter of an hour, and a day for windows of years."""

HOUR_COLUMNS = (
    "readings",
    "logged_s",
    "charge_ah",
    "discharge_ah",
    "charge_wh",
    "discharge_wh",
    "min_voltage_v",
    "max_voltage_v",
    "min_temperature_c",
    "mean_temperature_c",
    "max_temperature_c",
    "max_charge_a",
    "max_discharge_a",
    "sum_low_ah",
    "sum_high_ah",
    "low_first",
    "cold_ah_below_m10",
    "cold_ah_m10_m5",
    "cold_ah_m5_0",
    "cold_ah_0_5",
    "hot_s",
    "full_warm_s",
    "nearly_empty_s",
    "rest_s",
    "rest_ah",
    "first_soc_percent",
    "last_soc_percent",
    "interval_s",
    "sampling_var_ah2",
    "live_s",
    "switched_ah",
    "charge_s",
)
"""What the digest says of each hour, beside its start."""

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
    }
)


def _pack_key() -> Column[int]:
    return Column("pack_id", Integer, ForeignKey("pack.id", ondelete="CASCADE"), primary_key=True)


def _import_key(name: str) -> ForeignKeyConstraint:
    target = ["import.pack_id", "import.id"]
    return ForeignKeyConstraint(["pack_id", "import_id"], target, ondelete="CASCADE", name=f"fk_{name}_import")


def _key(name: str, kind: type[Integer] = BigInteger) -> Column[int]:
    return Column(name, kind, primary_key=True, autoincrement=False)


pack = Table(
    "pack",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(200), nullable=False, unique=True),
    Column("chemistry", String(20), nullable=False),
    Column("cells_in_series", SmallInteger, nullable=False),
    Column("rated_ah", Double, nullable=False),
    Column("limits", JSON, nullable=False),
    Column("purchased", Date),
    Column("time_zone", String(80), nullable=False),
    CheckConstraint("cells_in_series > 0", name="cells_in_series"),
    CheckConstraint("rated_ah > 0", name="rated_ah"),
)
"""One row a battery; `limits` holds only what its owner changed."""

imports = Table(
    "import",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("pack_id", Integer, ForeignKey("pack.id", ondelete="CASCADE"), nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("file_name", Text, nullable=False),
    Column("imported_ms", BigInteger, nullable=False),
    Column("first_ms", BigInteger),
    Column("last_ms", BigInteger),
    Column("original", Text),
    Column("receipt", JSON, nullable=False),
    UniqueConstraint("pack_id", "sha256"),
    UniqueConstraint("pack_id", "id", name="uq_import_pack_id_id"),
    sqlite_autoincrement=True,
)
"""One row a file taken in; `original` names the kept file, beside the database. No id is given twice."""

set_aside = Table(
    "set_aside",
    metadata,
    _key("pack_id", Integer),
    _key("import_id", Integer),
    _key("ordinal", Integer),
    Column("line", Integer, nullable=False),
    Column("reason", Text, nullable=False),
    Column("text", Text, nullable=False),
    _import_key("set_aside"),
    sqlite_with_rowid=False,
)
"""Every row of a file that was not stored."""

reading = Table(
    "reading",
    metadata,
    _key("pack_id", Integer),
    _key("ts_ms"),
    *(Column(name, Integer) for name in VALUES),
    Column("import_id", Integer, nullable=False),
    sqlite_with_rowid=False,
)
"""The readings; `import_id` is the first import that brought it."""

shared_reading = Table(
    "shared_reading",
    metadata,
    _key("pack_id", Integer),
    _key("ts_ms"),
    _key("import_id", Integer),
    *(Column(name, Integer) for name in VALUES),
    sqlite_with_rowid=False,
)
"""What each import brought, for readings that more than one brought; undo needs it."""

cell_voltage = Table(
    "cell_voltage",
    metadata,
    _key("pack_id", Integer),
    _key("ts_ms"),
    _key("cell", SmallInteger),
    _key("import_id", Integer),
    Column("voltage", Integer, nullable=False),
    sqlite_with_rowid=False,
)
"""Cell voltages; cells count from 1."""

counter = Table(
    "counter",
    metadata,
    _key("pack_id", Integer),
    _key("ts_ms"),
    Column("name", String(20), primary_key=True),
    _key("import_id", Integer),
    Column("charge", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)
"""Ah counters of the monitor."""

status = Table(
    "status",
    metadata,
    _pack_key(),
    _key("ts_ms"),
    _key("import_id", Integer),
    Column("word", Text),
    sqlite_with_rowid=False,
)
"""Status words of the monitor, where they change."""

rollup = Table(
    "rollup",
    metadata,
    _pack_key(),
    _key("level_s", Integer),
    _key("bucket_ms"),
    Column("n", Integer, nullable=False),
    *(
        column
        for name in VALUES
        for column in (
            Column(f"{name}_n", Integer, nullable=False),
            Column(f"{name}_min", Integer),
            Column(f"{name}_max", Integer),
            Column(f"{name}_sum", BigInteger),
        )
    ),
    sqlite_with_rowid=False,
)
"""Count, least, greatest and sum of each quantity, by minute, quarter of an hour and day."""

hour = Table(
    "hour",
    metadata,
    _pack_key(),
    _key("start_ms"),
    *(Column(name, Double) for name in HOUR_COLUMNS),
    sqlite_with_rowid=False,
)
"""Findings of each hour; derived."""

finding_kind = Table(
    "finding_kind",
    metadata,
    _pack_key(),
    Column("kind", String(40), primary_key=True),
    Column("columns", JSON, nullable=False),
)
"""Columns and their types of each kind of finding; derived."""

finding = Table(
    "finding",
    metadata,
    _pack_key(),
    Column("kind", String(40), primary_key=True),
    _key("start_ms"),
    _key("ordinal", Integer),
    Column("body", Text, nullable=False),
    sqlite_with_rowid=False,
)
"""Findings of every other kind, one JSON list a row; derived."""

stale = Table(
    "stale",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("pack_id", Integer, ForeignKey("pack.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("start_ms", BigInteger, nullable=False),
    Column("end_ms", BigInteger, nullable=False),
    Column("whole_days", Boolean, nullable=False),
)
"""Ranges out of date: of readings that changed, or of `whole_days` whose findings a refresh has still to make."""

digest_state = Table(
    "digest_state",
    metadata,
    _pack_key(),
    Column("revision", Integer, nullable=False),
    Column("digest_version", Integer),
)
"""`revision` goes up whenever readings, pack or findings change; `digest_version` made the findings."""

answer = Table(
    "answer",
    metadata,
    _pack_key(),
    Column("rests_on", String(64), nullable=False),
    Column("body", Text, nullable=False),
    Column("checksum", String(64), nullable=False),
)
"""The last answer of each pack, with a hash of all it rests on and one of itself; derived."""

note = Table(
    "note",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("pack_id", Integer, ForeignKey("pack.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("ts_ms", BigInteger, nullable=False),
    Column("text", Text, nullable=False),
    sqlite_autoincrement=True,
)
"""What the owner writes down. No id is given twice."""

acknowledged_flag = Table(
    "acknowledged_flag",
    metadata,
    _pack_key(),
    Column("code", String(60), primary_key=True),
)
"""Flags the owner has seen."""

task = Table(
    "task",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", String(40), nullable=False),
    Column("state", String(20), nullable=False),
    Column("body", JSON, nullable=False),
    Column("outcome", JSON(none_as_null=True)),
    Column("progress", Double, nullable=False),
    Column("worker", String(80)),
    Column("created_ms", BigInteger, nullable=False),
    Column("changed_ms", BigInteger, nullable=False),
    CheckConstraint("state IN ('waiting', 'running', 'asking', 'done', 'failed')", name="state"),
    sqlite_autoincrement=True,
)
"""Work that waits for a worker: what is to be done, by whom it is being done, and what came of it."""

DERIVED = (rollup, hour, finding_kind, finding, stale, digest_state, answer)
"""What can be made again from the rest."""
