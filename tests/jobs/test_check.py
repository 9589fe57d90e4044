from __future__ import annotations

import pytest

from logbook.errors import BadConfiguration
from logbook.jobs import check as checking
from logbook.jobs import health as answering
from logbook.jobs.check import check
from logbook.jobs.health import health
from logbook.store import (
    commit_import,
    dialect,
    edit_pack,
    findings,
    list_imports,
    list_packs,
    originals,
    read_findings,
    reading_span,
)
from logbook.store.engine import migration_engine
from tests.store.recordings import DAY_MS, content, drawn, recording_of


@pytest.fixture
def filled(store, pack, tmp_path, travelled):
    start = int(travelled.readings.ts_ms[0])
    readings = travelled.readings.between(start, start + 20 * DAY_MS)
    path = tmp_path / "trip.csv"
    path.write_bytes(b"trip.csv")
    commit_import(store, pack, recording_of(readings, "trip.csv"), path)
    health(store, pack)
    return store


def run(store, statement: str) -> None:
    with store.writing() as connection:
        connection.exec_driver_sql(statement)


def test_a_sound_logbook_has_nothing_wrong_and_is_not_changed(filled):
    before = content(filled)

    assert check(filled) == []
    assert content(filled) == before


def test_an_empty_logbook_is_sound(store, pack):
    assert check(store) == []


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE rollup SET voltage_max = voltage_max + 1 WHERE level_s = 900", "chart data"),
        ("DELETE FROM rollup WHERE level_s = 60", "chart data"),
        (("INSERT INTO rollup SELECT pack_id, level_s, bucket_ms + 900000000000, n, voltage_n, voltage_min, voltage_max,"
         " voltage_sum, current_n, current_min, current_max, current_sum, temperature_n, temperature_min,"
         " temperature_max, temperature_sum, soc_n, soc_min, soc_max, soc_sum FROM rollup WHERE level_s = 86400"),
         "chart data"),
        ("UPDATE hour SET charge_ah = charge_ah + 0.1", "hours"),
        ("DELETE FROM hour WHERE discharge_ah > 1", "hours"),
        ("DELETE FROM finding WHERE kind = 'spells'", "spells"),
    ],
)  # fmt: skip
def test_what_is_not_as_the_readings_say_is_found_and_can_be_mended(filled, statement, words):
    whole = content(filled)
    run(filled, statement)
    broken = content(filled)
    assert broken != whole

    (found,) = check(filled)
    assert words in found.message
    assert not found.mended
    assert content(filled) == broken

    (mended,) = check(filled, mend=True)
    assert mended.mended
    assert check(filled) == []


def test_readings_without_their_import_are_found(filled):
    run(filled, "UPDATE reading SET import_id = 77 WHERE ts_ms = (SELECT min(ts_ms) FROM reading)")

    assert "reading" in check(filled)[0].message


def test_a_damaged_original_is_found(filled):
    (row,) = list_imports(filled)
    (filled.originals_folder / originals.name_of(row.sha256)).write_bytes(b"damaged")

    (found,) = check(filled)

    assert '"trip.csv"' in found.message


