"""Instants of an incident on one clock: the losses of all lines, their loggers' offsets, and which came first. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import stdtrit

from pipeline.incident.clocks import Clocks, Fitted, clocks_about
from pipeline.incident.lines import CLOCK_HALF_S, LineRecord
from pipeline.incident.loss import Loss, losses_of, nearest_to
from pipeline.quality.clocks import Series
from schemas.registers import Policy

# House rules, no source.
SURE_TAIL: Final = 3e-5
"""An order is claimed only where it is wrong by chance no more often than this: some four standard uncertainties."""
UNKNOWN_FILTER_S: Final = 1.0
"""Where no register tells a logger's filter, it may be this long: common practice, no source."""
CHANNELS: Final = 5
"""Of each logger so many channels are compared: those that moved most."""

Which = Literal["first", "second", "not known"]


@dataclass(frozen=True)
class Span:
    """Between which stamps of a logger something happened [us]; `filter_known`: whether a register tells its filter."""

    logger: str
    low_us: int
    high_us: int
    filter_known: bool = True


@dataclass(frozen=True)
class Times:
    """Clocks about the incident and the losses of every line; `chosen`: that of the line asked for, nearest to the
    instant asked for. Stamps come as each logger wrote them; corrected ones are the reference's."""

    reference: str
    clocks: Clocks
    losses: Mapping[str, tuple[Loss, ...]]
    chosen: Loss | None

    def fitted(self, logger: str) -> Fitted | None:
        """A logger's clock; None where it is not known against the reference."""
        return self.clocks.fitted.get(logger)

    def corrected(self, logger: str, raw_us: int) -> int | None:
        """A stamp on the reference's clock."""
        own = self.fitted(logger)
        if own is None:
            return None
        near_us = raw_us - round(own.offset_s * 1e6)
        return raw_us - round(own.at(near_us) * 1e6)

    def wide_s(self, logger: str, raw_us: int, tail: float = 0.025) -> float | None:
        """How far to each side a corrected stamp may be off by its clock, with chance `tail` on each side [s]."""
        own = self.fitted(logger)
        if own is None:
            return None
        if own.windows == 0:
            return 0.0
        corrected_us = raw_us - round(own.offset_s * 1e6)
        return float(stdtrit(max(own.windows - 2, 1), 1.0 - tail)) * own.standard_at(corrected_us)

    def interval(self, span: Span) -> tuple[int, int] | None:
        """Between what a happening lies on the reference's clock, 95 %."""
        low, high = self.corrected(span.logger, span.low_us), self.corrected(span.logger, span.high_us)
        wide_s = self.wide_s(span.logger, span.low_us)
        if low is None or high is None or wide_s is None:
            return None
        return low - round(wide_s * 1e6), high + round(wide_s * 1e6)

    def apart_s(self, one: Span, other: Span) -> tuple[float, float, float] | None:
        """How much later the other was [s]: best, and from least to most (with the chance of an order)."""
        if one.logger == other.logger:
            low, high = other.low_us - one.high_us, other.high_us - one.low_us
            return (low + high) / 2e6, low / 1e6, high / 1e6
        found = [self.corrected(span.logger, us) for span in (one, other) for us in (span.low_us, span.high_us)]
        ends = [end for end in found if end is not None]
        told = [self.wide_s(span.logger, span.low_us, SURE_TAIL) for span in (one, other)]
        wides = [wide for wide in told if wide is not None]
        if len(ends) < 4 or len(wides) < 2:
            return None
        a_low, a_high, b_low, b_high = ends
        wide_s = float(np.hypot(wides[0], wides[1]))
        a_more = 0.0 if one.filter_known else UNKNOWN_FILTER_S
        b_more = 0.0 if other.filter_known else UNKNOWN_FILTER_S
        low_s = (b_low - a_high) / 1e6 - wide_s - b_more
        high_s = (b_high - a_low) / 1e6 + wide_s + a_more
        return (b_low + b_high - a_low - a_high) / 2e6, low_s, high_s

    def order(self, one: Span, other: Span) -> Which:
        """Which of two was first, where that can be claimed."""
        apart = self.apart_s(one, other)
        if apart is None:
            return "not known"
        if apart[1] >= 0.0:
            return "first"
        return "second" if apart[2] <= 0.0 else "not known"


def times_of(lines: Mapping[str, LineRecord], line: str, at_us: int, policy: Policy) -> Times:
    """Clocks and losses of the lines about an instant. The reference is the logger of the line asked for."""
    losses = {name: tuple(losses_of(record, policy, over_gaps=name == line)) for name, record in lines.items()}
    chosen = nearest_to(list(losses[line]), at_us)
    about_us = at_us if chosen is None else chosen.best_us
    reference = lines[line].logger
    clocks = clocks_about(series_about(lines, about_us, policy), reference, about_us, most_s=policy.clock_most_s)
    return Times(reference, clocks, losses, chosen)


def series_about(lines: Mapping[str, LineRecord], about_us: int, policy: Policy) -> dict[str, list[Series]]:
    """Tension channels by logger about an instant, each once, stamps less half their filter."""
    reach_us = CLOCK_HALF_S * 1e6 + policy.clock_most_s * 1e6
    by_logger: dict[str, dict[str, tuple[float, Series]]] = {}
    for record in lines.values():
        there = record.within(about_us - reach_us, about_us + reach_us)
        if there.size < 2:
            continue
        kn = record.kn[there]
        series = Series(record.at_us[there] - round(record.filter_s * 0.5e6), kn)
        moved = float(np.median(np.abs(np.diff(kn)))) + float(np.subtract(*np.percentile(kn, [75, 25])))
        by_logger.setdefault(record.logger, {}).setdefault(record.channel, (moved, series))
    found = {}
    for logger, channels in sorted(by_logger.items()):
        most = sorted(channels.items(), key=lambda item: (-item[1][0], item[0]))[:CHANNELS]
        found[logger] = [series for _, (_, series) in most]
    return found


def loss_span(record: LineRecord, loss: Loss) -> Span:
    """Between what a loss lies, as its logger stamps."""
    return Span(record.logger, loss.low_us, loss.high_us, record.filter_known)


def first_to_go(times: Times, lines: Mapping[str, LineRecord], within_us: int) -> tuple[str | None, Sequence[str]]:
    """The line that lost its load first of those within a stretch of the chosen loss, where every order against it is
    known; else None. And the lines that lost load, by corrected instant."""
    if times.chosen is None:
        return None, ()
    spans: dict[str, Span] = {}
    order: list[tuple[int, str]] = []
    about_us = times.corrected(lines[times.chosen.line].logger, times.chosen.best_us) or times.chosen.best_us
    for name, losses in times.losses.items():
        for loss in losses:
            at_us = times.corrected(lines[name].logger, loss.best_us)
            near_us = loss.best_us if at_us is None else at_us
            if abs(near_us - about_us) <= within_us and name not in spans:
                spans[name] = loss_span(lines[name], loss)
                order.append((near_us, name))
    names = [name for _, name in sorted(order)]
    for name in names:
        if all(times.order(spans[name], spans[other]) == "first" for other in names if other != name):
            return name, names
    return None, names
