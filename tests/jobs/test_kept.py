from __future__ import annotations

import math
import threading
from dataclasses import fields, is_dataclass, replace
from datetime import date

import pytest
import sqlalchemy as sa

from logbook.analysis.answer import answer
from logbook.errors import CannotWrite
from logbook.jobs import health as job
from logbook.jobs import kept
from logbook.jobs.backup import back_up, restore
from logbook.jobs.check import check
from logbook.jobs.health import health
from logbook.jobs.refresh import rebuild
from logbook.jobs.undo import undo
from logbook.schema import health as schema
from logbook.schema.estimate import Estimate
from logbook.schema.health import DateRange, Health, SuddenLoss
from logbook.store import commit_import, edit_pack, findings, list_packs, models, open_store, stale
from logbook.store.answers import keep_answer
from tests.store.recordings import DAY_MS, MINUTE_MS, START_MS, drawn, readings_at, recording_of


@pytest.fixture
def made(monkeypatch):
    """Counts the answers that are composed, and lets every look be that of a program begun anew."""
    count: list[int] = []
    real = job.answer
    monkeypatch.setattr(job, "answer", lambda *given, **named: (count.append(1), real(*given, **named))[1])
    monkeypatch.setattr(job, "_keep", lambda *_given: None)
    return count


@pytest.fixture
def filled(store, pack, rng):
    commit_import(store, pack, recording_of(drawn(rng, 200)), None)
    return store


def row_of(store):
    with store.reading() as connection:
        return connection.execute(sa.select(models.answer)).one_or_none()


def test_an_answer_comes_back_as_it_was_written(store, pack, travelled):
    commit_import(store, pack, recording_of(travelled.readings), None)
    answered = health(store, pack)
    assert answered.cycles.equivalent_full_cycles > 1
    assert answered.flags

    assert kept.from_text(kept.as_text(answered)) == answered


def parts(value) -> set[type]:
    """The kinds of parts that stand in an answer."""
    if isinstance(value, tuple):
        return {kind for entry in value for kind in parts(entry)}
    if not is_dataclass(value):
        return set()
    return {type(value)}.union(*(parts(getattr(value, entry.name)) for entry in fields(value)))


def invented(pack) -> Health:
    """An answer that holds every kind of part, days and endless figures among them."""
    estimate = Estimate(1 / 3, -math.inf, 0.1 + 0.2)
    event = schema.ProtectionEvent(1, None, "unknown", (schema.Sight(1, 13.1, None, -0.0, None, None),))
    empty = answer({}, pack)
    return replace(
        empty,
        capacity=replace(
            empty.capacity,
            ah=estimate,
            observations=(schema.CapacityObservation(1, 2, 3.0, 2.0, 4.0, "a “run”", None, used=True, note=None),),
            basis=schema.Basis(0.5, None, "x\x00\u2028"),
        ),
        fade=replace(
            empty.fade,
            end_of_life_date=DateRange(date(2031, 2, 3), None, date.max),
            sudden_losses=(SuddenLoss(5, estimate), SuddenLoss(6, None)),
        ),
        cycles=replace(empty.cycles, depth_histogram=(schema.DepthBin(0.0, 10.0, 2.5),)),
        cold_charging=replace(
            empty.cold_charging,
            events=(schema.ColdChargeEvent(1, 2, 3.0, 4.0, -5.0, 6.0, "slight"),),
            bands=(schema.ColdBand(None, -10.0, 1e-300),),
        ),
        monitor=replace(
            empty.monitor,
            false_fulls=(schema.FalseFull(1, 2.0, 3.0),),
            zero_changes=(schema.ZeroChange(1, -0.25),),
        ),
        protection=schema.Protection((event,), "why"),
        flags=(schema.Flag("code", "look", "message", None, 3, "advice", acknowledged=True),),
    )


def test_every_kind_of_part_comes_back_as_it_was_written(pack):
    whole = invented(pack)
    assert parts(whole) == set(kept.KINDS.values())

    back = kept.from_text(kept.as_text(whole))

    assert back == whole
    assert repr(back) == repr(whole)


def test_a_program_begun_anew_reads_the_answer_and_composes_none(filled, pack, made):
    first = health(filled, pack)
    assert len(made) == 1

    assert health(filled, pack) == first
    with open_store(str(filled.path), read_only=True) as reader:
        assert health(reader, pack) == first
    assert len(made) == 1


@pytest.mark.parametrize(
    "change",
    [
        lambda store, pack: commit_import(store, pack, recording_of(readings_at([START_MS + DAY_MS]), "b.csv"), None),
        lambda store, _pack: edit_pack(store, "House", rated_ah=90.0),
        lambda store, _pack: edit_pack(store, "House", name="Other"),
        lambda store, _pack: edit_pack(store, "House", time_zone="Europe/Berlin"),
        lambda store, _pack: edit_pack(store, "House", limits={"flag_cutoffs": 3.0}),
        lambda store, _pack: undo(store, 1),
        rebuild,
        lambda store, pack: findings.forget(store, pack.id),
    ],
    ids=["import", "rating", "name", "zone", "limit", "undo", "rebuild", "forget"],
)
def test_what_the_answer_rests_on_makes_it_anew_when_it_changes(filled, pack, made, change):
    health(filled, pack)
    change(filled, pack)
    (now,) = list_packs(filled)

    changed = health(filled, now)

    assert len(made) == 2
    with filled.reading() as connection:
        span = findings.state_in(connection, now.id).span
        alone = answer(findings.findings_in(connection, now.id), now, span_ms=span)
    assert replace(changed, flags=()) == replace(alone, flags=())


