"""What is missing or doubtful about one line's readings and rows, with its effect on the figures it touches. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Literal

import numpy as np

from pipeline.incident.lines import LineRecord
from pipeline.incident.numbering import Context
from pipeline.incident.observed import gaps_of
from pipeline.incident.record import Figure, Happening, figures
from schemas.times import us_to_rfc3339

# House rules, no source.
RISE_S: Final = 0.5
"""A load that snaps tight rises and falls within about this: common practice, no source."""
FAR_S: Final = 600.0


Weight = Literal["strong", "some", "slight"]


@dataclass(frozen=True)
class Parts:
    """The figures of the other sections, by what a doubt may touch."""

    sequence: tuple[Happening, ...]
    load: Any
    berth: Any

    def of_line(self, *lines: str) -> tuple[str, ...]:
        """Numbers of the figures of the load and the berth that name one of some lines."""
        return tuple(one.number for one in self.named if _names(one, lines))

    @cached_property
    def named(self) -> tuple[Figure, ...]:
        """The figures of the load and the berth."""
        return tuple(one for part in (self.load, self.berth) for one in figures(part))

    def instants_of(self, line: str) -> tuple[str, ...]:
        """Numbers of a line's losses."""
        return tuple(one.number for one in self.sequence if one.line == line and one.kind == "load-loss")


def _names(figure: Figure, lines: Iterable[str]) -> bool:
    return any(f".{line}." in figure.key for line in lines)


