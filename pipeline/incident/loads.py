"""Section A-4: what lines bore before the loss; with `sharing`, how they shared it, and what that leaves unexplained.

Pure. The highest recorded is a lower bound: what a line bore between readings, or beyond the gauge's end, is not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.incident.lines import LineRecord
from pipeline.incident.numbering import Context
from pipeline.incident.record import Figure, LineLoad, Load, Ref
from pipeline.incident.registered import Rows
from pipeline.incident.sharing import residual_of, sharing_of

SECTION: Final = "A-4"
BEFORE_S: Final = 10.0
"""House rule, no source."""
BIN_US: Final = 10_000_000
NOTHING: Final = "nothing was recorded of it then"


@dataclass(frozen=True)
class Peak:
    """The highest tension of a stretch; `refs`: the raw line where it was read."""

    kn: float
    at_least: bool
    refs: tuple[Ref, ...]


@dataclass(frozen=True)
class Ever:
    """What day sheets tell of a line, with raw lines: `ever`, its highest tension of all days before that of the loss;
    `earlier`: the highest ten-second bin of the call before its readings about the loss."""

    ever: Peak | None = None
    earlier: Peak | None = None


def load_of(context: Context, ever: Mapping[str, Ever]) -> Load:
    """Section A-4. `ever`: by line."""
    lines = [_line_load(context, record, ever.get(record.line, Ever())) for record in context.in_order()]
    sharing = sharing_of(context)
    return Load(tuple(lines), sharing, residual_of(context, sharing))


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


def _line_load(context: Context, record: LineRecord, told: Ever) -> LineLoad:
    name, figure = record.line, context.numbers.figure
    end_us = end_raw_us(context, record)
    before = highest(record, end_us - BEFORE_S * 1e6, end_us)
    call = _call_peak(context, record, end_us, told.earlier)
    seen = [peak for peak in (call, told.ever) if peak is not None]
    ever = max(seen, key=lambda peak: peak.kn, default=None)

    def peak_of(key: str, what: str, peak: Peak | None, how: str, of: Figure | None = None) -> Figure:
        """A highest load. Where it is that of another figure, it rests on that one."""
        return figure(
            SECTION,
            f"load.{name}.{key}",
            f"highest recorded on {name} {what}",
            None if peak is None else peak.kn,
            "kN",
            how,
            at_least=True,
            not_known=NOTHING,
            refs=() if peak is None else peak.refs,
            of_figures=() if of is None or of.value is None else (of.number,),
        )

    how = f"largest usable reading of the {BEFORE_S:g} s before the loss, calibrated, times share: a lower bound"
    own = peak_of("highest", "before the loss", before, how)
    in_call = peak_of(
        "highest-call",
        "in the call up to the loss",
        call,
        "readings about the loss, and before those the ten-second bins of its day sheets",
    )
    in_all = peak_of(
        "highest-ever",
        "in all records up to the loss",
        ever,
        "the call, and the highest tension that its day sheets tell of each day before",
        in_call,
    )
    return LineLoad(
        line=name,
        lost=record is context.own and context.times.chosen is not None,
        role=record.role,
        highest=own,
        highest_call=in_call,
        highest_ever=in_all,
        **_percents(context, record, before, own),
        rank=figure(
            SECTION,
            f"load.{name}.rank",
            f"highest on {name} before the loss, of its own highest before in all records",
            100.0 * before.kn / ever.kn if before is not None and ever is not None and ever.kn > 0 else None,
            "%",
            "100 % means that nothing higher was ever recorded of it",
            not_known=NOTHING,
            of_figures=(own.number, in_all.number),
        ),
    )


def _percents(context: Context, record: LineRecord, before: Peak | None, own: Figure) -> dict[str, Figure]:
    """The highest before the loss, of what limits a line; in the order of `LineLoad`."""
    name, registered = record.line, context.registered
    mbl = context.berthed.site.design_mbl_kn(name)
    setting = context.berthed.site.brake_setting(record.place, _middle_us(record))
    of = "of what was read"

    def told(key: str, what: str, over_kn: float | None, words: str, why: str, rows: Rows) -> Figure:
        return context.numbers.figure(
            SECTION,
            f"load.{name}.{key}",
            f"highest on {name} before the loss, {what}",
            None if before is None or over_kn is None else 100.0 * before.kn / over_kn,
            "%",
            f"{of}, over {words}",
            at_least=True,
            not_known=NOTHING if over_kn is not None else why,
            of_figures=(own.number,),
            of_registers=rows,
        )

    return {
        "pct_design_mbl": told(
            "pct-mbl",
            "of ship design MBL",
            mbl,
            "ship design MBL in ships.csv",
            "ship design MBL is not registered",
            registered.design_mbl(name),
        ),
        "pct_break_force": told(
            "pct-break",
            "of its break force when new",
            record.break_force_kn,
            "the certified break force (lines.csv or spec)",
            "",
            registered.break_force(name),
        ),
        "pct_brake": told(
            "pct-brake",
            "of the setting of its brake",
            record.brake_set_kn,
            "the newest setting in winches.csv; a load at a hook is not that at the drum",
            "winches.csv has no setting for its place",
            registered.winch(setting),
        ),
    }


def _call_peak(context: Context, record: LineRecord, end_us: int, earlier: Peak | None) -> Peak | None:
    """Readings where there are any, ten-second bins of the call before them."""
    near = highest(record, int(record.at_us[0]) if record.at_us.size else 0, end_us)
    if earlier is None or (near is not None and near.kn >= earlier.kn):
        return near
    return earlier


def earlier_bin(context: Context, record: LineRecord) -> tuple[float, int] | None:
    """The highest ten-second bin of the call before the readings about the loss: tension and begin, as stamped."""
    coarse = context.berthed.coarse.get(record.line)
    if coarse is None:
        return None
    end_us = end_raw_us(context, record)
    first_us = int(record.at_us[0]) if record.at_us.size else end_us
    before = np.flatnonzero(coarse.from_us + BIN_US <= min(first_us, end_us))
    if before.size == 0:
        return None
    top = int(before[int(np.argmax(coarse.high_kn[before]))])
    return float(coarse.high_kn[top]), int(coarse.from_us[top])


def _middle_us(record: LineRecord) -> int:
    """The instant of which a line's setting was taken (`gather`)."""
    return int(record.at_us[record.at_us.size // 2]) if record.at_us.size else record.rigging.from_us
