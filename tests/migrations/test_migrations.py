"""The migrations make what the models say, all or nothing, forwards and back, and lose no row."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.operations import Operations
from alembic.script import ScriptDirectory

from logbook.errors import BadConfiguration, CannotWrite
from logbook.jobs.backup import restore
from logbook.jobs.check import check
from logbook.jobs.health import health
from logbook.schema.receipt import SetAside
from logbook.store import (
    acknowledge,
    add_note,
    add_pack,
    commit_import,
    dialect,
    list_notes,
    list_packs,
    migrate,
    models,
    open_store,
    reading_span,
)
from logbook.store.engine import migration_engine
from tests.store.recordings import START_MS, content, drawn, recording_of

FOLDER = Path(str(migrate.folder()))


@contextmanager
def migrating(path: Path, *, foreign_keys: bool = False):
    """A transaction as migrations have it, or with foreign keys on as they must not."""
    url = dialect.parse_url(str(path))
    dialect.prepare_file(path)
    engine = migration_engine(url)
    if foreign_keys:
        sa.event.listen(engine, "connect", lambda raw, _: raw.fetch_arrow("PRAGMA foreign_keys=ON"))
    with engine.begin() as connection:
        yield connection


def schema(connection) -> list[str]:
    rows = connection.exec_driver_sql(
        "SELECT sql FROM sqlite_master WHERE name NOT IN ('alembic_version', 'sqlite_sequence') AND sql <> ''"
    )
    return sorted(row[0] for row in rows)


def fill(store) -> None:
    """Put a row into every table that an owner or an import fills."""
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4)
    readings = drawn(np.random.default_rng(1), 40)
    side = {"cells_v": np.full((40, 2), 3.3), "counters": {"consumed_ah": np.zeros(40)}}
    words = np.array(["on"] * 40, object)
    aside = (SetAside(3, "torn", "1;2"),)
    commit_import(store, pack, recording_of(readings, "a.csv", set_aside=aside, status=words, **side), None)
    commit_import(store, pack, recording_of(readings, "b.csv"), None)
    add_note(store, pack.id, START_MS, "new pack")
    acknowledge(store, pack.id, "cold")


@pytest.fixture
def filled(store):
    fill(store)
    return store


def test_there_is_one_newest_migration_and_the_program_knows_it():
    script = ScriptDirectory(str(FOLDER))

    assert script.get_heads() == [migrate.revisions()[-1]]
    assert [entry.revision for entry in script.walk_revisions()] == list(reversed(migrate.revisions()))


def test_migrations_import_nothing_from_the_program():
    for path in (FOLDER / "versions").glob("*.py"):
        assert "logbook" not in path.read_text("utf-8"), path


def test_the_models_match_what_the_migrations_make(store):
    with store.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})

        assert compare_metadata(context, models.metadata) == []


def test_a_float_in_the_place_of_a_double_would_be_noticed(store):
    """SQLAlchemy's fractions are doubles: a migration that says Float has drifted."""
    drifted = sa.MetaData()
    for table in models.metadata.sorted_tables:
        table.to_metadata(drifted)
    drifted.tables["pack"].c.rated_ah.type = sa.Float(24)

    with store.reading() as connection:
        found = compare_metadata(MigrationContext.configure(connection), drifted)

    assert [change[0][0] for change in found] == ["modify_type"]


def test_bulk_tables_are_kept_in_order_of_their_key(store):
    with store.reading() as connection:
        made = {text.split()[2]: text for text in schema(connection)}

    for name in ("reading", "shared_reading", "cell_voltage", "counter", "status", "rollup", "hour", "finding"):
        assert made[name].rstrip().endswith("WITHOUT ROWID"), name


def test_every_key_begins_with_the_pack():
    for table in models.metadata.sorted_tables:
        key = [column.name for column in table.primary_key.columns]
        assert key == ["id"] or key[0] == "pack_id", table.name


def test_up_down_up_gives_the_same_tables(tmp_path):
    path = tmp_path / "logbook.sqlite3"
    with migrating(path) as connection:
        migrate.upgrade(connection, "head")
        first = schema(connection)
        migrate.downgrade(connection, "base")
        nothing = schema(connection)
        migrate.upgrade(connection, "head")
        second = schema(connection)

    assert nothing == []
    assert second == first