def test_another_program_or_library_makes_it_anew(filled, pack, made, monkeypatch):
    health(filled, pack)

    monkeypatch.setattr(kept, "made_by", lambda: "another")
    health(filled, pack)

    assert len(made) == 2


def test_what_made_an_answer_tells_code_and_libraries_apart(monkeypatch, tmp_path):
    def made_by() -> str:
        kept.made_by.cache_clear()
        return kept.made_by()

    package = tmp_path / "analysis"
    package.mkdir()
    (package / "one.py").write_text("LEAST = 1\n")
    monkeypatch.setattr(kept, "CODE", ("analysis",))
    monkeypatch.setattr(kept.resources, "files", lambda _name: tmp_path)
    try:
        first, same = made_by(), made_by()
        (package / "one.py").write_text("LEAST = 2\n")
        changed = made_by()
        monkeypatch.setattr(kept.metadata, "version", lambda _name: "99.0")
        newer = made_by()
    finally:
        kept.made_by.cache_clear()

    assert first == same
    assert len({first, changed, newer}) == 3


def test_all_code_that_composes_answers_is_looked_at():
    names = {name for place in kept.CODE for name, _ in kept._sources(kept.resources.files("logbook") / place, place)}

    assert {"analysis/answer.py", "analysis/fade.py", "schema/health.py", "schema/pack.py", "units.py"} <= names


@pytest.mark.parametrize("column", ["body", "checksum", "rests_on"])
def test_a_damaged_text_counts_for_nothing_and_is_made_anew(filled, pack, made, column):
    expected = health(filled, pack)
    whole = row_of(filled)
    text = getattr(whole, column)
    digit = next(place for place in range(len(text) // 2, len(text)) if text[place].isdigit())
    wrong = text[:digit] + str((int(text[digit]) + 1) % 10) + text[digit + 1 :]
    with filled.writing() as connection:
        connection.execute(sa.update(models.answer).values(**{column: wrong}))

    (found,) = check(filled)
    assert "answer kept for House" in found.message
    assert health(filled, pack) == expected

    assert len(made) == 2
    assert row_of(filled) == whole
    assert check(filled) == []


def test_an_answer_that_is_not_that_of_the_findings_is_found_and_mended(filled, pack, made):
    expected = health(filled, pack)
    wrong = replace(expected, cycles=replace(expected.cycles, charge_ah=expected.cycles.charge_ah + 1.0))
    with filled.reading() as connection:
        revision = stale.revision(connection, pack.id)[0]
    keep_answer(filled, pack.id, revision, row_of(filled).rests_on, kept.as_text(wrong))

    assert ["answer kept" in found.message for found in check(filled)] == [True]
    (mended,) = check(filled, mend=True)

    assert mended.mended
    assert row_of(filled) is None
    assert health(filled, pack) == expected
    assert check(filled) == []


def test_nobody_waits_for_another_writer_to_keep_an_answer(filled, pack, made):
    health(filled, pack)
    edit_pack(filled, "House", name="Other")
    (now,) = list_packs(filled)
    before = row_of(filled)
    locked, done = threading.Event(), threading.Event()

    def hold() -> None:
        with filled.writing():
            locked.set()
            done.wait(60)

    holding = threading.Thread(target=hold)
    holding.start()
    locked.wait(60)
    try:
        answered = health(filled, now)  # would wait for minutes, and fail as busy then
        assert not done.is_set()
    finally:
        done.set()
        holding.join()

    assert answered.pack.name == "Other"
    assert row_of(filled) == before


def test_an_answer_overtaken_by_an_import_is_not_kept(filled, pack, monkeypatch):
    real = job.answer

    def overtaken(*given, **named):
        found = real(*given, **named)
        commit_import(filled, pack, recording_of(readings_at([START_MS + 999 * MINUTE_MS]), "b.csv"), None)
        return found

    monkeypatch.setattr(job, "answer", overtaken)
    health(filled, pack)

    assert row_of(filled) is None


def test_a_disk_that_takes_nothing_does_not_keep_the_answer_back(filled, pack, monkeypatch):
    health(filled, pack)
    edit_pack(filled, "House", name="Other")
    (now,) = list_packs(filled)

    def full(*_given, **_named):
        raise CannotWrite("the disk is full; nothing was changed.")

    monkeypatch.setattr(filled, "writing", full)

    assert health(filled, now).pack.name == "Other"


def test_a_backup_brings_the_answer_back_with_what_it_rests_on(filled, pack, made, tmp_path):
    first = health(filled, pack)
    copy = back_up(filled, tmp_path / "backups").path
    commit_import(filled, pack, recording_of(readings_at([START_MS + DAY_MS], voltage_v=13.0), "b.csv"), None)
    later = health(filled, pack)
    filled.close()

    restore(copy, str(filled.path))

    with open_store(str(filled.path)) as store:
        assert health(store, pack) == first != later
    assert len(made) == 2
