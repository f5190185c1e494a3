"""How lines shared the load of their role before and after the loss, and what that leaves unexplained. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipeline.incident.lines import Ints, LineRecord
from pipeline.incident.numbering import Context
from pipeline.incident.record import Figure, Ref, Residual, Share

SECTION: Final = "A-4"
# House rules, no source.
MEAN_S: Final = 180.0
"""Means before and after are of three minutes: a ship takes a motion period to find her new place."""
SETTLE_S: Final = 20.0
GUARD_S: Final = 2.0
USUAL_EVERY_S: Final = 60.0
USUAL_TIMES: Final = 60
TIMES: Final = 3.0


def mean_kn(record: LineRecord, raw_from_us: float, raw_to_us: float) -> float | None:
    """Mean of usable readings of [from, to), as stamped; None where under half of it was recorded."""
    at_us, sums = record.sums
    begin, end = np.searchsorted(at_us, [raw_from_us, raw_to_us]).tolist()
    expected = (raw_to_us - raw_from_us) / 1e6 / record.step_s
    return float(sums[end] - sums[begin]) / (end - begin) if end - begin >= max(0.5 * expected, 2) else None


def sharing_of(context: Context, mean_s: float = MEAN_S, settle_s: float = SETTLE_S) -> tuple[Share, ...]:
    """Of each role with the lines that bore it, before and after."""
    if context.times.chosen is None:
        return ()
    out = []
    for role in sorted({one.role for one in context.berthed.lines.values() if one.role is not None}):
        alike = [one for one in context.in_order() if one.role == role]
        both = {one.line: both_kn(context, one, mean_s, settle_s) for one in alike}
        sums = [[kn[side] for kn in both.values()] for side in (0, 1)]
        totals = [
            sum(kn for kn in some if kn is not None) if all(k is not None for k in some) else None for some in sums
        ]
        out += _of_role([_share(context, one, both[one.line], totals, mean_s) for one in alike])
    return tuple(out)


def _of_role(shares: Sequence[Share]) -> list[Share]:
    """The shares of one role, each percent resting on the means of all of them."""
    before, after = ([getattr(one, side).number for one in shares] for side in ("before", "after"))
    return [
        replace(
            one,
            before_pct=replace(one.before_pct, of_figures=tuple(before)),
            after_pct=replace(one.after_pct, of_figures=tuple(after)),
        )
        for one in shares
    ]


def both_kn(
    context: Context,
    record: LineRecord,
    mean_s: float = MEAN_S,
    settle_s: float = SETTLE_S,
    about_us: int | None = None,
) -> tuple[float | None, float | None]:
    """Means before and after the loss (or another corrected instant)."""
    before, after = _stretches(context, record, mean_s, settle_s, about_us)
    return mean_kn(record, *before), mean_kn(record, *after)


def _stretches(
    context: Context, record: LineRecord, mean_s: float, settle_s: float, about_us: int | None = None
) -> tuple[tuple[float, float], tuple[float, float]]:
    """What is taken the mean of before and after an instant, as the line's logger stamps it."""
    at_us = context.raw(record.logger, context.about_us if about_us is None else about_us)
    before = at_us - (GUARD_S + mean_s) * 1e6, at_us - GUARD_S * 1e6
    return before, (at_us + settle_s * 1e6, at_us + (settle_s + mean_s) * 1e6)


def usual_kn(context: Context, record: LineRecord) -> float | None:
    """How much such means differ of themselves: about each minute of the hour before 95 % lie within 1.96 times
    this. Not their median, for a squall is not the hour's usual weather."""
    if record.line not in context.usual:
        context.usual[record.line] = _usual_kn(context, record)
    return context.usual[record.line]


def _usual_kn(context: Context, record: LineRecord) -> float | None:
    found = []
    for k in range(USUAL_TIMES):
        before, after = both_kn(context, record, about_us=_usual_us(context, k))
        if before is not None and after is not None:
            found.append(abs(after - before))
    return float(np.quantile(found, 0.95)) / 1.96 if len(found) >= 10 else None


def _usual_us(context: Context, k: int) -> int:
    """The k-th instant before the loss of which such a difference is looked at."""
    return context.about_us - round((SETTLE_S + MEAN_S + GUARD_S) * 1e6) - k * round(USUAL_EVERY_S * 1e6)


def _ends(record: LineRecord, there: Ints) -> tuple[Ref, ...]:
    """The raw lines of the first and the last of some readings."""
    return () if there.size == 0 else (record.reading.ref(int(there[0])), record.reading.ref(int(there[-1])))