@pytest.mark.parametrize("revision", migrate.revisions()[:-1])
def test_a_logbook_of_every_former_revision_is_brought_up_to_date_with_its_rows(tmp_path, filled, revision):
    whole = content(filled)
    with filled.reading() as connection:
        expected = schema(connection)
    filled.close()
    with migrating(filled.path) as connection:
        migrate.downgrade(connection, revision)
        left = {name for name in sa.inspect(connection).get_table_names() if name in whole}

    with open_store(str(filled.path)) as upgraded:
        now = content(upgraded)
        with upgraded.reading() as connection:
            assert schema(connection) == expected

    assert {name: now[name] for name in left if name in now} == {name: whole[name] for name in left}
    assert left


@pytest.mark.parametrize("revision", migrate.revisions()[:-1])
def test_an_upgraded_logbook_of_every_former_revision_is_sound_and_answers_the_same(tmp_path, filled, revision):
    """What older versions did not keep (rollups, the state of the findings) is made from the readings."""
    expected = health(filled, list_packs(filled)[0])
    filled.close()
    with migrating(filled.path) as connection:
        migrate.downgrade(connection, revision)
        held = set(sa.inspect(connection).get_table_names())

    with open_store(str(filled.path)) as upgraded:
        assert check(upgraded) == []
        if "reading" in held:
            assert replace(health(upgraded, list_packs(upgraded)[0]), flags=()) == replace(expected, flags=())
            assert reading_span(upgraded, 1)[0] == 40
        pack = list_packs(upgraded)[0]
        assert commit_import(upgraded, pack, recording_of(drawn(np.random.default_rng(2), 5), "c.csv"), None).import_id


@pytest.mark.parametrize("revision", migrate.revisions()[:-1])
def test_one_command_goes_back_to_the_logbook_before_the_upgrade(tmp_path, filled, revision):
    filled.close()
    with migrating(filled.path) as connection:
        migrate.downgrade(connection, revision)
        before = rows_of(connection)
    open_store(str(filled.path)).close()
    with open_store(str(filled.path)) as store:
        add_note(store, 1, 0, "written after the upgrade")
    (made_before,) = filled.path.parent.glob("*.before-*")
    with migrating(made_before) as connection:
        assert rows_of(connection) == before

    restore(made_before, str(filled.path))

    with open_store(str(filled.path)) as store:
        assert "written after the upgrade" not in [note.text for note in list_notes(store, 1)]
        assert [pack.name for pack in list_packs(store)] == ["House"]


def rows_of(connection) -> dict[str, list[tuple]]:
    """Every row of every table, whatever the revision."""
    names = sa.inspect(connection).get_table_names()
    return {name: sorted(map(tuple, connection.exec_driver_sql(f'SELECT * FROM "{name}"')), key=repr) for name in names}


def test_an_upgrade_that_leaves_rows_without_their_parent_is_taken_back(filled, monkeypatch):
    filled.close()
    with migrating(filled.path) as connection:
        migrate.downgrade(connection, "0005")

    def losing(connection, revision, real=migrate.upgrade):
        real(connection, revision)
        connection.exec_driver_sql("DELETE FROM pack")

    monkeypatch.setattr(migrate, "upgrade", losing)
    with pytest.raises(BadConfiguration, match=r"rows without their parent.*nothing was changed"):
        open_store(str(filled.path))

    with migrating(filled.path) as connection:
        assert migrate.revision_of(connection) == "0005"
        assert connection.exec_driver_sql("SELECT count(*) FROM pack").scalar() == 1


def test_an_upgrade_backs_up_first_and_privately(filled):
    filled.close()
    with migrating(filled.path) as connection:
        migrate.downgrade(connection, "0005")

    open_store(str(filled.path)).close()

    (backup,) = filled.path.parent.glob("*.before-*")
    assert backup.stat().st_mode & 0o777 == 0o600
    with migrating(backup) as connection:
        assert migrate.revision_of(connection) == "0005"
        assert connection.exec_driver_sql("SELECT count(*) FROM reading").scalar() == 40


def test_an_upgrade_without_room_for_its_backup_is_refused_before_anything_changes(filled, monkeypatch):
    filled.close()
    with migrating(filled.path) as connection:
        migrate.downgrade(connection, "0005")
    usage = shutil.disk_usage(filled.path.parent)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage._replace(free=1000))

    with pytest.raises(CannotWrite, match=r"backup.*free"):
        open_store(str(filled.path))

    with migrating(filled.path) as connection:
        assert migrate.revision_of(connection) == "0005"


def rebuild_pack_table(connection) -> None:
    """Add a column the only way SQLite can in general: copy, drop and rename the parent of all other tables."""
    operations = Operations(MigrationContext.configure(connection))
    with operations.batch_alter_table("pack", recreate="always") as batch:
        batch.add_column(sa.Column("colour", sa.String()))


