"""Whatever cannot be decided without a terminal names an option, and that option settles it."""

from __future__ import annotations

import ast
import importlib
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import logbook.ingest
from logbook.errors import BadData, Unanswered
from logbook.ingest import ImportOptions, parse_mapping, read_export
from tests.ingest.fixtures import ALL
from tests.ingest.test_sign import OPTIONS, coded, read_coded

MOST_QUESTIONS = 4
OPEN = [each for each in ALL if each.error is Unanswered]


def settled_by(options: ImportOptions, error: Unanswered) -> ImportOptions:
    """The options with the first one that the error names, as it stands there."""
    named = re.search(r"--(\w+) (\S+|\".*?\")(?:  with  (.*?)(?:  \(or .*?\))?  ?under \[(.*)\])?(?: |$)", error.mend)
    assert named, error.mend
    option, value, said, table = named.groups()
    if option == "mapping":
        text = "\n".join(said.split("  and  "))
        before = options.mapping.text if options.mapping else ""
        return replace(options, mapping=parse_mapping(f"{before}\n[{table}]\n{text}\n"))
    if value == "NAME":
        value = re.search(r"\((.*?) or ", error.what)[1]
    if value == "ZONE":
        value = re.search(r"such as (\S+)", error.mend)[1]
    return replace(options, **{"time_zone" if option == "timezone" else option: value.strip('"')})


def settled(path: Path, options: ImportOptions) -> list[str]:
    """Every question that stops the file, each settled by the option it names."""
    asked = []
    while len(asked) < MOST_QUESTIONS:
        try:
            read_export(path, options)
        except Unanswered as error:
            asked.append(error.what)
            options = settled_by(options, error)
        else:
            return asked
    raise AssertionError(asked)


@pytest.mark.parametrize("fixture", OPEN, ids=lambda fixture: fixture.name)
def test_the_option_that_a_question_names_settles_it(fixture, tmp_path):
    path = tmp_path / f"{fixture.name}{fixture.suffix}"
    path.write_bytes(fixture.content)
    options = ImportOptions(**{"cells_in_series": 4, "rated_ah": 100.0, **fixture.options})

    asked = settled(path, options)

    assert len(set(asked)) == len(asked) > 0


def test_the_word_that_is_charging_is_settled_by_its_option(tmp_path):
    t, into = coded()
    with pytest.raises(Unanswered) as refused:
        read_coded(tmp_path, t, into)

    options = settled_by(OPTIONS, refused.value)
    recording = read_export(tmp_path / "trip.csv", options)

    assert options.charging == "2"
    np.testing.assert_array_equal(recording.readings.current_a, np.where(into, -5.0, 2.5))
    mapped = replace(OPTIONS, mapping=parse_mapping('[current]\ncharging = "2"'))
    np.testing.assert_array_equal(
        read_export(tmp_path / "trip.csv", mapped).readings.current_a, recording.readings.current_a
    )


def test_a_word_that_its_direction_never_says_is_refused(tmp_path):
    t, into = coded()
    with pytest.raises(Unanswered):
        read_coded(tmp_path, t, into)

    with pytest.raises(BadData, match='never says "3"'):
        read_export(tmp_path / "trip.csv", replace(OPTIONS, charging="3"))


def keys_in(module: str) -> set[str]:
    """Keys of the questions that a module puts, where they are constant."""
    source = importlib.import_module(f"logbook.ingest.{module}")
    calls = ast.walk(ast.parse(Path(source.__file__).read_text("utf-8")))
    keys = [call.args[0] for call in calls if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "Question"]
    named = {getattr(source, key.id) for key in keys if isinstance(key, ast.Name) and hasattr(source, key.id)}
    return named | {key.value for key in keys if isinstance(key, ast.Constant)}


def test_every_question_of_the_importer_stops_some_file_here(tmp_path):
    modules = (path.stem for path in Path(logbook.ingest.__file__).parent.glob("*.py"))
    keys = set().union(*map(keys_in, modules))
    put = []
    for fixture in OPEN:
        path = tmp_path / f"{fixture.name}{fixture.suffix}"
        path.write_bytes(fixture.content)
        options = ImportOptions(**{"cells_in_series": 4, "rated_ah": 100.0, **fixture.options})
        with pytest.raises(Unanswered):
            read_export(path, options, ask=lambda question: put.append(question.key))

    assert {"positive", "clock", "device"} <= keys
    assert keys - set(put) == {"charging_direction"}
