"""A happening before it has its place and number in the sequence. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from pipeline.incident.lines import LineRecord
from pipeline.incident.numbering import Context
from pipeline.incident.record import HappeningKind, Ref, RegisterRow
from pipeline.incident.times import Span


@dataclass(frozen=True)
class More:
    """One of the figures beside a happening's instant. What it rests on: raw lines (`of_lines`: how many in all),
    figures named before it by their key (`of`), rows of registers."""

    key: str
    what: str
    value: float | None
    unit: str
    at_least: bool = False
    refs: tuple[Ref, ...] = ()
    of_lines: int | None = None
    of: tuple[str, ...] = ()
    registers: tuple[RegisterRow, ...] = ()


FROM_EVENT: Final = "published event, by its definition in the policy of the site"


def draft_of(
    context: Context,
    kind: HappeningKind,
    record: LineRecord | None,
    raw: tuple[int, int],
    text: str,
    *,
    span: Span | None = None,
    line: str | None = None,
    channel: str | None = None,
    refs: tuple[Ref, ...] = (),
    registers: tuple[RegisterRow, ...] = (),
    how: str = FROM_EVENT,
    **more: Any,
) -> dict[str, Any]:
    """A happening before it has a number. `raw`: from and to as stamped; `span`: between what its beginning lies."""
    channel = record.channel if record is not None else channel
    logger = record.logger if record is not None else None if channel is None else context.berthed.logger_of(channel)
    by_register = logger is None
    begun = context.times.corrected(logger, raw[0]) if logger is not None else None
    return {
        "kind": kind,
        "line": record.line if record is not None else line,
        "channel": channel,
        "place": record.place if record is not None else place_of(context, channel),
        "logger": logger,
        "text": text,
        "raw_from_us": raw[0],
        "raw_to_us": raw[1],
        "span": span,
        "refs": refs,
        "registers": registers,
        "how": how,
        "sort_us": raw[0] if by_register or begun is None else begun,
        **more,
    }


def place_of(context: Context, channel: str | None) -> str | None:
    return None if channel is None else context.berthed.site.channels[channel].place