def gap_doubts(context: Context, parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    own = record is context.own
    out = []
    for before, after in gaps_of(record, context.berthed.site.policy.max_gap_s):
        first_us, last_us = int(record.at_us[before]), int(record.at_us[after])
        about_us = context.raw(record.logger, context.about_us)
        near = first_us - FAR_S * 1e6 < about_us < last_us + FAR_S * 1e6
        inside = first_us <= about_us <= last_us
        out.append(
            (
                "gap",
                record.line,
                f"nothing usable of {record.line} from {us_to_rfc3339(first_us)} to {us_to_rfc3339(last_us)}",
                "the loss may lie anywhere in it, and the highest load within it is not known"
                if own and inside
                else "what it bore within it is not known: peaks and means may be higher or lower",
                "strong" if own and near else "some" if near else "slight",
                parts.of_line(record.line) + (parts.instants_of(record.line) if inside else ()),
                ("length of the gap", (last_us - first_us) / 1e6, "s"),
                (record.reading.ref(before), record.reading.ref(after)),
            )
        )
    return out


def rate_doubts(context: Context, parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    if record.step_s <= RISE_S / 4.0:
        return []
    text = f"{record.line} was read every {record.step_s:g} s; a snap may rise and fall between two readings"
    effect = "every peak of it is a lower bound, and the instant of its loss is no surer than that interval"
    weight: Weight = "some" if record.step_s > RISE_S else "slight"
    touched = parts.of_line(record.line) + parts.instants_of(record.line)
    value = ("interval of its readings", record.step_s, "s")
    ends = () if record.at_us.size == 0 else (record.reading.ref(0), record.reading.ref(record.at_us.size - 1))
    registers = context.registered.channel(record.channel)
    return [("rate", record.line, text, effect, weight, touched, value, ends, registers)]


def clipping_doubts(context: Context, parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    there = np.flatnonzero(record.clipped)
    if there.size == 0:
        return []
    text = f"{there.size} readings of {record.line} stand at the end of its gauge ({record.capacity_kn:g} kN)"
    refs = tuple(record.reading.ref(int(k)) for k in there[:3])
    own = record is context.own
    return [
        (
            "clipping",
            record.line,
            text,
            "it bore at least that; how much more is not known, and percents and shares of it are too low",
            "strong" if own else "some",
            parts.of_line(record.line),
            ("readings at the gauge's end", int(there.size), "readings"),
            refs,
        )
    ]


def flagged_doubts(parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    out = []
    for words, mask, effect in (
        ("suspect", record.suspect & ~record.clipped, "they count, and may be wrong"),
        ("failed or missing", ~record.usable & _rigged(record), "they do not count"),
    ):
        count = int(mask.sum())
        if count:
            refs = tuple(record.reading.ref(int(k)) for k in np.flatnonzero(mask)[:3])
            text = f"{count} readings of {record.line} are flagged {words}"
            value = (f"readings flagged {words}", count, "readings")
            out.append(("flagged", record.line, text, effect, "slight", parts.of_line(record.line), value, refs))
    return out


def _rigged(record: LineRecord) -> np.ndarray:
    row = record.rigging
    return (record.at_us >= row.from_us) & (True if row.to_us is None else record.at_us < row.to_us)


def calibration_doubts(context: Context, parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    held = [c for c in context.berthed.site.calibrations_of(record.channel) if c.from_us <= context.berthed.at_us]
    touched = parts.of_line(record.line)
    if not held:
        text = f"calibrations.csv has no calibration of {record.channel}: readings stand as they came"
        return [("calibration", record.line, text, "how far its loads are off is not known", "some", touched)]
    out: list[tuple[Any, ...]] = []
    newest = held[-1]
    if newest.overdue_from_us is not None and newest.overdue_from_us <= context.berthed.at_us:
        text = f"the calibration of {record.channel} was due on {newest.due}"
        out.append(("calibration", record.line, text, "its stated uncertainty no longer holds", "some", touched))
    if newest.uncertainty_pct is None:
        text = f"the calibration of {record.channel} states no uncertainty"
        out.append(("calibration", record.line, text, "how far its loads are off is not known", "some", touched))
    elif record.capacity_kn is not None:
        off_kn = newest.uncertainty_pct / 100.0 * record.capacity_kn
        text = f"the calibration of {record.channel} states {newest.uncertainty_pct:g} % of its capacity"
        effect = f"each load of it may be off by {off_kn:.1f} kN either way"
        value = ("stated uncertainty", off_kn, "kN")
        rows = context.registered.calibration(newest) + context.registered.channel(record.channel)
        out.append(("calibration", record.line, text, effect, "slight", touched, value, (), rows))
    return out


def share_doubts(context: Context, parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    row = record.rigging
    out: list[tuple[Any, ...]] = []
    touched = parts.of_line(record.line)
    if row.share_basis == "assumed":
        low = "not given" if row.share_low is None else f"{row.share_low:g} %"
        high = "not given" if row.share_high is None else f"{row.share_high:g} %"
        text = (
            f"the share of {record.line} on {record.channel} ({row.share_pct:g} %) is assumed; bounds {low} to {high}"
        )
        effect = "its loads are as uncertain as that share, whichever line bore more"
        out.append(("assumed-share", record.line, text, effect, "some", touched))
    if len(record.on_channel) > 1:
        names = ", ".join(record.on_channel)
        text = f"one gauge measures {names} together"
        effect = "which of them bore what, and which of them lost its load, it cannot tell"
        weight: Weight = "strong" if record is context.own else "some"
        out.append(("shared-hook", record.line, text, effect, weight, touched + parts.instants_of(record.line)))
    return out


def rigging_time_doubts(context: Context, parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    """A load before the registered `from`, or after the registered `to`, in the readings about the loss."""
    row, limit_s = record.rigging, context.berthed.site.policy.rigging_time_s
    kn = np.where(np.isnan(record.kn), 0.0, record.kn)
    loaded = kn >= 2.0 * record.floor_kn
    out = []
    early = np.flatnonzero(loaded & (record.at_us < row.from_us - limit_s * 1e6))
    late = (
        np.empty(0, np.int64)
        if row.to_us is None
        else np.flatnonzero(loaded & (record.at_us >= row.to_us + limit_s * 1e6))
    )
    for words, there in (("before its registered `from`", early), ("after its registered `to`", late)):
        if there.size * record.step_s >= 60.0:
            us = int(record.at_us[there[0]])
            text = f"{record.channel} bore a load {words} of {record.line}, first at {us_to_rfc3339(us)} (its stamps)"
            effect = "what was borne outside of the registered times is in no figure of the line"
            refs = (record.reading.ref(int(there[0])), record.reading.ref(int(there[-1])))
            out.append(("rigging-time", record.line, text, effect, "some", parts.of_line(record.line), None, refs))
    return out


def filter_doubts(context: Context, parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    touched = parts.instants_of(record.line)
    if not record.filter_known:
        text = f"no register tells the filter of {record.logger} (channels.csv, filter_s)"
        effect = "its stamps may lag what happened, by an unknown time; orders against other loggers allow for a second"
        return [("filter", record.line, text, effect, "some" if touched else "slight", touched)]
    if record.filter_s > 0:
        text = f"{record.logger} writes means over {record.filter_s:g} s"
        effect = "peaks shorter than that are written too low, and instants too late: half of it is taken off"
        value = ("length of the filter", record.filter_s, "s")
        rows = context.registered.channel(record.channel)
        return [("filter", record.line, text, effect, "slight", touched + parts.of_line(record.line), value, (), rows)]
    return []


def zero_doubts(parts: Parts, record: LineRecord) -> list[tuple[Any, ...]]:
    """What the gauge reads before the line was made fast, and after it was gone."""
    row = record.rigging
    there = np.flatnonzero((record.at_us < row.from_us - 60_000_000) & np.isfinite(record.kn))
    off = record.kn[there]
    if off.size * record.step_s < 60.0 or abs(float(np.median(off))) <= record.floor_kn / 2.0:
        return []
    kn = float(np.median(off))
    text = f"before {record.line} was made fast its gauge read {kn:+.1f} kN"
    effect = "its loads may be off by as much; nothing is corrected"
    value = ("reading without a line", kn, "kN")
    refs = (record.reading.ref(int(there[0])), record.reading.ref(int(there[-1])))
    return [("zero", record.line, text, effect, "some", parts.of_line(record.line), value, refs)]