def _share(
    context: Context,
    record: LineRecord,
    both: tuple[float | None, float | None],
    totals: list[float | None],
    mean_s: float,
) -> Share:
    figure, name = context.numbers.figure, record.line
    before, after = both
    usual = usual_kn(context, record)
    gain = None if before is None or after is None else after - before
    stretches = _stretches(context, record, mean_s, SETTLE_S)
    hour = _stretches(context, record, MEAN_S, SETTLE_S, _usual_us(context, USUAL_TIMES - 1))[0][0]
    to_us = _stretches(context, record, MEAN_S, SETTLE_S, _usual_us(context, 0))[1][1]
    there = {
        "before": record.within(*stretches[0]),
        "after": record.within(*stretches[1]),
        "usual": record.within(hour, to_us),
    }
    words = f"mean of usable readings over {mean_s:g} s, "

    def told(key: str, what: str, value: float | None, unit: str, how: str, of: tuple[str, ...] = ()) -> Figure:
        why = "under half of that time was recorded, of it or of another line of its role"
        on = there.get(key)
        return figure(
            SECTION,
            f"share.{name}.{key}",
            f"{what} {name}",
            value,
            unit,
            how,
            not_known=why,
            refs=() if on is None else _ends(record, on),
            of_lines=None if on is None else int(on.size),
            of_figures=of,
        )

    pct = [
        None if kn is None or total is None or total <= 0 else 100.0 * kn / total
        for kn, total in zip(both, totals, strict=True)
    ]
    mean_before = told("before", "mean before the loss of", before, "kN", f"{words}up to {GUARD_S:g} s before the loss")
    mean_after = told("after", "mean after the loss of", after, "kN", f"{words}from {SETTLE_S:g} s after the loss")
    both_means = (mean_before.number, mean_after.number)
    return Share(
        line=name,
        role=record.role or "",
        lost=record is context.own,
        before=mean_before,
        after=mean_after,
        before_pct=told("before-pct", "share before of", pct[0], "% of its role", "over the sum of its role's means"),
        after_pct=told("after-pct", "share after of", pct[1], "% of its role", "over the sum of its role's means"),
        take_up=told(
            "take-up", "mean after less mean before of", gain, "kN", "difference of the two means", both_means
        ),
        usual=told(
            "usual",
            "standard size of such a difference of itself of",
            usual,
            "kN",
            "of the same difference about each minute of the hour before 95 % are within 1.96 times this",
        ),
        stands_out=None if gain is None or usual is None else abs(gain) > TIMES * usual,
    )


def residual_of(context: Context, sharing: Sequence[Share] = ()) -> Residual:
    """Force and moment that the change of all recorded lines does not balance. `sharing`: what was told of them."""
    why = _why_not(context)
    chosen = context.times.chosen
    sums, variance = np.zeros(3), np.zeros(3)
    if why is None and chosen is not None:
        for record in context.berthed.lines.values():
            before, after = both_kn(context, record)
            usual = usual_kn(context, record)
            if before is None or after is None or usual is None:
                why = f"{record.line} was not recorded long enough before and after"
                break
            arm = _arm(record)
            sums += (after - before) * arm
            variance += (usual * arm) ** 2
    how = (
        "sum over all lines of (mean after less mean before) times the way of its lead; 95 % by the usual size of such "
        "differences. What is left was taken by fenders, wind or current, or by lines that are not recorded"
    )
    told = {share.line: (share.take_up.number, share.usual.number) for share in sharing}
    lines = list(context.berthed.lines.values())
    alone = [record for record in lines if record.line not in told]
    ends = [ref for record in alone for ref in _ends(record, np.flatnonzero(record.usable))]
    leads = [row for record in lines for row in context.registered.rigging(record.rigging)]
    names = (("ahead", "kN"), ("athwart", "kN"), ("moment", "kN m"))
    made = []
    for k, (name, unit) in enumerate(names):
        wide = 1.96 * float(np.sqrt(variance[k]))
        made.append(
            context.numbers.figure(
                SECTION,
                f"residual.{name}",
                f"{'moment about midships' if name == 'moment' else 'force ' + name} left unexplained by the take-up",
                None if why is not None else float(sums[k]),
                unit,
                how,
                low=None if why is not None else float(sums[k]) - wide,
                high=None if why is not None else float(sums[k]) + wide,
                not_known=f"not possible: {why}",
                refs=ends,
                of_figures=[number for numbers in told.values() for number in numbers],
                of_registers=leads,
            )
        )
    return Residual(why is None, why or "", *made)


def _why_not(context: Context) -> str | None:
    if context.times.chosen is None:
        return "the line lost no load near the time asked for"
    needed = ("chock_ahead_m", "chock_athwart_m", "lead_deg", "lead_down_deg")
    for row in context.berthed.spans:
        if row.from_us < context.about_us and (row.to_us is None or row.to_us > context.about_us):
            missing = [name for name in needed if getattr(row, name) is None]
            if missing:
                return f"rigging.csv has no {', '.join(missing)} for {row.line}"
            if row.line not in context.berthed.lines:
                return f"nothing was recorded of {row.line}"
    return None


def _arm(record: LineRecord) -> np.ndarray:
    """Of a tension of 1 kN: force ahead, force athwart, moment about midships [m]."""
    row = record.rigging
    lead_deg, down_deg, x_m, y_m = (
        float("nan") if found is None else float(found)
        for found in (row.lead_deg, row.lead_down_deg, row.chock_ahead_m, row.chock_athwart_m)
    )
    level = float(np.cos(np.radians(down_deg)))
    ahead, athwart = level * float(np.cos(np.radians(lead_deg))), level * float(np.sin(np.radians(lead_deg)))
    return np.array([ahead, athwart, x_m * athwart - y_m * ahead])
