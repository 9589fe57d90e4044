"""Words in headers, in the languages exports come in, and the quantity each column name means.

Languages: English, German, French, Spanish, Italian, Portuguese, Dutch, Polish, Czech, the Scandinavian ones,
Finnish, Russian, Chinese, Japanese. The words are general vocabulary, from memory.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from logbook.ingest.text import mended
from logbook.ingest.unit import Unit, unit_named

WORDS: dict[str, frozenset[str]] = {
    name: frozenset(words.split())
    for name, words in {
        "date": "date datum fecha data dato day tag jour dia giorno dzien paivays päivämäärä дата 日期 日付",
        "clock": "uhrzeit heure hora ora orario godzina hodina klockslag klokken kello tijdstip время 时刻 時刻",
        "time": "time timestamp datetime zeit zeitstempel zeitpunkt horodatage tiempo tempo czas tijd tid cas aika epoch unix unixtime ts "
        "recorded logged moment changed updated utc gmt 时间 時間 日時",
        "elapsed": "elapsed laufzeit uptime runtime ecoule duration dauer runtime seconds x_value xvalue",
        "voltage": "voltage volt volts v u spannung tension tensione voltaje tensao napiecie napeti spanning spaenning spenning jannite "
        "напряжение 电压 電圧 vbat vbatt ubat ubatt vpack batteriespannung packspannung gesamtspannung akkuspannung voltagem mv",
        "current": "current amp amps ampere amperes amperage i a strom courant corriente corrente prad proud stroom strøm virta ток 电流 電流 "
        "intensite intensidad ibat ibatt ipack batteriestrom akkustrom packstrom ma",
        "soc": "soc ladezustand ladestand batteriestand akkustand fullstand laadtoestand laadniveau laddniva laddningsniva naladowania "
        "nabiti varaustaso заряд заряда 电量 残量",
        "temperature": "temp temperature temperatur temperatura temperature teplota lampotila temperatuur zelltemperatur akkutemperatur "
        "batterietemperatur температура 温度 tbat tbatt degc degf",
        "power": "power watt watts w p leistung puissance potencia potenza moc vykon vermogen effekt teho мощность 功率 電力",
        "cell": "cell zelle cellule celda cella cel komorka ogniwo clanek celle zellspannung vcell ucell ячейка 单体",
        "status": "status state mode zustand etat estado stato stan stav tila alarm flags fault event meldung betriebsart modus",
        "direction": "direction dir richtung sens direccion direcao direzione kierunek smer richting retning riktning suunta flow направление 方向",
        "charging": "charge charging in laden ladung lade carga carica ladowania laden lading zaladunku einlade laad ladd laddning laddnings "
        "ladungs lad oplad nabijeci nabijeni nabijeci заряда зарядки зарядный 充电 充電",
        "discharging": "discharge discharging out entladen entladung entlade decharge descarga scarica rozladowania ontladen "
        "udladning urladdning entlade entladungs ontlaad urladd urladdnings udlad aflad vybijeci vybijeni разряд разряда разрядки "
        "разрядный 放电 放電",
        "consumed": "consumed used verbraucht entnommen consomme consumido consumato zuzyte verbruikt ce",
        "remaining": "remaining remain rest restkapazitat verbleibend restant restante rimanente pozostalo resterend left",
        "capacity": "capacity kapazitat capacite capacidad capacita pojemnosc capaciteit kapacitet kapacita ёмкость 容量",
        "level": "level percent niveau nivel livello poziom niva uroven pct уровень",
        "quantity": "quantity sensor parameter channel signal metric measurement entity variable messgrosse kanal grosse name field item register point tag",
        "device": "device gerat geraet appareil dispositivo aparelho urzadzenie apparaat apparat laite zarizeni устройство 设备 機器 monitor "
        "battery_id deviceid devicename",
        "value": "value wert valeur valor valore wartosc waarde varde reading messwert zahl",
        "unit": "unit units einheit unite unidad unita jednostka eenheid enhet",
    }.items()
}
PACK = frozenset(
    [
        "battery",
        "batt",
        "bat",
        "pack",
        "akku",
        "batterie",
        "bateria",
        "batteria",
        "main",
        "house",
        "bank",
        "total",
        "gesamt",
        "system",
        "service",
        "bms",
        "akumulator",
    ]
)
ELSEWHERE = frozenset(
    [
        "solar",
        "pv",
        "panel",
        "starter",
        "start",
        "aux",
        "auxiliary",
        "alternator",
        "generator",
        "ac",
        "grid",
        "mains",
        "input",
        "inverter",
        "mid",
        "midpoint",
        "target",
        "limit",
        "set",
        "setpoint",
        "max",
        "min",
        "maximum",
        "minimum",
        "peak",
        "delta",
        "diff",
        "difference",
        "spread",
        "cutoff",
        "rated",
        "nominal",
        "configured",
        "wechselrichter",
        "lichtmaschine",
        "panneau",
        "dcdc",
        "mppt",
    ]
)
"""Words that say a column is not the pack's own momentary value."""
MEAN = frozenset({"average", "avg", "mean", "mittel", "mittelwert", "moyenne", "media"})
"""Means over an interval: taken where the momentary value is not there."""
NEAR_CELLS = frozenset(
    [
        "cell",
        "cells",
        "zelle",
        "zellen",
        "cellule",
        "celda",
        "cella",
        "battery",
        "batt",
        "pack",
        "akku",
        "batterie",
        "bateria",
        "batteria",
    ]
)
BOARD = frozenset(["board", "bms", "mos", "mosfet", "fet", "pcb", "platine", "tmos"])
AROUND = frozenset(
    [
        "ambient",
        "outside",
        "air",
        "case",
        "chamber",
        "room",
        "umgebung",
        "aussen",
        "ambiante",
        "exterior",
        "environment",
        "box",
        "innen",
        "cabin",
    ]
)
DISCHARGE_POSITIVE = re.compile(
    r"(?:discharg\w*|entlad\w*|decharg\w*|descarg\w*|out)\s*(?:is|=|:)?\s*(?:\+|pos)|(?:\+|pos\w*)\s*(?:is|=|:)?\s*(?:discharg|entlad|decharg|descarg|out)|-\s*=\s*(?:charg|lad)"
)
CHARGE_POSITIVE = re.compile(
    r"(?<!dis)(?<!ent)(?<!de)(?<!des)(?:charg\w*|lad\w+|carga|\bin)\s*(?:is|=|:)?\s*(?:\+|pos)|(?:\+|pos\w*)\s*(?:is|=|:)?\s*(?:charg|lad|carg)|-\s*=\s*(?:discharg|entlad)"
)
DEVICE_NAMES = frozenset(
    {
        "source",
        "quelle",
        "battery id",
        "battery name",
        "pack id",
        "pack name",
        "pack",
        "batterie",
        "akku",
        "shunt",
        "serial",
        "serial number",
    }
)
"""Whole names of columns that say which device a row is of."""
DIMENSIONS = {
    "voltage": "voltage", "current": "current", "temperature": "temperature", "fraction": "soc", "power": "power",
    "charge": "ampere_hours",
}  # fmt: skip


