"""Section A-4: what lines bore before the loss, how they shared it before and after, and what that leaves unexplained.

Pure. The highest recorded is a lower bound: what a line bore between readings, or beyond the gauge's end, is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.incident.lines import LineRecord
from pipeline.incident.numbering import Context
from pipeline.incident.record import Figure, LineLoad, Load, Ref, Residual, Share

SECTION: Final = "A-4"
# House rules, no source.
BEFORE_S: Final = 10.0
MEAN_S: Final = 180.0
"""Means before and after are of three minutes: a ship takes a motion period to find her new place."""
SETTLE_S: Final = 20.0
GUARD_S: Final = 2.0
USUAL_EVERY_S: Final = 60.0
TIMES: Final = 3.0


@dataclass(frozen=True)
class Peak:
    """The highest tension of a stretch; `refs`: the raw line where it was read."""

    kn: float
    at_least: bool
    refs: tuple[Ref, ...]


@dataclass(frozen=True)
class Ever:
    """The highest tension that day sheets tell of a line in all records up to the day before the loss."""

    kn: float
    at_us: int


def load_of(context: Context, ever: dict[str, Ever]) -> Load:
    """Section A-4. `ever`: by line, from before the day of the loss."""
    lines = [_line_load(context, record, ever.get(record.line)) for record in context.in_order()]
    sharing = sharing_of(context)
    return Load(tuple(lines), sharing, residual_of(context))


def highest(record: LineRecord, raw_from_us: float, raw_to_us: float) -> Peak | None:
    """The highest usable reading of a line over [from, to), as stamped; the first of equal ones."""
    there = record.within(raw_from_us, raw_to_us)
    if there.size == 0:
        return None
    top = int(there[int(np.argmax(record.kn[there]))])
    return Peak(float(record.kn[top]), bool(record.clipped[top]), (record.reading.ref(top),))


def end_raw_us(context: Context, record: LineRecord) -> int:
    """The end of what counts as before the loss, as the line's logger stamps it; of the lost line its last load."""
    chosen = context.times.chosen
    if record is context.own and chosen is not None:
        return int(record.at_us[chosen.loaded]) + 1
    return context.raw(record.logger, context.about_us)


def _line_load(context: Context, record: LineRecord, ever: Ever | None) -> LineLoad:
    name, figure = record.line, context.numbers.figure
    end_us = end_raw_us(context, record)
    before = highest(record, end_us - BEFORE_S * 1e6, end_us)
    call = _call_peak(context, record, end_us)
    kn = None if before is None else before.kn
    bound = True
    how = f"largest usable reading of the {BEFORE_S:g} s before the loss, calibrated, times share: a lower bound"

    def told(key: str, what: str, value: float | None, unit: str, words: str, why: str) -> Figure:
        return figure(
            SECTION,
            f"load.{name}.{key}",
            what,
            value,
            unit,
            words,
            at_least=bound,
            not_known=why,
            refs=() if before is None else before.refs,
        )

    of = "of what was read"
    nothing = "nothing was recorded of it then"
    seen = [peak for peak in (None if call is None else call.kn, None if ever is None else ever.kn) if peak is not None]
    mbl = context.berthed.site.design_mbl_kn(name)
    return LineLoad(
        line=name,
        lost=record is context.own and context.times.chosen is not None,
        role=record.role,
        highest=told("highest", f"highest recorded on {name} before the loss", kn, "kN", how, nothing),
        highest_call=figure(
            SECTION,
            f"load.{name}.highest-call",
            f"highest recorded on {name} in the call up to the loss",
            None if call is None else call.kn,
            "kN",
            "readings about the loss, and before those the ten-second bins of its day sheets",
            at_least=bound,
            not_known=nothing,
            refs=() if call is None else call.refs,
        ),
        highest_ever=figure(
            SECTION,
            f"load.{name}.highest-ever",
            f"highest recorded on {name} in all records up to the loss",
            max(seen) if seen else None,
            "kN",
            "the call, and the highest tension that its day sheets tell of each day before",
            at_least=bound,
            not_known=nothing,
        ),
        pct_design_mbl=told(
            "pct-mbl",
            f"highest on {name} before the loss, of ship design MBL",
            None if kn is None or mbl is None else 100.0 * kn / mbl,
            "%",
            f"{of}, over ship design MBL in ships.csv",
            nothing if mbl is not None else "ship design MBL is not registered",
        ),
        pct_break_force=told(
            "pct-break",
            f"highest on {name} before the loss, of its break force when new",
            None if kn is None else 100.0 * kn / record.break_force_kn,
            "%",
            f"{of}, over the certified break force (lines.csv or spec)",
            nothing,
        ),
        pct_brake=told(
            "pct-brake",
            f"highest on {name} before the loss, of the setting of its brake",
            None if kn is None or record.brake_set_kn is None else 100.0 * kn / record.brake_set_kn,
            "%",
            f"{of}, over the newest setting in winches.csv; a load at a hook is not that at the drum",
            nothing if record.brake_set_kn is not None else "winches.csv has no setting for its place",
        ),
        rank=figure(
            SECTION,
            f"load.{name}.rank",
            f"highest on {name} before the loss, of its own highest before in all records",
            100.0 * kn / max(seen) if kn is not None and seen and max(seen) > 0 else None,
            "%",
            "100 % means that nothing higher was ever recorded of it",
            not_known=nothing,
        ),
    )