def test_a_damaged_file_is_found(filled, pack, rng):
    commit_import(filled, pack, recording_of(drawn(rng, 5000, start_ms=0), "b.csv"), None)
    filled.close()
    size = filled.path.stat().st_size
    with filled.path.open("r+b") as file:
        file.seek(size // 2 // 16_384 * 16_384)
        file.write(b"\x05" * 4000)

    found = check(filled)
    assert any("damaged" in each.message for each in found)
    assert all(each.message.endswith(".") for each in found)


def test_an_import_that_lands_in_the_middle_is_no_damage_and_hides_none(filled, pack, rng, monkeypatch, travelled):
    """Another program brings readings after the refresh and while findings are made again."""
    last = int(travelled.readings.ts_ms[0]) + 20 * DAY_MS
    made, came = checking.made_anew, []

    def bring() -> None:
        came.append(drawn(rng, 2000, start_ms=last + 2 * len(came) * DAY_MS))
        commit_import(filled, pack, recording_of(came[-1], f"later-{len(came)}.csv"), None)

    def beside(*given):
        for piece in made(*given):
            bring()
            yield piece

    monkeypatch.setattr(checking, "refresh", lambda *_given, **_named: bring())
    monkeypatch.setattr(checking, "made_anew", beside)

    assert check(filled) == []
    assert len(came) > 1

    health(filled, pack)
    run(filled, "UPDATE hour SET charge_ah = charge_ah + 0.1 WHERE start_ms = (SELECT min(start_ms) FROM hour)")
    (found,) = check(filled)
    assert "hours" in found.message


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE finding SET body = '[1,' WHERE start_ms = (SELECT min(start_ms) FROM finding)",
        "UPDATE finding SET body = '[]'",
        "UPDATE finding_kind SET columns = '{'",
        "UPDATE finding_kind SET columns = CAST(x'7b22ff' AS TEXT)",
    ],
)
def test_findings_that_cannot_be_read_are_found_and_can_be_made_again(filled, pack, statement):
    before = content(filled)
    run(filled, statement)

    (found,) = check(filled)
    assert "The findings of House" in found.message
    (mended,) = check(filled, mend=True)

    assert mended.mended
    assert check(filled) == []
    assert content(filled) == before


@pytest.mark.parametrize("text", ["{", "[]", '{"file_name": 1}'])
def test_a_receipt_that_cannot_be_read_is_found(filled, text):
    with filled.writing() as connection:
        connection.exec_driver_sql("UPDATE import SET receipt = ?", (text,))

    (found,) = check(filled)

    assert (found.message, found.mended) == ('The receipt of "trip.csv" cannot be read.', False)


def test_a_text_that_cannot_be_read_is_no_fault_of_the_program(filled, pack):
    run(filled, "UPDATE finding_kind SET columns = '{'")

    with pytest.raises(BadConfiguration, match="damaged"):
        read_findings(filled, pack.id)


ODD = "x'00ff'"


@pytest.mark.parametrize(
    ("statement", "table"),
    [
        (f"UPDATE rollup SET n = {ODD}", "rollup"),
        (f"UPDATE rollup SET voltage_max = {ODD} WHERE level_s = 86400", "rollup"),
        ("UPDATE hour SET charge_ah = 'x'", "hour"),
        (f"UPDATE finding SET body = {ODD}", "finding"),
        (f"UPDATE finding_kind SET columns = {ODD}", "finding_kind"),
        ("UPDATE finding_kind SET kind = 'spelks' WHERE kind = 'spells'", "finding"),
        ("DELETE FROM finding_kind", "finding"),
        (f"UPDATE digest_state SET revision = {ODD}", "digest_state"),
        ("UPDATE digest_state SET digest_version = 1.5", "digest_state"),
        ("DELETE FROM digest_state", "digest_state"),
        (f"INSERT INTO stale (pack_id, start_ms, end_ms, whole_days) VALUES (1, {ODD}, 0, 0)", "stale"),
        (f"UPDATE answer SET body = {ODD}", "answer"),
    ],
)
def test_damage_to_what_is_made_of_the_readings_is_found_and_made_again(filled, pack, statement, table):
    whole, expected = content(filled), health(filled, pack)
    run(filled, statement)
    broken = content(filled, without=(table,))

    (found,) = check(filled)
    assert (found.mended, table in found.message) == (False, True)
    assert content(filled, without=(table,)) == broken
    assert all(mended.mended for mended in check(filled, mend=True))

    assert check(filled) == []
    assert content(filled) == whole
    assert health(filled, pack) == expected


def test_rows_of_a_pack_that_is_not_there_are_forgotten_where_they_can_be_made_again(filled, pack):
    whole = content(filled)
    with migration_engine(str(filled.path)).begin() as connection:
        connection.exec_driver_sql("UPDATE hour SET pack_id = 77 WHERE start_ms = (SELECT max(start_ms) FROM hour)")

    (found,) = check(filled)
    assert "rows of hour are damaged" in found.message
    check(filled, mend=True)

    assert check(filled) == []
    assert content(filled) == whole


