"""Numbers of figures, and what is asked of every figure: where it comes from. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

from pipeline.incident.lines import Berthed, LineRecord
from pipeline.incident.record import REFS_SHOWN, Figure, Ref, RegisterRow, Value
from pipeline.incident.registered import Registered
from pipeline.incident.times import Times

DIGITS: Final = 9
"""Significant digits of a figure: more than any gauge has, and fewer than another machine's arithmetic may change."""


def rounded(value: float) -> float:
    """A figure to `DIGITS` significant digits."""
    return float(f"{value:.{DIGITS}g}")


@dataclass
class Numbers:
    """Gives each figure of a section the next number."""

    given: dict[str, int] = field(default_factory=dict)

    def next(self, section: str) -> str:
        """The next number of a section, as "A-4.2"."""
        self.given[section] = self.given.get(section, 0) + 1
        return f"{section}.{self.given[section]}"

    def figure(
        self,
        section: str,
        key: str,
        what: str,
        value: Value | None,
        unit: str,
        how: str,
        *,
        low: float | int | None = None,
        high: float | int | None = None,
        at_least: bool = False,
        not_known: str | None = None,
        refs: Sequence[Ref] = (),
        of_lines: int | None = None,
        of_figures: Sequence[str] = (),
        of_registers: Sequence[RegisterRow] = (),
    ) -> Figure:
        """A figure with the next number. A value that is no finite number is not known."""
        if isinstance(value, float) and not math.isfinite(value):
            value, not_known = None, not_known or "no finite figure"
        value = rounded(value) if isinstance(value, float) else value
        low, high = (rounded(end) if isinstance(end, float) else end for end in (low, high))
        if value is None and not_known is None:
            not_known = "not recorded"
        shown = tuple(refs)[:REFS_SHOWN]
        lines = len(refs) if of_lines is None and refs else of_lines
        return Figure(
            number=self.next(section),
            key=key,
            what=what,
            value=value,
            unit=unit,
            how=how,
            low=low,
            high=high,
            at_least=at_least,
            not_known=None if value is not None else not_known,
            refs=shown,
            of_lines=lines,
            of_figures=tuple(of_figures),
            of_registers=tuple(dict.fromkeys(of_registers)),
        )


@dataclass(frozen=True)
class Context:
    """What every section is made from. `usual`: what was reckoned already of how much means differ, by line."""

    berthed: Berthed
    times: Times
    numbers: Numbers
    usual: dict[str, float | None] = field(default_factory=dict)

    @cached_property
    def registered(self) -> Registered:
        """Where rows and keys stand in the registers of the site."""
        return Registered(self.berthed.site)

    @property
    def own(self) -> LineRecord:
        """The line asked for."""
        return self.berthed.own

    @property
    def about_us(self) -> int:
        """The loss on the reference's clock; without one the instant asked for."""
        return self.berthed.at_us if self.times.chosen is None else self.times.chosen.best_us

    @property
    def window(self) -> tuple[int, int]:
        """The window on the reference's clock."""
        return self.about_us - self.berthed.window_us, self.about_us + self.berthed.window_us

    def raw(self, logger: str, corrected_us: int) -> int:
        """A corrected instant as a logger would stamp it; as it stands where its clock is not known."""
        own = self.times.fitted(logger)
        return corrected_us if own is None else corrected_us + round(own.at(corrected_us) * 1e6)

    def neighbours(self) -> list[LineRecord]:
        """The other lines of the role of the line asked for, by name."""
        own = self.own
        alike = [one for one in self.berthed.lines.values() if one.role is not None and one.role == own.role]
        return [one for one in alike if one.line != own.line]

    def in_order(self) -> list[LineRecord]:
        """The line asked for, its neighbours, the others, each by name."""
        near = self.neighbours()
        rest = [one for one in self.berthed.lines.values() if one is not self.own and one not in near]
        return [self.own, *near, *rest]
