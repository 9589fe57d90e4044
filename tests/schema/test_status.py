"""Status words are of general use, from memory; what no one could be sure of says nothing."""

from __future__ import annotations

import pytest

from logbook.schema.status import (
    KIND_CHARGING,
    KIND_DISCHARGING,
    KIND_FAULT,
    KIND_IMBALANCE,
    KIND_OVER_CURRENT,
    KIND_OVER_VOLTAGE,
    KIND_PROTECTION,
    KIND_RESTING,
    KIND_TOO_COLD,
    KIND_TOO_HOT,
    KIND_UNDER_VOLTAGE,
    KIND_UNKNOWN,
    status_kind,
)

WORDS = {
    KIND_CHARGING: "Charging, charge, CHG, Laden, charge, carga, carica, ładowanie, laden, Laddning, nabíjení, Заряд, 充电, bulk, Absorption, float",
    KIND_DISCHARGING: "Discharging, DSG, Entladen, décharge, descarga, scarica, rozładowanie, ontladen, urladdning, vybíjení, Разряд, 放电",
    KIND_RESTING: "idle, standby, Ruhe, repos, reposo, riposo, spoczynek, rust, vila, 静置",
    KIND_PROTECTION: "protection, Schutz, protección, protezione, ochrona, beveiliging, skydd, discharge cut-off, 保护, "
    "discharge under-temperature protection, DUTP, under-voltage/over-current protection",
    KIND_UNDER_VOLTAGE: "Under-voltage protection, UVP, cell low voltage cut-off, over-discharge protection, Unterspannung, Tiefentladeschutz, "
    "protection sottotensione, 欠压保护",
    KIND_OVER_VOLTAGE: "over voltage, OVP, Über-Lade-Schutz, Überspannung, overcharge protection, surtension, przepięcie, 过压保护",
    KIND_OVER_CURRENT: "charge over-current protection, OCP, short circuit, Überstrom, Kurzschluss, surintensité, cortocircuito, 过流保护",
    KIND_TOO_COLD: "charge under temperature, UTP, CUTP, low temp protection, Untertemperatur, zu kalt, trop froid, 低温保护",
    KIND_TOO_HOT: "over-temperature, OTP, overheat, Übertemperatur, surchauffe, 过温保护",
    KIND_IMBALANCE: "cell imbalance, Zelldifferenz, déséquilibre, 压差保护",
    KIND_FAULT: "Alarm, low voltage warning, under-voltage alarm, over temp fault, Warnung Überstrom, fault, Störung, Fehler, défaut, guasto, awaria, porucha, fel, 故障",
    KIND_UNKNOWN: "OK, normal, No alarm, kein Fehler, full, geladen, nicht geladen, charged, Charge MOS on, CHG/DSG on, "
    "charge & discharge, discharge enabled, charging complete, under-voltage protection enabled, "
    "UVP: 0, protection released, no under-voltage, mise sous tension, 7, on, , main, output, load",
}


@pytest.mark.parametrize(
    ("word", "kind"), [(word, kind) for kind, words in WORDS.items() for word in words.split(", ")]
)
def test_a_word_says_what_it_says_and_no_more(word: str, kind: int):
    assert status_kind(word) == kind