def test_rows_out_of_their_order_are_made_again_where_they_are_derived(filled, pack):
    """SQLite looks for a row where it should stand, and finds nothing, or puts another in its place."""
    whole = content(filled)
    dialect.close_for_good(filled.engine)
    with filled.reading() as connection:
        (bucket,) = connection.exec_driver_sql(
            "SELECT bucket_ms FROM rollup WHERE level_s = 900 ORDER BY bucket_ms LIMIT 1 OFFSET 40"
        ).one()
    dialect.close_for_good(filled.engine)
    # both numbers as SQLite stores those of their size (sqlite.org/fileformat2.html, section 2.1)
    key = (900).to_bytes(2, "big") + bucket.to_bytes(6, "big")
    file = bytearray(filled.path.read_bytes())
    assert file.count(key) == 1
    file[file.index(key) + 3] ^= 0x01
    filled.path.write_bytes(file)
    assert any("order for rollup" in text for text in dialect.integrity_problems(filled.engine))

    found = check(filled)
    assert "rollup" in found[0].message
    check(filled, mend=True)

    assert check(filled) == []
    assert content(filled) == whole


def test_no_running_program_takes_findings_made_after_damage_for_those_it_knows(filled, pack):
    """Programs tell answers apart by the count of changes, which damage may have taken away."""
    with filled.reading() as connection:
        known = findings.state_in(connection, pack.id).revision
    run(filled, "DELETE FROM digest_state")

    check(filled, mend=True)

    with filled.reading() as connection:
        assert findings.state_in(connection, pack.id).revision > known + 1_000_000


def test_readings_of_another_kind_are_no_readings(filled):
    run(filled, f"UPDATE reading SET voltage = {ODD} WHERE ts_ms = (SELECT min(ts_ms) FROM reading)")

    (found,) = check(filled, mend=True)

    assert "Rows of reading" in found.message
    assert not found.mended


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ("time_zone = 'U\x1eC'", "time zone of pack 1"),
        ("chemistry = 'lfq'", "rating or a limit of pack 1"),
        ("limits = '{\"knef_voltage_v\": 12.0}'", "rating or a limit of pack 1"),
        ("limits = '[]'", "rating or a limit of pack 1"),
    ],
)
def test_a_pack_that_cannot_be_read_is_found(filled, values, words):
    run(filled, f"UPDATE pack SET {values}")

    (found,) = check(filled, mend=True)

    assert words in found.message
    assert not found.mended
    with pytest.raises(BadConfiguration, match="damaged"):
        list_packs(filled)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE finding_kind SET columns = replace(columns, 'end_ms', 'enc_ms')",
        "UPDATE finding_kind SET columns = replace(columns, 'float64', 'flqat64')",
        "UPDATE finding_kind SET columns = replace(columns, 'float64', 'str')",
        "UPDATE finding SET body = '[1, 2]' WHERE start_ms = (SELECT min(start_ms) FROM finding)",
        "UPDATE finding SET body = '1],[2' WHERE start_ms = (SELECT min(start_ms) FROM finding)",
    ],
)
def test_an_answer_from_findings_that_are_not_as_they_were_made_is_no_fault_of_the_program(filled, statement):
    run(filled, statement)
    pack = edit_pack(filled, "House", time_zone="Europe/Berlin")  # so that the answer kept counts for nothing

    with pytest.raises(BadConfiguration, match="what was made of the readings cannot be read") as told:
        health(filled, pack)
    assert "--mend" in told.value.mend

    check(filled, mend=True)
    assert health(filled, pack).readings.count > 0


def test_a_fault_of_the_program_is_not_taken_for_damage(filled, monkeypatch):
    def wrong(*_given, **_named):
        raise KeyError("ours")

    monkeypatch.setattr(answering, "answer", wrong)

    with pytest.raises(KeyError, match="ours"):
        health(filled, edit_pack(filled, "House", time_zone="Europe/Berlin"))


def test_numbers_beyond_measure_are_no_fault_of_the_program(filled, pack):
    whole = content(filled)
    run(filled, "UPDATE rollup SET n = 9223372036854775807")

    with pytest.raises(BadConfiguration, match="beyond measure") as told:
        reading_span(filled, pack.id)
    assert "--mend" in told.value.mend

    assert all(mended.mended for mended in check(filled, mend=True))
    assert check(filled) == []
    assert content(filled) == whole