def _call_peak(context: Context, record: LineRecord, end_us: int) -> Peak | None:
    """Readings where there are any, ten-second bins of the call before them."""
    near = highest(record, int(record.at_us[0]) if record.at_us.size else 0, end_us)
    coarse = context.berthed.coarse.get(record.line)
    if coarse is None:
        return near
    first_us = int(record.at_us[0]) if record.at_us.size else end_us
    before = coarse.from_us + 10_000_000 <= min(first_us, end_us)
    if not np.any(before):
        return near
    kn = float(coarse.high_kn[before].max())
    return near if near is not None and near.kn >= kn else Peak(kn, False, ())


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
        out += [_share(context, one, both[one.line], totals, mean_s) for one in alike]
    return tuple(out)


def both_kn(
    context: Context,
    record: LineRecord,
    mean_s: float = MEAN_S,
    settle_s: float = SETTLE_S,
    about_us: int | None = None,
) -> tuple[float | None, float | None]:
    """Means before and after the loss (or another corrected instant)."""
    at_us = context.raw(record.logger, context.about_us if about_us is None else about_us)
    before = mean_kn(record, at_us - (GUARD_S + mean_s) * 1e6, at_us - GUARD_S * 1e6)
    return before, mean_kn(record, at_us + settle_s * 1e6, at_us + (settle_s + mean_s) * 1e6)


def usual_kn(context: Context, record: LineRecord) -> float | None:
    """How much such means differ of themselves: about each minute of the hour before 95 % lie within 1.96 times
    this. Not their median, for a squall is not the hour's usual weather."""
    if record.line not in context.usual:
        context.usual[record.line] = _usual_kn(context, record)
    return context.usual[record.line]


def _usual_kn(context: Context, record: LineRecord) -> float | None:
    last_us = context.about_us - round((SETTLE_S + MEAN_S + GUARD_S) * 1e6)
    found = []
    for k in range(60):
        before, after = both_kn(context, record, about_us=last_us - k * round(USUAL_EVERY_S * 1e6))
        if before is not None and after is not None:
            found.append(abs(after - before))
    return float(np.quantile(found, 0.95)) / 1.96 if len(found) >= 10 else None


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
    raw_us = context.raw(record.logger, context.about_us)
    there = record.within(raw_us - (GUARD_S + mean_s) * 1e6, raw_us + (SETTLE_S + mean_s) * 1e6)
    ends = () if there.size == 0 else (record.reading.ref(int(there[0])), record.reading.ref(int(there[-1])))
    words = f"mean of usable readings over {mean_s:g} s, "

    def told(key: str, what: str, value: float | None, unit: str, how: str) -> Figure:
        why = "under half of that time was recorded, of it or of another line of its role"
        return figure(
            SECTION,
            f"share.{name}.{key}",
            f"{what} {name}",
            value,
            unit,
            how,
            not_known=why,
            refs=ends,
            of_lines=int(there.size),
        )

    pct = [
        None if kn is None or total is None or total <= 0 else 100.0 * kn / total
        for kn, total in zip(both, totals, strict=True)
    ]
    return Share(
        line=name,
        role=record.role or "",
        lost=record is context.own,
        before=told("before", "mean before the loss of", before, "kN", f"{words}up to {GUARD_S:g} s before the loss"),
        after=told("after", "mean after the loss of", after, "kN", f"{words}from {SETTLE_S:g} s after the loss"),
        before_pct=told("before-pct", "share before of", pct[0], "% of its role", "over the sum of its role's means"),
        after_pct=told("after-pct", "share after of", pct[1], "% of its role", "over the sum of its role's means"),
        take_up=told("take-up", "mean after less mean before of", gain, "kN", "difference of the two means"),
        usual=told(
            "usual",
            "standard size of such a difference of itself of",
            usual,
            "kN",
            "of the same difference about each minute of the hour before 95 % are within 1.96 times this",
        ),
        stands_out=None if gain is None or usual is None else abs(gain) > TIMES * usual,
    )


def residual_of(context: Context) -> Residual:
    """Force and moment that the change of all recorded lines does not balance."""
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
