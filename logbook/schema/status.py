"""Status: what the words of a monitor can honestly say: which way current flows, and that a protection stepped in and why.

Only words of general use, in the languages of headers, from memory; any other word says nothing.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

(
    KIND_UNKNOWN,
    KIND_CHARGING,
    KIND_DISCHARGING,
    KIND_RESTING,
    KIND_FAULT,
    KIND_PROTECTION,
    KIND_TOO_COLD,
    KIND_TOO_HOT,
    KIND_IMBALANCE,
    KIND_OVER_VOLTAGE,
    KIND_UNDER_VOLTAGE,
    KIND_OVER_CURRENT,
) = range(12)
"""Codes of `Readings.status_kind`, what tells of more last; a fault or alarm may not have cut off, and a protection from
KIND_PROTECTION on says that something is to be cut off, the later ones why."""

CAUSES = {
    KIND_PROTECTION: "unsaid",
    KIND_TOO_COLD: "too_cold",
    KIND_TOO_HOT: "too_hot",
    KIND_IMBALANCE: "imbalance",
    KIND_OVER_VOLTAGE: "over_voltage",
    KIND_UNDER_VOLTAGE: "under_voltage",
    KIND_OVER_CURRENT: "over_current",
}
"""Names of what a protection stepped in for."""
CAUSE_WORDS = {
    "unsaid": "a protection",
    "too_cold": "cold",
    "too_hot": "heat",
    "imbalance": "cells out of step",
    "over_voltage": "a cell too high",
    "under_voltage": "a cell too low",
    "over_current": "too much current",
}
"""The same in the words of the answer."""

NEGATED = re.compile(
    r"^(no|not|nicht|kein|kein\w*|ohne|sans|sin|senza|bez|geen|ingen|utan|ei|non|pas)\b|\b(ok|none|normal)\b|"
    r"\b(recover\w*|released?|cleared|aufgehoben|behoben|retabli\w*|ripristinat\w*|restablecid\w*)\b"
)
PROTECTION = re.compile(
    r"protect|schutz|protec|protez|ochron|ochran|beveilig|beskyt|skydd|suoja|защит|保护|保護|"
    r"cut.?off|cutout|abgeschaltet|abschalt|tripp|disconnect|getrennt|odpoj|odlacz|frakoblet|bortkoppl|отключ|断开|遮断|"
    r"coup(e|ure)\b|desconect|corte\b|scollegat|interrott|afgeschakeld"
)
FAULT = re.compile(
    r"alarm|alarme|fault|failure|error|fehler|storung|defaut|panne|fallo|falla|averia|guasto|errore|blad|awaria|"
    r"chyba|porucha|storing|fout\b|fejl|fel\b|feil|vika|virhe|ошибк|авари|тревог|故障|警报|警報|異常|报警|"
    r"\bwarn|warnung|vorwarn|avertiss|advertencia|aviso\b|avviso|avvertim|waarschuw|varning|advarsel|ostrzez|varovani|varoitus|предупр|警告"
)
_CAUSE = (
    (
        KIND_UNDER_VOLTAGE,
        (
            r"under.?volt|\blow (\w+ )?volt|volt\w* (too )?low|\buvp|over.?discharg|unterspannung|tiefentlad|ue?ber.?entlad|"
            r"sottotensione|sottoscaric|subtension|subtensao|baj[ao] (tension|voltaje)|onderspanning|underspann|underspaend|"
            r"podnapie|podpeti|alijannit|пониженн\w+ напряж|недонапряж|переразряд|欠压|过放|欠圧|過放電|低电压|低電圧"
        ),
    ),
    (
        KIND_OVER_VOLTAGE,
        (
            r"over.?volt|\bhigh (\w+ )?volt|volt\w* (too )?high|\bovp|over.?charg|ue?ber.?spannung|ue?ber.?lad|surtension|surcharge\b|"
            r"sovratensione|sobretension|sobretensao|overspanning|overspann|overspaend|przepieci|przeladow|prepeti|ylijannit|"
            r"повышенн\w+ напряж|перенапряж|перезаряд|过压|过充|過電圧|過充電"
        ),
    ),
    (
        KIND_OVER_CURRENT,
        (
            r"over.?current|\bocp|\bscp|short.?circuit|over.?load|ue?ber.?strom|kurzschluss|ue?ber.?last|surintens|court.?circuit|"
            r"sovracorrente|cortocircuito|curto.?circuito|sobrecorriente|sobreintens|sobrecorrente|overstr[oø]m|kortslut|kortsluit|"
            r"nadprad|nadproud|zwarci|zkrat|ylivirta|сверхток|перегрузк|коротк\w+ замык|过流|短路|過電流|短絡"
        ),
    ),
    (
        KIND_TOO_COLD,
        (
            r"under.?temp|\blow (\w+ )?temp|temp\w* (too )?low|too cold|\bc?utp|untertemp|zu kalt|kalteschutz|frostschutz|"
            r"sous.?temp|trop froid|temperature (trop )?basse|sottotemp|troppo fredd|temperatura bassa|baja temp|temperatura baja|"
            r"demasiado fri|ondertemp|te koud|undertemp|for kold|for kall|niska temp|nizka teplot|alilampo|низк\w+ темп|低温|欠温"
        ),
    ),
    (
        KIND_TOO_HOT,
        (
            r"over.?temp|\bhigh (\w+ )?temp|temp\w* (too )?high|too hot|over.?heat|\b[cd]?otp|ue?ber.?temp|ue?ber.?hitz|zu hei(ss|ß)|"
            r"surtemp|surchauff|trop chaud|sovratemp|surriscald|sobretemp|sobrecalent|overtemp|oververhit|overhett|overophed|"
            r"przegrz|wysoka temp|prehrat|vysoka teplot|ylikuum|перегрев|高温|过温|過熱"
        ),
    ),
    (
        KIND_IMBALANCE,
        (
            r"imbalance|unbalance|out of balance|cell (voltage )?(diff|delta)|zell(differenz|drift)|spannungsdifferenz|"
            r"desequilib|squilibr|desbalance|onbalans|obalans|ubalance|niezrownow|nevyvaz|epatasapain|дисбаланс|разбаланс|压差"
        ),
    ),
)
CAUSE = tuple((kind, re.compile(words)) for kind, words in _CAUSE)
READY = re.compile(r"\b(on|enabled?|armed|ready)$|[:=] *(0|off|false|no|nein|non)\b")
"""A protection that stands ready, or whose flag is down, has not stepped in."""
OUT_OF_COLD = re.compile(r"\bdutp")
"""A pack too cold to be discharged; what is said of a charge does not hold for it."""
NO_FLOW = re.compile(
    r"\b(on|off|aus|ein|enabled?|disabled?|allowed|ready|mos\w*|fet\w*|finished|complete|completed|done|ended|fertig|beendet|"
    r"voll|full|plein|lleno|pieno|pelny|limit\w*|max\w*)\b"
)
"""A switch that is on, or a charge that is over, is no current."""
DISCHARGING = re.compile(
    r"dischar|\bdsg\b|\bdchg\b|entlad|dechar|descar|scaric|\bscarica|rozladow|ontla|urladd|udlad|utlad|vybij|разряд|放电|放電|purkau|purku"
)
CHARGING = re.compile(
    r"charg(?!ed)|\bchg\b|\blade|\bladen|\bladung|carga|carica|ladow|laddn|laddar|opladn|nabij|заряд|充电|充電|\bbulk\b|absorption|\bfloat\b|lataus|lataa"
)
RESTING = re.compile(
    r"idle|\brest|stand.?by|ruhe|repos\b|reposo|riposo|spoczynek|klid\b|\brust\b|vila\b|hvile|lepo|ожидан|покой|静置|待机|待機"
)


@lru_cache(maxsize=4096)
def status_kind(word: str) -> int:
    """The kind of a status word, KIND_UNKNOWN where it is none of them or says several things at once."""
    plain = unicodedata.normalize("NFKD", word.strip().lower().replace("ł", "l"))
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter)).replace("_", " ")
    if NEGATED.search(plain):
        return KIND_UNKNOWN
    fault = bool(FAULT.search(plain))
    if PROTECTION.search(plain) or not fault:
        kind = _protection(plain)
        if kind != KIND_UNKNOWN:
            return kind
    if fault:
        return KIND_FAULT
    out = bool(DISCHARGING.search(plain))
    into = bool(CHARGING.search(DISCHARGING.sub("", plain)))
    if out or into:
        return KIND_UNKNOWN if out == into or NO_FLOW.search(plain) else KIND_DISCHARGING if out else KIND_CHARGING
    return KIND_RESTING if RESTING.search(plain) else KIND_UNKNOWN


def _protection(plain: str) -> int:
    """The protection a word tells of, by its cause where it names one alone; a condition by name is one where readings bear it out."""
    if READY.search(plain):
        return KIND_UNKNOWN
    causes = [kind for kind, words in CAUSE if words.search(plain)]
    if len(causes) == 1 and not (causes[0] == KIND_TOO_COLD and DISCHARGING.search(plain)):
        return causes[0]
    return KIND_PROTECTION if causes or PROTECTION.search(plain) or OUT_OF_COLD.search(plain) else KIND_UNKNOWN
