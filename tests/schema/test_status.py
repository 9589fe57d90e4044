"""Status words are of general use, from memory; what no one could be sure of says nothing."""

from __future__ import annotations

import pytest

from logbook.schema.status import (
    KIND_CHARGING,
    KIND_DISCHARGING,
    KIND_FAULT,
    KIND_PROTECTION,
    KIND_RESTING,
    KIND_UNKNOWN,
    status_kind,
)

WORDS = {
    KIND_CHARGING: "Charging, charge, CHG, Laden, charge, carga, carica, ładowanie, laden, Laddning, nabíjení, Заряд, 充电, bulk, Absorption, float",
    KIND_DISCHARGING: "Discharging, DSG, Entladen, décharge, descarga, scarica, rozładowanie, ontladen, urladdning, vybíjení, Разряд, 放电",
    KIND_RESTING: "idle, standby, Ruhe, repos, reposo, riposo, spoczynek, rust, vila, 静置",
    KIND_PROTECTION: "protection, Schutz, protección, protezione, ochrona, beveiliging, skydd, Über-Lade-Schutz, discharge cut-off, "
    "charge over-current protection, 保护",
    KIND_FAULT: "Alarm, fault, Störung, Fehler, défaut, guasto, awaria, porucha, fel, 故障",
    KIND_UNKNOWN: "OK, normal, No alarm, kein Fehler, full, geladen, nicht geladen, charged, Charge MOS on, CHG/DSG on, "
    "charge & discharge, discharge enabled, charging complete, 7, on, , main, output, load",
}


@pytest.mark.parametrize(
    ("word", "kind"), [(word, kind) for kind, words in WORDS.items() for word in words.split(", ")]
)
def test_a_word_says_what_it_says_and_no_more(word: str, kind: int):
    assert status_kind(word) == kind
