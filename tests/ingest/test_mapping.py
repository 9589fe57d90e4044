"""A mapping file is checked key by key, and one written from a receipt reads the same file alike."""

from __future__ import annotations

import pytest

from logbook.errors import BadConfiguration, InputMissing
from logbook.ingest import ImportOptions, mapping_text, parse_mapping, read_export, read_mapping
from tests.ingest.trip import lines, plain_cells, text, trip


@pytest.mark.parametrize(
    ("written", "what", "mend"),
    [
        ('[tyme]\nzone = "UTC"', '"tyme" is not a key', 'Did you mean "time"'),
        ('[columns.voltage]\ncolumn = "U"', '"columns.voltage" is not a key', 'Did you mean "voltage_v"'),
        ('[columns.voltage_v]\ncolumn = "U"\nunits = "V"', '"columns.voltage_v.units"', 'Did you mean "unit"'),
        ('[columns.voltage_v]\ncolumn = "U"\nunit = "Vlt"', "no unit that is known", "Known are V"),
        ('[current]\npositive = "in"', "current.positive", '"charge" or "discharge"'),
        ('[file]\ndelimiter = "slash"', "file.delimiter", "semicolon"),
        ("[file]\nfirst_row = 0", "file.first_row", "a line number"),
        ("[file]\nfirst_row = " + "9" * 40, "file.first_row", "a line number"),
        ("[file]\nfirst_row = " + "9" * 5000, "not valid TOML", "quotes"),
        ("[time]\ncolumns = 1.5", "time.columns", "names or positions"),
        ("[time]\ncolumns = 2026-03-02", "time.columns", "names or positions"),
        ("[time]\ncolumns = {}", "time.columns", "names or positions"),
        ("[time]\ncolumns = " + "[" * 5000, "not valid TOML", "quotes"),
        ("[file\n", "not valid TOML", "quotes"),
    ],
)
def test_a_wrong_key_or_value_is_named_with_the_way_out(written: str, what: str, mend: str):
    with pytest.raises(BadConfiguration) as caught:
        parse_mapping(written, "van.toml")

    assert what in caught.value.what
    assert mend in caught.value.mend
    assert caught.value.where == "van.toml"


def test_a_mapping_that_is_not_there_is_said_so(tmp_path):
    with pytest.raises(InputMissing, match="cannot be read"):
        read_mapping(tmp_path / "none.toml")


def test_a_column_the_file_has_not_is_named_with_those_it_has(tmp_path):
    path = tmp_path / "trip.csv"
    path.write_text(text(lines(trip())))
    mapping = parse_mapping('[columns.voltage_v]\ncolumn = "voltage"')

    with pytest.raises(BadConfiguration, match='Did you mean "voltage_v"'):
        read_export(path, ImportOptions(mapping=mapping))


def test_a_mapping_written_from_a_receipt_needs_no_further_answer(tmp_path):
    path = tmp_path / "trip.csv"
    header = "Zeit;Spannung [V];Strom [A];Temperatur;Ladezustand"
    rows = lines(trip(), plain_cells("%d/%m/%Y %H:%M:%S", decimal=",", sign=-1.0), header=header, delimiter=";")
    path.write_text(text(rows), "utf-8")
    first = read_export(path, ImportOptions(time_zone="Europe/Berlin", cells_in_series=4))

    again = read_export(path, ImportOptions(mapping=parse_mapping(mapping_text(first.receipt))))

    assert (again.readings.ts_ms == first.readings.ts_ms).all()
    assert (again.readings.current_a == first.readings.current_a).all()
