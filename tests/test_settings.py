from __future__ import annotations

from pathlib import Path

import pytest
import sqlalchemy as sa

from logbook.settings import Settings, database_url


def test_the_option_wins_over_the_environment():
    chosen = Settings.resolve("/a/option.sqlite3", environ={"LOGBOOK_DB": "/b/told.sqlite3"})

    assert chosen.database == "sqlite:////a/option.sqlite3"
    assert chosen.database_source == "--db"


def test_the_environment_wins_over_the_data_folder():
    chosen = Settings.resolve(environ={"LOGBOOK_DB": "/b/told.sqlite3"})

    assert chosen.database == "sqlite:////b/told.sqlite3"
    assert chosen.database_source == "LOGBOOK_DB"


def test_without_either_it_is_a_file_in_the_users_data_folder(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))

    chosen = Settings.resolve(environ={}, default_file="demo.sqlite3")

    assert chosen.database == f"sqlite:///{tmp_path}/logbook/demo.sqlite3"
    assert chosen.database_source == "default"


def test_a_url_is_taken_as_it_is():
    assert database_url("postgresql://fleet/packs") == "postgresql://fleet/packs"


def test_a_path_is_relative_to_where_the_command_runs():
    assert database_url("van.sqlite3") == f"sqlite:///{Path.cwd()}/van.sqlite3"


@pytest.mark.parametrize("name", ["a b", "50%", "what?", "#1", "Fährte", "%20"])
def test_a_path_with_any_sign_in_it_names_that_very_file(name):
    """SQLAlchemy reads the URL; it is the reference for what the URL means."""
    path = f"/tmp/{name}/logbook.sqlite3"

    assert sa.make_url(database_url(path)).database == path
