"""Status: what the words of a monitor can honestly say: which way current flows, and that a protection stepped in.

Only words of general use, in the languages of headers, from memory; any other word says nothing.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

KIND_UNKNOWN, KIND_CHARGING, KIND_DISCHARGING, KIND_RESTING, KIND_PROTECTION, KIND_FAULT = range(6)
"""Codes of `Readings.status_kind`; a protection has cut off, a fault or alarm may not have."""

NEGATED = re.compile(
    r"^(no|not|nicht|kein|kein\w*|ohne|sans|sin|senza|bez|geen|ingen|utan|ei|non|pas)\b|\b(ok|none|normal)\b"
)
PROTECTION = re.compile(
    r"protect|schutz|protec|protez|ochron|ochran|beveilig|beskyt|skydd|suoja|защит|保护|保護|"
    r"cut.?off|cutout|abgeschaltet|abschalt|tripp|disconnect|getrennt|odpoj|odlacz|frakoblet|bortkoppl|отключ|断开|遮断|"
    r"coup(e|ure)\b|desconect|corte\b|scollegat|interrott|afgeschakeld"
)
FAULT = re.compile(
    r"alarm|alarme|fault|failure|error|fehler|storung|defaut|panne|fallo|falla|averia|guasto|errore|blad|awaria|"
    r"chyba|porucha|storing|fout\b|fejl|fel\b|feil|vika|virhe|ошибк|авари|тревог|故障|警报|警報|異常|报警"
)
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
    if PROTECTION.search(plain):
        return KIND_PROTECTION
    if FAULT.search(plain):
        return KIND_FAULT
    out = bool(DISCHARGING.search(plain))
    into = bool(CHARGING.search(DISCHARGING.sub("", plain)))
    if out or into:
        return KIND_UNKNOWN if out == into or NO_FLOW.search(plain) else KIND_DISCHARGING if out else KIND_CHARGING
    return KIND_RESTING if RESTING.search(plain) else KIND_UNKNOWN
