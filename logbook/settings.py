"""Settings: which logbook is meant and where things are kept, decided once and passed on."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

import platformdirs

if TYPE_CHECKING:
    from collections.abc import Mapping

DATABASE_VARIABLE = "LOGBOOK_DB"
DATABASE_FILE = "logbook.sqlite3"
DEMO_FILE = "demo.sqlite3"


@dataclass(frozen=True)
class Settings:
    """What a run of the program goes by."""

    database: str
    """SQLAlchemy URL of the logbook."""
    database_source: str
    """Who said so: `--db`, `LOGBOOK_DB` or `default`."""
    log_file: Path
    """Where an unexpected error is written down in full."""

    @staticmethod
    def resolve(
        database: str | None = None, *, environ: Mapping[str, str] | None = None, default_file: str = DATABASE_FILE
    ) -> Settings:
        """Decide by precedence: the option, then the environment, then the user's data folder.

        Parameters
        ----------
        database
            Path or SQLAlchemy URL given with `--db`.
        environ
            Environment to read, that of the process unless said.
        default_file
            Name of the file in the user's data folder when nobody says anything.
        """
        told = (os.environ if environ is None else environ).get(DATABASE_VARIABLE)
        log_file = platformdirs.user_log_path("logbook", appauthor=False) / "logbook.log"
        if database:
            return Settings(database_url(database), "--db", log_file)
        if told:
            return Settings(database_url(told), DATABASE_VARIABLE, log_file)
        folder = platformdirs.user_data_path("logbook", appauthor=False)
        return Settings(database_url(str(folder / default_file)), "default", log_file)


def database_url(text: str) -> str:
    """Read a path as the URL of an SQLite file; leave a URL as it is."""
    if "://" in text:
        return text
    path = str(Path(text).expanduser().absolute())
    return f"sqlite:///{quote(path, safe='/: ' + chr(92), errors='surrogateescape')}"
