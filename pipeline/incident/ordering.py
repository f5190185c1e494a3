"""Section A-3: which of two happenings came first, where that can be claimed. Pure."""

from __future__ import annotations

from typing import Final

from pipeline.incident.numbering import Context
from pipeline.incident.record import Happening, Order
from pipeline.incident.times import Span, loss_span

ORDERS: Final = "A-3"
KEY_KINDS: Final = ("load-loss", "brake-render", "snap-load", "hook-opened")
"""Happenings of which the order against losses is asked."""
ORDER_WITHIN_US: Final = {"load-loss": 1_800_000_000}
OTHERS_WITHIN_US: Final = 300_000_000
"""How near in time two must be for their order to be asked: house rule."""


def orders_of(context: Context, sequence: tuple[Happening, ...]) -> tuple[Order, ...]:
    """Each loss in the window against every other key happening near it: which was first, where it can be claimed."""
    losses = [one for one in sequence if one.kind == "load-loss" and one.logger is not None and one.in_window]
    keys = [one for one in sequence if one.kind in KEY_KINDS and one.logger is not None]
    out, seen = [], set()
    for loss in losses:
        for other in keys:
            pair = frozenset((loss.number, other.number))
            within_us = ORDER_WITHIN_US.get(other.kind, OTHERS_WITHIN_US)
            if other is loss or pair in seen or abs(_at(other) - _at(loss)) > within_us:
                continue
            seen.add(pair)
            first, second = sorted((loss, other), key=lambda one: (_at(one), one.number))
            out.append(_order(context, first, second))
    return tuple(out)


def _at(one: Happening) -> int:
    value = one.figure.value
    return int(value) if isinstance(value, int) else one.raw_from_us


def span_of(context: Context, one: Happening) -> Span:
    """Between which stamps a happening's beginning lies."""
    assert one.logger is not None
    record = context.berthed.lines.get(one.line or "")
    known = record is None or record.channel != one.channel or record.filter_known
    lag_us = 0 if record is None or record.channel != one.channel else round(record.filter_s * 1e6)
    if one.kind == "load-loss" and record is not None:
        for loss in context.times.losses.get(record.line, ()):
            if int(record.at_us[loss.loaded]) == one.raw_from_us:
                return loss_span(record, loss)
        return Span(one.logger, one.raw_from_us - lag_us, one.raw_to_us, known)
    step_us = 1_000_000 if record is None else round(record.step_s * 1e6)
    if one.kind == "brake-render":
        # It begins at the payout reading before its first slip, which lies up to a reading of payout later.
        return Span(one.logger, one.raw_from_us, one.raw_from_us + max(step_us, 1_000_000), known)
    # What an event begins with lies between the reading before and its own, and a filter tells it late.
    return Span(one.logger, one.raw_from_us - step_us - lag_us, one.raw_from_us, known)


def _order(context: Context, first: Happening, second: Happening) -> Order:
    one, other = span_of(context, first), span_of(context, second)
    apart = context.times.apart_s(one, other)
    which = context.times.order(one, other)
    if which == "second":
        first, second, one, other = second, first, other, one
        apart = context.times.apart_s(one, other)
    known = which != "not known"
    named = [f"{x.kind} of {x.line}" for x in (first, second)]
    text = f"{named[0]} came before {named[1]}" if known else f"{named[0]} and {named[1]}: order not known"
    figure = context.numbers.figure(
        ORDERS,
        f"order.{first.figure.key}.{second.figure.key}",
        "how much later the second was",
        None if apart is None else apart[0],
        "s",
        "difference of corrected instants, from least to most: sampling, filters, and clocks at four standard "
        "uncertainties; an order is claimed only where the whole of it has one sign",
        low=None if apart is None else apart[1],
        high=None if apart is None else apart[2],
        not_known="the clock of one of the loggers is not known",
        of_figures=(first.number, second.number),
    )
    return Order(figure.number, first.number, second.number, known, text, figure)
