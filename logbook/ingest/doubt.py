"""Doubt: columns whose names do not say what they are: no name, an ambiguous word, or the same name twice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.device import QUESTION, chosen_device, device_named
from logbook.ingest.number import read_cell
from logbook.ingest.question import Question, settle
from logbook.ingest.run import few, typical_range
from logbook.ingest.scale import pack_can_show
from logbook.ingest.use import NAMES, held_cells

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known
    from logbook.ingest.use import Use

NEITHER = "neither"
ALIKE = 0.03
TWIN_TARGETS = ("voltage_v", "current_a", "soc_percent", "temperature_c")
FAST_STEP = 3.0
"""A column that moves further between two rows is neither a temperature nor a state of charge."""
LEAST_STEPS, STEPS_AGREE, MORE_THAN_OTHERS = 6, 0.7, 0.15


@dataclass(frozen=True, eq=False)
class Sampled:
    """The numbers of one column in the first rows."""

    values: NDArray[np.float64]

    @property
    def low(self) -> float:
        """Smallest, but for a few stray ones."""
        return typical_range(self.values)[0] if len(self.values) else 0.0

    @property
    def high(self) -> float:
        """Largest, but for a few stray ones."""
        return typical_range(self.values)[1] if len(self.values) else 0.0

    @property
    def middle(self) -> float:
        """Median."""
        return float(np.median(self.values)) if len(self.values) else 0.0

    @property
    def moves(self) -> bool:
        """Whether it is not one number throughout."""
        return self.high > self.low

    @property
    def fast(self) -> bool:
        """Whether it jumps from row to row; a stray value makes two jumps."""
        return int(np.count_nonzero(np.abs(np.diff(self.values)) > FAST_STEP)) > 2 * few(len(self.values))


def without_doubt(
    uses: Sequence[Use], sample: Sequence[list[str]], known: Known, ledger: Ledger, ask: Ask | None
) -> list[Use]:
    """Settle doubtful columns by their values where these are telling, else ask, else refuse."""
    return _Doubt(sample, known, ledger, ask).settled(list(uses))


def _example(numeric: Sequence[Use], voltage: Sequence[Use], fast: Sequence[Use]) -> str:
    """What a mapping would say of columns that nobody knows, by place."""
    volts = [*voltage, *numeric][:1]
    amperes = [use for use in [*fast, *numeric] if use not in volts][:1]
    said = {"voltage_v": volts, "current_a": amperes}
    return "  and  ".join(f"{name} = {{ column = {use.index + 1} }}" for name, uses in said.items() for use in uses)


class _Doubt:
    def __init__(self, sample: Sequence[list[str]], known: Known, ledger: Ledger, ask: Ask | None) -> None:
        self.sample = sample
        self.known = known
        self.ledger = ledger
        self.ask = ask

    def settled(self, uses: list[Use]) -> list[Use]:
        if not any(use.target or use.ambiguous for use in uses) and all("no header" in use.evidence for use in uses):
            return self._unnamed(uses)
        for index, use in enumerate(uses):
            if use.ambiguous and use.target is None:
                uses[index] = self._named(use, {other.target for other in uses})
        for target in TWIN_TARGETS:
            uses = self._without_twins(uses, target)
        return uses

    def _sampled(self, use: Use) -> Sampled:
        cells = [read_cell(cell, ".") for cell in held_cells(self.sample, use.index)]
        return Sampled(np.array([cell.value for cell in cells if cell.is_number and np.isfinite(cell.value)]))

    def _named(self, use: Use, present: set[str | None]) -> Use:
        """Decide an ambiguous word, if anything that is not there yet could be meant."""
        open_targets = [name for word in use.ambiguous if (name := NAMES.get(word, word)) not in present]
        seen = self._sampled(use)
        if not open_targets or not seen.moves:
            return replace(use, ambiguous=(), evidence=f"{use.evidence}: not needed")
        target, why = self._by_values(open_targets, seen)
        recalled = self.ledger.recalled(f"column {use.header}", (*open_targets, NEITHER))
        if target is None and recalled and self.ledger.memory:
            target, why = recalled, self.ledger.memory.said
            self.ledger.infer(f"column {use.header}", target, "given", why)
        elif target is None:
            choices = (*open_targets, NEITHER)
            shown = f"Its values run from {seen.low:g} to {seen.high:g}."
            target, why = (
                self._asked(
                    f"column {use.header}",
                    f'What does the column "{use.header}" hold?',
                    choices,
                    shown,
                    f"{open_targets[0]} = {{ column = {use.index + 1} }}",
                ),
                "as you said",
            )
        else:
            self.ledger.infer(f"column {use.header}", target, "fair", why)
        return replace(
            use, target=None if target == NEITHER else target, ambiguous=(), evidence=f"{use.evidence}; {why}"
        )

    def _by_values(self, targets: Sequence[str], seen: Sampled) -> tuple[str | None, str]:
        if (
            "voltage_v" in targets
            and any(pack_can_show(seen.middle * factor, self.known.cells_in_series) for factor in (1.0, 1e-3))
            and seen.high < 1.5 * seen.middle
        ):
            return "voltage_v", f"its values are about {seen.middle:g}"
        if "current_a" in targets and seen.low < 0:
            return "current_a", "it goes below zero"
        if (
            "soc_percent" in targets
            and seen.low >= 0
            and ((95 <= seen.high <= 100) or (self.known.rated_ah == 100 and seen.high <= 100))
        ):
            return "soc_percent", f"its values reach {seen.high:g}"
        if targets == ["soc_percent"] and seen.low >= 0 and seen.high <= 100:
            return "soc_percent", f"its values run from {seen.low:g} to {seen.high:g}"
        return None, ""

    def _asked(self, key: str, text: str, choices: tuple[str, ...], evidence: str, said: str) -> str:
        option = f"--mapping FILE  with  {said}  under [columns]"
        if recalled := self.ledger.recall(key, choices):
            return recalled
        answer = settle(Question(key, text, choices, evidence, option), self.ask, self.known.where)
        self.ledger.infer(key, answer, "given", "as you said")
        return answer

    def _without_twins(self, uses: list[Use], target: str) -> list[Use]:
        """Several columns of one quantity: the nearest to the pack; equal ones by their values, else asked."""
        twins = [use for use in uses if use.target == target]
        best = max((use.rank for use in twins), default=0)
        equals = [use for use in twins if use.rank == best]
        if self.known.device and len(twins) > 1 and self._of_device(twins):
            equals = twins
        if len(equals) < 2:
            return uses
        moving = [use for use in equals if self._sampled(use).moves] or equals[:1]
        chosen = self._of_device(moving) if len(moving) > 1 else None
        chosen = chosen or (moving[0] if len(moving) == 1 or target == "temperature_c" or self._alike(moving) else None)
        if chosen is None:
            names = tuple(f"{use.header} (column {use.index + 1})" for use in moving)
            answer = self._asked(
                target,
                f"Which column is the pack's {target}?",
                names,
                "They differ, as of two packs.",
                f"{target} = {{ column = {moving[0].index + 1} }}",
            )
            chosen = moving[names.index(answer)]
        else:
            self.ledger.infer(
                target,
                f"{chosen.header} (column {chosen.index + 1})",
                "fair",
                f"the first that moves of {len(equals)} like it",
            )
        return [
            replace(use, target=None, evidence=f"{use.evidence}: another column was taken")
            if use in equals and use is not chosen
            else use
            for use in uses
        ]

    def _of_device(self, twins: Sequence[Use]) -> Use | None:
        """The column of the device that is meant, where their names say whose they are and their values differ."""
        by_name = {device_named(use.header): use for use in twins}
        if len(by_name) < len(twins):
            return None
        known = (self.known.device or self.ledger.answer(QUESTION) or "").strip().lower()
        for name, use in by_name.items():
            if known == (name or use.header).lower():
                self.ledger.infer(QUESTION, name or use.header, "given", "as you said")
                return use
        if self._alike(twins) or twins[0].target == "temperature_c":
            return None
        shown = ", ".join(f'"{use.header}" is usually {self._sampled(use).middle:g}' for use in twins)
        names = [name or use.header for name, use in by_name.items()]
        device = chosen_device(
            names, f"The column {shown}.", self.known.device, self.ledger, self.ask, self.known.where
        )
        return next(use for name, use in zip(names, twins, strict=True) if name == device)

    def _alike(self, twins: Sequence[Use]) -> bool:
        middles = [self._sampled(use).middle for use in twins]
        return max(middles) - min(middles) <= ALIKE * max(abs(middle) for middle in middles)

    def _unnamed(self, uses: list[Use]) -> list[Use]:
        """No header: voltage by its size, current by its leaps, the slow ones by their range."""
        seen = {use.index: self._sampled(use) for use in uses}
        numeric = [use for use in uses if len(seen[use.index].values)]
        voltage = [use for use in numeric if self._is_voltage(seen[use.index])]
        rest = [use for use in numeric if use not in voltage and seen[use.index].moves]
        fast = [use for use in rest if seen[use.index].fast and self._moves_with(use, voltage)]
        slow = [use for use in rest if use not in fast]
        found: dict[int, str] = {}
        if len(voltage) == 1:
            found[voltage[0].index] = "voltage_v"
        if len(fast) == 1:
            found[fast[0].index] = "current_a"
        shares = {
            use.index: self._counts(use, fast)
            for use in slow
            if 0 <= seen[use.index].low <= seen[use.index].high <= 100
        }
        best, second = sorted([*shares.values(), 0.0, 0.0], reverse=True)[:2]
        sure = best >= STEPS_AGREE and best - second >= MORE_THAN_OTHERS
        charge = [use for use in slow if sure and shares.get(use.index) == best]
        cool = [use for use in slow if use not in charge]
        if len(charge) == 1:
            found[charge[0].index] = "soc_percent"
        if len(cool) == 1 and len(charge) == 1:
            found[cool[0].index] = "temperature_c"
        if len(voltage) != 1 or len(fast) != 1:
            self._asked(
                "columns",
                "The file has no header; which column is what?",
                ("see --mapping",),
                f"{len(voltage)} columns look like a voltage, {len(fast)} like a current.",
                _example(numeric, voltage, fast),
            )
        for index, target in found.items():
            self.ledger.infer(
                f"column {index + 1}",
                target,
                "fair",
                f"no header; its values run from {seen[index].low:g} to {seen[index].high:g}",
            )
        left = [str(use.index + 1) for use in slow if use.index not in found]
        if left:
            self.ledger.warn(
                f"The file has no header, and nothing tells what column {', '.join(left)} holds: not used. "
                "To use it, say what it is in a mapping given with  --mapping FILE"
            )
        return [replace(use, target=found.get(use.index), evidence="no header; by its values") for use in uses]

    def _counts(self, use: Use, current: Sequence[Use]) -> float:
        """How surely a column moves with the charge that the current brought or took, as a percentage does; 0 to 1."""
        if len(current) != 1:
            return 0.0
        rows = [
            (row[use.index], row[current[0].index])
            for row in self.sample
            if max(use.index, current[0].index) < len(row)
        ]
        pairs = np.array([(read_cell(a, ".").value, read_cell(b, ".").value) for a, b in rows]).reshape(-1, 2)
        pairs = pairs[np.isfinite(pairs).all(axis=1)]
        moved = np.flatnonzero(np.diff(pairs[:, 0])) + 1
        if len(moved) < LEAST_STEPS:
            return 0.0
        counted = np.add.reduceat(pairs[:, 1], np.concatenate([[0], moved]))[:-1]
        signs = np.sign(np.diff(pairs[np.concatenate([[0], moved]), 0])) * np.sign(counted)
        return float(abs(signs.mean()))

    def _moves_with(self, use: Use, voltage: Sequence[Use]) -> bool:
        """Whether the column's leaps move the voltage nearly always the same way, as a current's do."""
        if len(voltage) != 1:
            return False
        rows = [
            (row[use.index], row[voltage[0].index])
            for row in self.sample
            if max(use.index, voltage[0].index) < len(row)
        ]
        pairs = np.array([(read_cell(a, ".").value, read_cell(b, ".").value) for a, b in rows])
        steps = np.diff(pairs, axis=0)
        telling = (np.abs(steps[:, 0]) > FAST_STEP / 2) & (np.abs(steps[:, 1]) > 0)
        signs = np.sign(steps[telling]).prod(axis=1)
        return len(signs) >= LEAST_STEPS and bool(abs(signs.mean()) >= STEPS_AGREE)

    def _is_voltage(self, seen: Sampled) -> bool:
        return (
            any(pack_can_show(seen.middle * factor, self.known.cells_in_series) for factor in (1.0, 1e-3))
            and seen.high < 1.5 * seen.middle
            and not (seen.high - seen.low > 0.4 * seen.middle)
        )
