"""Current: one signed column from what a file has: a direction, two columns, or power and voltage."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData, nearest
from logbook.ingest.question import Question, settle
from logbook.ingest.run import few, more_than_few
from logbook.ingest.word import folded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known

OUT_WORDS = re.compile(
    r"dis|dsg|dchg|entlad|dech|desc|scar|rozlad|ontlad|urlad|udlad|afl|out\b|load|разряд|vybi|放电|放電|consum|^d$|^-$|^-1$"
)
IN_WORDS = re.compile(r"charg|chg|lad|carg|carreg|caric|opl|zalad|nabij|in\b|заряд|充电|充電|bulk|absor|float|^c$|^\+$")
IDLE_WORDS = re.compile(r"idle|rest|standby|stand.?by|ruhe|repos|reposo|riposo|none|off|stop|spocz|静置|^0$|aus")
SIGNED_SHARE = 0.5
LEAST_AGAINST_A = 0.5
"""Below it a current may pass through zero before its word does."""
LEAST_STEP_A = 2.0
LEAST_VOTES = 5
MOST_AGAINST = 0.06
MOST_CODES = 64
"""So many words of a direction column, those that stand most often, are tried by what the readings do: it has few."""
QUESTION = "charging direction"
KNOWN_SHARE = 0.5
"""Of the rows, at least so many must have a direction that is understood."""


def signed_current(frame: Frame, known: Known, ledger: Ledger, ask: Ask | None) -> tuple[Frame, str | None]:
    """The frame with `current_a`, and which way it is positive where the columns themselves say so."""
    if frame.has("charge_current_a") or frame.has("discharge_current_a"):
        return _from_two(frame, known, ledger)
    if frame.has("current_a"):
        frame, way = _with_direction(frame, known, ledger)
        return (frame, way) if way else _by_codes(frame, known, ledger, ask)
    if frame.has("power_w") and frame.has("voltage_v"):
        voltage = frame.get("voltage_v")
        current = np.divide(frame.get("power_w"), voltage, out=np.full(len(frame), np.nan), where=voltage > 1.0)
        ledger.infer("current", "power divided by voltage", "fair", "the file has no current")
        return frame.with_columns(current_a=current), None
    return frame, None


def _from_two(frame: Frame, known: Known, ledger: Ledger) -> tuple[Frame, str | None]:
    charge, discharge = frame.get("charge_current_a"), frame.get("discharge_current_a")
    if not frame.has("discharge_current_a") or not frame.has("charge_current_a"):
        only, way = (charge, "charge") if frame.has("charge_current_a") else (discharge, "discharge")
        if frame.has("current_a"):
            return _with_direction(frame, known, ledger)
        return frame.with_columns(current_a=only), way
    both = np.nan_to_num(np.abs(charge)) - np.nan_to_num(np.abs(discharge))
    unknown = np.isnan(charge) & np.isnan(discharge)
    for values in (charge, discharge):
        empty = np.isnan(values)
        if np.count_nonzero(empty) <= np.count_nonzero(values == 0):  # else the direction that rests is left empty
            unknown |= empty & (both == 0)
    current = np.where(unknown, np.nan, both)
    ledger.infer("current", "charge current less discharge current", "strong", "the file has one column for each")
    return frame.with_columns(current_a=current), "charge"


def _with_direction(frame: Frame, known: Known, ledger: Ledger) -> tuple[Frame, str | None]:
    current = frame.get("current_a")
    power = frame.get("power_w")
    signed = more_than_few(current < 0)
    if more_than_few(power < 0) and not signed:
        ledger.infer("current", "takes the sign of the power", "strong", "the current has none and the power has")
        current = _without_signs(current, frame, ledger)
        lost = np.isnan(power) & np.isfinite(current) & (current != 0)
        ledger.repair("no direction", "currents without a known direction, left empty", frame.lines[lost])
        return frame.with_columns(current_a=np.where(lost, np.nan, np.where(power < 0, -current, current))), None
    if known.charging is not None and not signed:
        return frame, None  # its owner said which word is charging
    for name in ("direction", "status"):
        if name in frame.words and (signs := _signs_of_words(name, *frame.words[name], frame)) is not None:
            words = ", ".join(f'"{word}" {_way(sign)}' for word, sign in signs.items())
            if way := _way_of_signed(name, signs, frame, ledger):
                ledger.infer("direction of the current", words, "fair", f"its {name} column; the current has a sign")
                return frame, way
            if signed:
                break
            strength = "strong" if _all_words(signs) else "fair"
            ledger.infer("direction of the current", words, strength, f"its {name} column and the state of charge")
            current = _without_signs(current, frame, ledger)
            factors = _apply(*frame.words[name], signs)
            current = _left_empty(current, np.isnan(factors) & (np.abs(current) > 0), frame, ledger)
            return frame.with_columns(current_a=np.where(current == 0, 0.0, current * factors)), "charge"
    return frame, None


def _by_codes(frame: Frame, known: Known, ledger: Ledger, ask: Ask | None) -> tuple[Frame, str | None]:
    """A current without signs beside a direction whose codes nothing explains: asked, for as it stands half would be turned."""
    current = frame.get("current_a")
    name = "direction" if "direction" in frame.words or known.charging is None else "status"
    if name not in frame.words or more_than_few(current < 0):
        if known.charging is not None:
            ledger.warn(
                "The word that means charging was not needed: its current has a sign, or it has no column of words."
            )
        return frame, None
    codes, words = frame.words[name]
    flowing = tuple(word for code, word in enumerate(words) if _flows(current, codes == code))
    if known.charging is not None:
        into = _words_meant(known.charging, words, known)
        ledger.infer(QUESTION, known.charging, "given", "as you said")
    elif len(flowing) < 2:
        if not flowing:
            return frame, None
        # which way it counts is for the readings to show; what flowed while another code stood, rarely, may be the other
        rare = (codes != words.index(flowing[0])) & (np.abs(current) > 0)
        return frame.with_columns(current_a=_left_empty(current, rare, frame, ledger)), None
    else:
        into = _charging_words(flowing, known, ledger, ask)
    signs = {word: 1 if word in into else -1 if word in flowing else 0 for word in words}
    factors = _apply(codes, words, signs)
    current = _without_signs(current, frame, ledger)
    current = _left_empty(current, np.isnan(factors) & (np.abs(current) > 0), frame, ledger)
    return frame.with_columns(current_a=np.where(current == 0, 0.0, current * factors)), "charge"


def _left_empty(
    current: NDArray[np.float64], unknown: NDArray[np.bool_], frame: Frame, ledger: Ledger
) -> NDArray[np.float64]:
    """Currents whose code tells no direction, left empty; a current that rests keeps its zero."""
    ledger.repair("no direction", "currents without a known direction, left empty", frame.lines[unknown])
    return np.where(unknown, np.nan, current)


def _flows(current: NDArray[np.float64], rows: NDArray[np.bool_]) -> bool:
    """Whether a current flows while a code stands: a good one in some of its rows, or any in most of them."""
    some = int(np.count_nonzero(np.abs(current[rows]) > 0))
    large = more_than_few(rows & (np.abs(current) >= LEAST_AGAINST_A))
    return large or (some > few(len(rows)) and some > 0.5 * int(np.count_nonzero(rows)))


def _charging_words(words: tuple[str, ...], known: Known, ledger: Ledger, ask: Ask | None) -> list[str]:
    """The words that are charging: one of two, or any of several."""
    if recalled := ledger.recalled(QUESTION):
        with suppress(BadData):
            found = _words_meant(recalled, words, known)
            ledger.recall(QUESTION)
            return found
    two = len(words) == 2
    question = Question(
        "charging_direction",
        "Its current has no sign; which word of its direction column is charging?"
        if two
        else f"Its current has no sign; which of the words {', '.join(words)} of its direction column are charging?",
        words if two else (),
        "Neither the words nor the readings show it.",
        f'--charging "{words[0]}"' + (f'  or  --charging "{words[1]}"' if two else "  (several with commas between)"),
    )
    answer = settle(question, ask, known.where)
    found = _words_meant(answer, words, known)
    ledger.infer(QUESTION, answer, "given", "as you said")
    return found


def _words_meant(said: str, words: Sequence[str], known: Known) -> list[str]:
    """The words of a column that its owner named; BadData with those there are where one is none of them."""
    by_name = {word.strip().lower(): word for word in words}
    named = [said] if said.strip().lower() in by_name else said.split(",")
    for name in named:
        if name.strip().lower() not in by_name:
            raise BadData(
                f'Its direction column never says "{name.strip()}".',
                where=known.where,
                mend=f"{nearest(name.strip(), words)} It says {', '.join(words[:20])}.".strip(),
            )
    return [by_name[name.strip().lower()] for name in named]


def _signed_where(rows: NDArray[np.bool_], current: NDArray[np.float64]) -> bool:
    """Whether most of the currents of these rows are below zero."""
    there = current[rows & np.isfinite(current) & (current != 0)]
    return bool(len(there)) and float((there < 0).mean()) > SIGNED_SHARE


def _way_of_signed(name: str, signs: dict[str, int], frame: Frame, ledger: Ledger) -> str | None:
    """Which way a current that has a sign of its own is positive, by its words; None where it has none."""
    codes, words = frame.words[name]
    current = frame.get("current_a")
    sign = np.array([signs.get(word, 0) for word in words] + [0])[codes]
    below = [_signed_where(sign == way, current) for way in (1, -1)]
    if below[0] == below[1]:
        return None
    against = (
        (sign * current * (1 if below[1] else -1) < -LEAST_AGAINST_A) if name == "direction" else np.zeros(0, bool)
    )
    if against.any():
        ledger.repair(
            "direction against current",
            "rows whose direction column contradicts the sign of the current, which was believed",
            frame.lines[against],
        )
    return "charge" if below[1] else "discharge"


def _without_signs(current: NDArray[np.float64], frame: Frame, ledger: Ledger) -> NDArray[np.float64]:
    """Currents of a column without signs; the few that have one are not understood."""
    below = current < 0
    ledger.repair("sign not understood", "negative cells in a current without signs, left empty", frame.lines[below])
    return np.where(below, np.nan, current)


def _way(sign: int) -> str:
    return "charges" if sign > 0 else "discharges" if sign < 0 else "rests"


def _all_words(signs: dict[str, int]) -> bool:
    return all(not word.strip().lstrip("-").isdigit() for word in signs)


def _apply(codes: NDArray[np.int32], words: list[str], signs: dict[str, int]) -> NDArray[np.float64]:
    """Factor of each row; NaN for a word that is none of those understood, and for rest: what flows then may go either way."""
    factors = np.array([float(signs.get(word) or np.nan) for word in words] + [np.nan])
    return factors[codes]


def _signs_of_words(name: str, codes: NDArray[np.int32], words: list[str], frame: Frame) -> dict[str, int] | None:
    """+1, -1 or 0 for each word that says so itself; codes that say nothing by what the state of charge does."""
    signs = {word: sign for word in words if (sign := _sign_of_word(word)) is not None}
    if not {1, -1} <= set(signs.values()):
        counts = np.bincount(codes[codes >= 0], minlength=len(words))
        likely = np.sort(np.argsort(-counts, kind="stable")[:MOST_CODES]).tolist()
        rest = {
            word: sign
            for code, word in ((code, words[code]) for code in likely)
            if word not in signs and (sign := _sign_shown(codes == code, frame)) is not None
        }
        signs |= rest
    known = np.isin(codes, [code for code, word in enumerate(words) if word in signs])
    both = {1, -1} <= set(signs.values()) or (len(words) == 1 and set(signs.values()) <= {1, -1})
    # a trip may only have discharged: a direction that says so in words needs no other beside it
    both |= name == "direction" and any(signs.values()) and all(_sign_of_word(word) is not None for word in words)
    return signs if both and known.mean() >= KNOWN_SHARE else None


def _sign_of_word(word: str) -> int | None:
    plain = folded(word)
    if plain.isdigit():
        return None
    if OUT_WORDS.search(plain):
        return -1
    if IN_WORDS.search(plain):
        return 1
    return 0 if IDLE_WORDS.search(plain) else None


def _sign_shown(rows: NDArray[np.bool_], frame: Frame) -> int | None:
    """Which way a code flows by the state of charge, else by the voltage; None also where the two speak against each other."""
    by_charge, by_voltage = _sign_by_charge(rows, frame), _sign_by_voltage(rows, frame)
    if by_charge and by_voltage and by_charge != by_voltage:
        return None
    return by_voltage if by_charge is None else by_charge


def _sign_by_voltage(rows: NDArray[np.bool_], frame: Frame) -> int | None:
    """Whether the voltage rises or falls, from row to row, with the size of the current while the code stands."""
    step_a, step_v = np.diff(frame.get("current_a")), np.diff(frame.get("voltage_v"))
    both = rows[:-1] & rows[1:] & (np.abs(step_a) >= LEAST_STEP_A) & (np.nan_to_num(step_v) != 0)
    votes = np.sign(step_a[both] * step_v[both])
    if len(votes) < LEAST_VOTES or min(int((votes > 0).sum()), int((votes < 0).sum())) > MOST_AGAINST * len(votes):
        return None
    return 1 if votes.sum() > 0 else -1


def _sign_by_charge(rows: NDArray[np.bool_], frame: Frame) -> int | None:
    """Which way the state of charge moves, from row to row, while the code stands."""
    if not np.nan_to_num(frame.get("current_a")[rows]).any():
        return 0
    soc = frame.get("soc_percent")
    steps = np.diff(soc)[rows[:-1] & rows[1:]]
    steps = steps[np.isfinite(steps) & (steps != 0) & (np.abs(steps) < 5)]
    if len(steps) < LEAST_VOTES:
        return None
    up, down = int((steps > 0).sum()), int((steps < 0).sum())
    if min(up, down) > max(1, MOST_AGAINST * len(steps)):
        return None
    return 1 if up > down else -1