def test_children_survive_the_rebuilding_of_their_parent(filled):
    before = content(filled)
    assert before["note"]
    assert before["set_aside"]
    filled.close()

    with migrating(filled.path) as connection:
        rebuild_pack_table(connection)
        assert dialect.foreign_key_violations(connection) == []

    with open_store(str(filled.path)) as store:
        after = content(store)
    assert after == before


def test_with_foreign_keys_on_the_children_would_be_lost(filled):
    """Why migrations have an engine of their own: dropping the parent deletes its children, without an error."""
    filled.close()

    with migrating(filled.path, foreign_keys=True) as connection:
        rebuild_pack_table(connection)
        lost = connection.exec_driver_sql("SELECT count(*) FROM note").scalar()

    assert lost == 0


@pytest.mark.parametrize("table", ["import", "note"])
def test_numbers_given_before_the_upgrade_are_not_given_again(tmp_path, filled, table):
    """Deleting the newest row after the upgrade must not free a number that the older version gave."""
    filled.close()
    with migrating(filled.path) as connection:
        migrate.downgrade(connection, "0006")
        newest = connection.exec_driver_sql(f'SELECT max(id) FROM "{table}"').scalar()

    with open_store(str(filled.path)) as store, store.writing() as connection:
        kept = connection.exec_driver_sql("SELECT seq FROM sqlite_sequence WHERE name = ?", (table,)).scalar()

    assert kept == newest >= 1


@pytest.fixture
def broken_migration(tmp_path, monkeypatch):
    """One migration more, which makes a table and then fails."""
    folder = tmp_path / "migrations"
    shutil.copytree(FOLDER, folder, ignore=shutil.ignore_patterns("__pycache__"))
    newest = migrate.revisions()[-1]
    number = f"{int(newest) + 1:04}"
    (folder / "versions" / f"{number}_broken.py").write_text(
        f"import sqlalchemy as sa\nfrom alembic import op\nrevision = '{number}'\ndown_revision = '{newest}'\n"
        "def upgrade():\n    op.create_table('half', sa.Column('id', sa.Integer(), primary_key=True))\n"
        "    op.execute('UPDATE pack SET name = name || 1')\n    raise RuntimeError('half way')\n"
    )
    monkeypatch.setattr(migrate, "folder", lambda: folder)
    migrate.revisions.cache_clear()
    yield
    migrate.revisions.cache_clear()


def test_a_migration_that_fails_half_way_leaves_nothing_behind(filled, broken_migration):
    before = content(filled)
    filled.close()

    with pytest.raises(RuntimeError, match="half way"):
        open_store(str(filled.path))

    with migrating(filled.path) as connection:
        assert not sa.inspect(connection).has_table("half")
    assert len(list(filled.path.parent.glob("*.before-*"))) == 1
    migrate.revisions.cache_clear()
    assert content(filled) == before


def test_two_programs_that_open_a_new_logbook_at_once_both_succeed(tmp_path):
    path = tmp_path / "logbook.sqlite3"

    with ThreadPoolExecutor(4) as pool:
        stores = list(pool.map(lambda _: open_store(str(path)), range(4)))

    assert [list_packs(store) for store in stores] == [[]] * 4
    for store in stores:
        store.close()


def test_people_can_read_plain_units_from_a_view(filled):
    with filled.reading() as connection:
        rows = connection.exec_driver_sql("SELECT * FROM reading_in_units ORDER BY time_utc").mappings().all()
        raw = connection.execute(sa.select(models.reading).order_by(models.reading.c.ts_ms)).mappings().all()

    assert len(rows) == 40
    assert (rows[1]["pack"], rows[1]["time_utc"]) == ("House", "2025-01-01T00:01:00.000Z")
    for row, stored in zip(rows, raw, strict=True):
        assert row["voltage_v"] == pytest.approx(stored["voltage"] / 1000)
        assert row["temperature_c"] == pytest.approx(stored["temperature"] / 1000)


def test_notes_can_still_be_written_after_an_upgrade(filled):
    filled.close()
    with migrating(filled.path) as connection:
        migrate.downgrade(connection, "0005")

    with open_store(str(filled.path)) as store:
        add_note(store, 1, 0, "still here")

        assert [note.text for note in list_notes(store, 1)] == ["still here"]


def test_a_logbook_that_does_not_say_its_version_is_told_to_be_restored(filled):
    with filled.writing() as connection:
        connection.exec_driver_sql("DELETE FROM alembic_version")
    path = filled.path
    filled.close()
    before = path.read_bytes()

    with pytest.raises(BadConfiguration, match="does not say which version"):
        open_store(str(path))

    assert path.read_bytes() == before
