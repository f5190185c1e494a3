"""Section A-5: each line in the plan of the berth, and what it bore before, at and after the loss. Pure."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from pipeline.incident.lines import LineRecord
from pipeline.incident.numbering import Context
from pipeline.incident.record import BerthLine, Figure
from pipeline.incident.sharing import mean_kn

SECTION: Final = "A-5"
MINUTE_US: Final = 60_000_000
State = Literal["bore load", "rendered", "slack", "lost", "not recorded"]


def berth_of(context: Context) -> tuple[BerthLine, ...]:
    """Every main line rigged at the loss; those of which nothing was recorded too."""
    rows = [
        row
        for row in context.berthed.spans
        if row.from_us <= context.about_us and (row.to_us is None or row.to_us > context.about_us)
    ]
    out = []
    for row in sorted(rows, key=lambda row: row.line):
        record = context.berthed.lines.get(row.line)
        before, at, after = _loads(context, row.line, record)
        out.append(
            BerthLine(
                line=row.line,
                tails=() if record is None else record.tails,
                role=row.role,
                place=context.berthed.site.channels[row.channel].place,
                lost=row.line == context.berthed.line and context.times.chosen is not None,
                state=_state(context, record),
                chock_ahead_m=row.chock_ahead_m,
                chock_athwart_m=row.chock_athwart_m,
                lead_deg=row.lead_deg,
                lead_down_deg=row.lead_down_deg,
                brake_set_kn=None if record is None else record.brake_set_kn,
                limit_kn=context.berthed.site.policy.peak_load_pct
                / 100.0
                * (context.berthed.site.design_mbl_kn(row.line) or context.berthed.site.break_force_kn(row.line)),
                before=before,
                at=at,
                after=after,
            )
        )
    return tuple(out)


def _loads(context: Context, line: str, record: LineRecord | None) -> tuple[Figure, Figure, Figure]:
    values: list[float | None] = [None, None, None]
    clipped = False
    refs: list[tuple[int, ...]] = [(), (), ()]
    count: list[int | None] = [None, None, None]
    if record is not None:
        us = context.raw(record.logger, context.about_us)
        chosen = context.times.chosen
        if record is context.own and chosen is not None:
            us = int(record.at_us[chosen.loaded]) + 1
        values[0] = mean_kn(record, us - MINUTE_US, us)
        near = record.within(us - 2e6 * max(1.0, record.step_s), us)
        if near.size:
            values[1], clipped = float(record.kn[near[-1]]), bool(record.clipped[near[-1]])
            refs[1] = (int(near[-1]),)
        values[2] = mean_kn(record, us + 2 * MINUTE_US, us + 3 * MINUTE_US)
        for side, (first, last) in ((0, (us - MINUTE_US, us)), (2, (us + 2 * MINUTE_US, us + 3 * MINUTE_US))):
            there = record.within(first, last)
            refs[side] = () if there.size == 0 else (int(there[0]), int(there[-1]))
            count[side] = int(there.size)
    words = (
        ("before", "mean of the minute before the loss of"),
        ("at", "last reading before the loss of"),
        ("after", "mean of the third minute after the loss of"),
    )
    made = []
    for side, (key, what) in enumerate(words):
        made.append(
            context.numbers.figure(
                SECTION,
                f"berth.{line}.{key}",
                f"{what} {line}",
                values[side],
                "kN",
                "usable readings, calibrated, times share, by its logger's clock brought to the reference",
                at_least=side == 1 and clipped,
                not_known="not recorded then",
                refs=() if record is None else tuple(record.reading.ref(k) for k in refs[side]),
                of_lines=count[side],
            )
        )
    return made[0], made[1], made[2]


def _state(context: Context, record: LineRecord | None) -> State:
    if record is None:
        return "not recorded"
    if record is context.own and context.times.chosen is not None:
        return "lost"
    us = context.raw(record.logger, context.about_us)
    for loss in context.times.losses.get(record.line, ()):
        if loss.low_us < us:
            return "lost"
    near = record.within(us - 2 * MINUTE_US, us + 2 * MINUTE_US)
    if near.size == 0:
        return "not recorded"
    if any(
        one.kind == "brake-render"
        and one.line == record.line
        and one.from_us <= us + MINUTE_US
        and one.to_us >= us - MINUTE_US
        for one in context.berthed.events
    ):
        return "rendered"
    minute = record.within(us - 10e6, us + 1)
    return "slack" if minute.size and float(np.median(record.kn[minute])) < record.floor_kn else "bore load"
