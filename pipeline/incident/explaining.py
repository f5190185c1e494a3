"""What the explanations of a loss look at, and what several of them say. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pipeline.incident.numbering import Context
from pipeline.incident.record import BerthLine, Doubt, Figure, Happening, Life, Load, Point

NEAR_US: Final = 120_000_000


@dataclass(frozen=True)
class Facts:
    """What the functions look at."""

    context: Context
    sequence: tuple[Happening, ...]
    load: Load
    berth: tuple[BerthLine, ...]
    doubts: tuple[Doubt, ...]
    life: Life

    @property
    def line(self) -> str:
        return self.context.berthed.line

    def near(self, *kinds: str, line: str | None = None, before_us: int = NEAR_US) -> list[Happening]:
        """Happenings of the line (or another) of some kinds that end up to two minutes before the loss, or touch it."""
        about = self.context.about_us
        return [
            one
            for one in self.sequence
            if one.kind in kinds
            and one.line == (self.line if line is None else line)
            and (one.from_us if one.from_us is not None else one.raw_from_us) <= about + 1_000_000
            and (one.to_us if one.to_us is not None else one.raw_to_us) >= about - before_us
        ]

    def doubting(self, *kinds: str) -> list[Doubt]:
        """Doubts about the line that can change what its figures say."""
        own = [one for one in self.doubts if one.kind in kinds and one.subject == self.line]
        return [one for one in own if one.weight != "slight"]


Says = Callable[[Facts], tuple[list[Point], list[Point], list[str]]]


def value_of(figure: Figure) -> float | None:
    return float(figure.value) if isinstance(figure.value, int | float) else None


def class_points(facts: Facts, word: str) -> list[Point]:
    return [
        Point(f"by the evidence of its place its loss is classed {one.loss_class}", (one.number,))
        for one in facts.sequence
        if one.line == facts.line and one.kind == "load-loss" and one.loss_class == word and one.number == _loss(facts)
    ]


def _loss(facts: Facts) -> str | None:
    chosen = facts.context.times.chosen
    if chosen is None:
        return None
    raw_us = int(facts.context.own.at_us[chosen.loaded])
    own = [
        one
        for one in facts.sequence
        if one.line == facts.line and one.kind == "load-loss" and one.raw_from_us == raw_us
    ]
    return own[0].number if own else None


def before_the_loss(facts: Facts, one: Happening) -> bool:
    """Whether it touches the window before the loss."""
    first = one.raw_from_us if one.from_us is None else one.from_us
    return one.in_window and first < facts.context.about_us