@dataclass(frozen=True)
class Meaning:
    """What a column name says: quantity (or None), unit, and how near to the pack it is (higher is nearer)."""

    quantity: str | None
    unit: Unit | None = None
    rank: int = 0
    positive: str | None = None
    """`charge` or `discharge` where the name says what plus means."""
    cell: int | None = None
    ambiguous: tuple[str, ...] = ()
    """Quantities it could be, where the word alone cannot say."""


def folded(text: str) -> str:
    """Lower case without accents, for comparing words."""
    plain = mended(text).strip().lower().replace("ł", "l").replace("ø", "o").replace("æ", "ae").replace("ß", "ss")
    return "".join(letter for letter in unicodedata.normalize("NFKD", plain) if not unicodedata.combining(letter))


def tokens(text: str) -> list[str]:
    """Words of a name: split at spaces, marks, digits and camel case."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])|(?<=[a-z])(?=[A-Z]{2,})", " ", mended(text))
    return re.findall(r"[^\W\d_]+|\d+|[%‰]", folded(spaced))


COMPOUND_ENDS = (
    "strom",
    "stroom",
    "spannung",
    "spanning",
    "temperatur",
    "temperatuur",
    "leistung",
    "vermogen",
    "effekt",
)
"""Nouns that German, Dutch and the Scandinavian languages join other words on to, folded."""
FIRST_PARTS = frozenset(["batterie", "batteri", "batterij", "accu", "zell", "cel", "cell", "celle"])
_KNOWN = frozenset().union(*WORDS.values())
_CJK = sorted((word for word in _KNOWN if re.fullmatch(r"[\u3040-\u30ff\u3400-\u9fff]+", word)), key=len, reverse=True)


def words_of(text: str) -> list[str]:
    """Words of a name, with compounds of other languages taken apart."""
    found: list[str] = []
    for word in tokens(text):
        end = next((end for end in COMPOUND_ENDS if word.endswith(end) and word != end), None)
        first = word.removesuffix(end) if end else ""
        if end and word not in _KNOWN and (first in _KNOWN or first in PACK or first in FIRST_PARTS):
            found += [first, end]
        elif word not in _KNOWN and re.search(r"[\u3040-\u30ff\u3400-\u9fff]", word):
            found += re.findall("|".join(_CJK), word) or [word]
        else:
            found.append(word)
    return found


GLUED_SIGN = re.compile(r"^\s*[^\W\d_]+(?P<sign>[+−-])(?=\s*(?:$|[\[(]))")
"""A sign right after a lone word, as in `I+` and `I-`: the current of one direction."""


@lru_cache(maxsize=4096)
def meaning(name: str, unit_text: str = "") -> Meaning:
    """Understand one column name, with the text of a units row where there is one."""
    unit = unit_named(unit_text) if unit_text.strip() else None
    unit = unit or _unit_in(name)
    words = words_of(re.sub(r"(?i)°\s*[cfk]\b", " ", mended(name)))
    quantity, ambiguous = _quantity(words, unit)
    if quantity == "current" and (sign := GLUED_SIGN.match(name)):
        quantity = "charge_current" if sign["sign"] == "+" else "discharge_current"
    text = folded(name)
    positive = "discharge" if DISCHARGE_POSITIVE.search(text) else "charge" if CHARGE_POSITIVE.search(text) else None
    cell = _cell_number(words) if quantity in {"cell", "voltage"} else None
    if quantity == "cell" and cell is None:
        quantity = None
    if quantity == "temperature" and "cell" in words and cell is not None:
        cell = None
    return Meaning("cell" if cell is not None else quantity, unit, _rank(words, quantity), positive, cell, ambiguous)


def _unit_in(name: str) -> Unit | None:
    text = mended(name).strip()
    for inside in re.findall(r"[\[(<{]([^\])>}]*)[\])>}]", text):
        if unit := unit_named(inside):
            return unit
    bare = re.sub(r"[\[(<{].*", "", text).strip() or text
    if match := re.search(r"(?:^|[\s_/,:-])((?:0[.,]0?1|1/10)\s*(?:°\s*)?[A-Za-z]{1,2})$", bare):
        return unit_named(match[1].replace(",", "."))
    parts = re.split(r"[\s_/,:.-]+", bare)
    if len(parts) > 1 and not parts[-1].isdigit() and (unit := unit_named(parts[-1])):
        return unit
    if match := re.search(r"(%|‰|°\s*[CFcf]|º[CF])$", bare):
        return unit_named(match[1])
    if len(parts) == 1 and (match := re.search(r"(?<=[a-z])(mV|mA|Ah|Wh)$", bare)):
        return unit_named(match[1])
    return unit_named(bare) if len(bare) > 1 or bare in {"V", "A", "W", "%"} else None


def _has(words: list[str], group: str) -> bool:
    return not WORDS[group].isdisjoint(words)


def _quantity(words: list[str], unit: Unit | None) -> tuple[str | None, tuple[str, ...]]:  # noqa: C901, PLR0911, PLR0912
    """The rules in order; the first that fits speaks."""
    dimension = unit.dimension if unit else None
    text = " ".join(words)
    if _has(words, "elapsed") and dimension in {None, "duration"}:
        return "elapsed", ()
    for group in ("date", "clock", "time"):
        if _has(words, group) and dimension in {None, "duration"} and not _has(words, "temperature"):
            return _time_of(words), ()
    if _is_soc(words, text, dimension):
        return (
            ("soc", ())
            if dimension in {None, "fraction"}
            else ("remaining_ah", ())
            if dimension == "charge"
            else (None, ())
        )
    if (
        len(words) > 1
        and [word for word in words if not _is_of_pack(word)] == ["t"]
        and dimension
        in {
            None,
            "temperature",
        }
    ):
        return "temperature", ()
    if _has(words, "cell") and dimension in {None, "voltage"} and any(word.isdigit() for word in words):
        return "cell", ()
    if _has(words, "direction"):
        return "direction", ()
    if dimension == "fraction":
        return (
            ("soc", ())
            if _has(words, "charging") or _has(words, "level") or _has(words, "capacity") or len(words) <= 2
            else (None, ("soc",))
        )
    if dimension == "charge":
        return _ampere_hours(words), ()
    if dimension == "energy":
        return None, ()
    if dimension in {"voltage", "current", "power", "temperature"}:
        return _directed(DIMENSIONS[dimension], words), ()
    for group in ("temperature", "voltage", "current", "power"):
        if _has(words, group):
            return _directed(group, words), ()
    if words == ["t"]:
        return None, ("temperature", "time")
    if _has(words, "consumed"):
        return "consumed_ah", ()
    if _has(words, "remaining"):
        return "remaining_ah", ()
    if _has(words, "status"):
        return "status", ()
    if _has(words, "device") or text in DEVICE_NAMES:
        return "device", ()
    for group in ("quantity", "value", "unit"):
        if _has(words, group):
            return group, ()
    if _has(words, "level") or _has(words, "charging"):
        return None, ("soc", "remaining_ah", "current")
    if _has(words, "capacity"):
        return None, ("soc", "remaining_ah")
    if not PACK.isdisjoint(words):
        return None, ("voltage", "soc")
    return None, ()


STATE_OF_CHARGE = re.compile(
    r"(state|etat|estado|stato|stan|stav) (of|de|di|da|do|del|della|van)? ?(charge|carga|carica|naladowania|nabiti|lading)"
)


def _is_soc(words: list[str], text: str, dimension: str | None) -> bool:
    """Whether a name speaks of a state of charge; "charge level" does, "charge current" does not."""
    if _has(words, "current"):
        return False
    level = _has(words, "level") and _has(words, "charging") and dimension in {None, "fraction"}
    return _has(words, "soc") or level or bool(STATE_OF_CHARGE.search(text))


def _is_of_pack(word: str) -> bool:
    return word.isdigit() or word in PACK or word in NEAR_CELLS or word in WORDS["cell"]


def _time_of(words: list[str]) -> str:
    date, clock = _has(words, "date"), _has(words, "clock") or "time" in words or "zeit" in words
    if date and not clock:
        return "date"
    return "clock" if _has(words, "clock") and not date else "time"


def _ampere_hours(words: list[str]) -> str | None:
    if _has(words, "consumed"):
        return "consumed_ah"
    if _has(words, "discharging"):
        return "discharged_ah"
    if _has(words, "remaining"):
        return "remaining_ah"
    return "charged_ah" if _has(words, "charging") and len(words) > 1 else None


def _directed(quantity: str, words: list[str]) -> str:
    if quantity == "current" and not ({"dis"} & set(words)):
        if _has(words, "discharging") and not _has(words, "charging"):
            return "discharge_current"
        if _has(words, "charging") and not _has(words, "discharging"):
            return "charge_current"
    return quantity


def _cell_number(words: list[str]) -> int | None:
    if not _has(words, "cell"):
        return None
    return next((int(word) for word in words if word.isdigit()), None)


def _rank(words: list[str], quantity: str | None) -> int:
    if quantity == "temperature":
        if not NEAR_CELLS.isdisjoint(words) and BOARD.isdisjoint(words):
            return 4
        return 1 if not BOARD.isdisjoint(words) else 0 if not AROUND.isdisjoint(words) else 3
    if not ELSEWHERE.isdisjoint(words) and quantity not in {"time", "date", "clock", "elapsed"}:
        return -1
    if not MEAN.isdisjoint(words):
        return 0
    return 2 if not PACK.isdisjoint(words) else 1
