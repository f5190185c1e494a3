"""Section A-6: what is missing or doubtful, each with its effect on the figures it touches. Pure.

From the readings and registers of the call alone, so that the raw copies of a call tell the same again.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from pipeline.incident.doubts_of_lines import (
    Parts,
    Weight,
    calibration_doubts,
    clipping_doubts,
    filter_doubts,
    flagged_doubts,
    gap_doubts,
    rate_doubts,
    rigging_time_doubts,
    share_doubts,
    zero_doubts,
)
from pipeline.incident.numbering import Context
from pipeline.incident.record import Clock, Doubt, Ref, RegisterRow
from pipeline.incident.registered import Rows

SECTION: Final = "A-6"


def doubts_of(context: Context, parts: Parts, clocks: Sequence[Clock]) -> tuple[Doubt, ...]:
    """All doubts: of each line, then of clocks, files, and of lines that nothing was recorded of."""
    drafts: list[tuple[Any, ...]] = []
    for record in context.in_order():
        drafts += gap_doubts(context, parts, record)
        drafts += rate_doubts(context, parts, record)
        drafts += clipping_doubts(context, parts, record)
        drafts += flagged_doubts(parts, record)
        drafts += calibration_doubts(context, parts, record)
        drafts += share_doubts(context, parts, record)
        drafts += rigging_time_doubts(context, parts, record)
        drafts += filter_doubts(context, parts, record)
        drafts += zero_doubts(parts, record)
    drafts += _clocks(parts, clocks)
    drafts += _files(context)
    drafts += _unrecorded(context)
    return tuple(_doubt(context, *draft) for draft in drafts)


def _doubt(
    context: Context,
    kind: Any,
    subject: str,
    text: str,
    effect: str,
    weight: Weight,
    touched: tuple[str, ...],
    value: tuple[str, float | int | None, str] | None = None,
    refs: tuple[Ref, ...] = (),
    registers: Rows = (),
) -> Doubt:
    if value is None:
        return Doubt(context.numbers.next(SECTION), kind, subject, text, effect, weight, touched, None, refs)
    what, size, unit = value
    key = f"doubt.{kind}.{subject}.{context.numbers.given.get(SECTION, 0) + 1}"
    figure = context.numbers.figure(
        SECTION,
        key,
        what,
        size,
        unit,
        "from readings and registers of the call",
        refs=refs,
        of_lines=size if unit == "readings" and isinstance(size, int) else None,
        of_registers=registers,
    )
    return Doubt(figure.number, kind, subject, text, effect, weight, touched, figure, refs)


def _clocks(parts: Parts, clocks: Sequence[Clock]) -> list[tuple[Any, ...]]:
    out: list[tuple[Any, ...]] = []
    for clock in clocks:
        lines = [one.number for one in parts.sequence if one.logger == clock.logger]
        touched = (clock.offset.number, *lines)
        if clock.is_reference:
            text = f"the clock of {clock.logger}, on which all corrected times are, was not held against UTC"
            effect = "all times may be off together; what came before what is not touched"
            out.append(("clock", clock.logger, text, effect, "slight", (clock.offset.number,)))
        elif clock.offset.value is None:
            text = f"the clock of {clock.logger} cannot be told against the reference"
            effect = "no order between its happenings and those of other loggers is claimed"
            out.append(("clock", clock.logger, text, effect, "some" if lines else "slight", touched))
        if any(one.agrees is False for one in clock.instants):
            text = f"a happening that {clock.logger} and the reference both stamped contradicts the offset"
            effect = "one of the two is wrong: the offset, or that both are of one happening"
            out.append(("clock", clock.logger, text, effect, "some", touched))
    return out


def _files(context: Context) -> list[tuple[Any, ...]]:
    out = []
    for sha256, count in context.berthed.quarantined.items():
        if count:
            name = context.berthed.names.get(sha256, sha256)
            text = f"{count} rows or cells of {name} are quarantined: they could not be read"
            effect = "what they held is in no figure; each stands with its line, bytes and reason in the quarantine"
            value = ("rows or cells in quarantine", count, "rows")
            copy = (RegisterRow(f"raw/{sha256}", None, name),)
            out.append(("quarantine", name, text, effect, "slight", (), value, (), copy))
    return out


def _unrecorded(context: Context) -> list[tuple[Any, ...]]:
    out = []
    for row in context.berthed.spans:
        at_us = context.about_us
        there = row.from_us <= at_us and (row.to_us is None or row.to_us > at_us)
        if there and row.line not in context.berthed.lines:
            text = f"nothing was recorded of {row.line} ({row.channel}) about the loss"
            effect = "whether it bore load, rendered or parted is not known; no force balance is possible"
            out.append(("not-recorded", row.line, text, effect, "strong", ()))
    return out
