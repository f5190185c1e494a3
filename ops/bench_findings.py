"""Findings about gauges, registers and clocks against simulated truth: recall, precision, false alarms on quiet days.

    python -m ops.bench_findings --family report --seeds 2:122:3 --rates 10 2 1
    python -m ops.bench_findings --family quiet --seeds 0:30 --rates 2

Readings go through the functions of the night, from flags on, by UTC day; only text logs and the store are left out.
Thresholds were set on the family "tune". Every figure is one on our simulator. What a fault brings with it on its own
channel (a tenfold reading is clipped, a spike is also fast) is no false alarm; borderline truth counts neither way.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.events.calls import calls, fast_of
from pipeline.ledger.rows import BerthDay, ChannelDay
from pipeline.night.calibrating import calibration_findings
from pipeline.night.channel_day import gauge_facts
from pipeline.night.clock_day import ClockPlan, clock_findings, clock_marks, loggers_of
from pipeline.night.gauges import gauge_findings
from pipeline.night.place_day import TOLD
from pipeline.night.plan import GaugePlan, reference_kn
from pipeline.quality import Flagged, Series, check_bit, flag_place, usable
from pipeline.quality.bins import BIN_US, Interval, make_bins
from pipeline.quality.clocks import Series as Stamped
from pipeline.quality.zeros import merged
from pipeline.sheets.trace import Trace
from pipeline.site import Site, open_site
from pipeline.store.days import Readings
from sample_logs.scenarios import Scenario, Truth, make, write_site
from schemas.times import DAY_US, day_of, day_start_us

KIND_OF = {
    "wrong-unit": "wrong-scale",
    "rigging-time": "rigging-times",
    "stuck": "flat-line",
    "spikes": "spike",
}
"""The finding that tells of each kind of truth, where it has another name."""
KINDS = (
    "zero-drift", "zero-step", "wrong-scale", "swapped", "rigging-times", "clock-offset", "calibration-overdue",
    "flat-line", "spike", "clipped",
)  # fmt: skip
SPOILS = ("wrong-unit", "wrong-scale", "spikes", "clipped")
"""Truth of a channel beside which its marks by quality checks are no false alarms."""
Found = tuple[str, str]


@dataclass(frozen=True)
class Looked:
    """A tension channel's readings, their flags, and when lines are registered on it."""

    readings: Readings
    flagged: Flagged
    taken: list[Interval]

    def day(self, start_us: int) -> tuple[Readings, Flagged]:
        begin, end = np.searchsorted(self.readings.at_us, [start_us, start_us + DAY_US])
        own = Flagged(self.flagged.flags[begin:end], self.flagged.checks[begin:end])
        return Readings(self.readings.at_us[begin:end], self.readings.value[begin:end]), own


def found_in(scenario: Scenario) -> set[Found]:
    """All findings about gauges, registers and clocks: (kind, subject), a swap under both of its channels."""
    with tempfile.TemporaryDirectory() as folder:
        site = _site(scenario, Path(folder) / "site")
    looked = {name: _look(scenario, site, name) for name in site.channels if site.channels[name].quantity == "tension"}
    days = {key: row for name, one in looked.items() for key, row in _channel_days(site, name, one)}
    horizon_us = max(int(one.readings.at_us[-1]) for one in looked.values())
    findings = gauge_findings(site, days, ())
    findings += clock_findings(site, _berth_days(site, looked))
    findings += calibration_findings(site, days, horizon_us)
    found = {(one.kind, name) for one in findings for name in one.subject.split(" and ")}
    return found | {(check, name) for name, one in looked.items() for check in TOLD if _marked(one, check)}


def _site(scenario: Scenario, folder: Path) -> Site:
    """The site of the registers alone, each channel's logger named."""
    logger = {line.place: line.logger for line in scenario.berth.lines}
    channels = [{**row, "logger": logger.get(row["place"], "")} for row in scenario.registers["channels.csv"]]
    write_site(replace(scenario, recorded={}, registers={**scenario.registers, "channels.csv": channels}), folder)
    return open_site(folder)


def _look(scenario: Scenario, site: Site, channel: str) -> Looked:
    place = {name: one for name, one in site.channels.items() if one.place == site.channels[channel].place}
    series = {name: Series(scenario.recorded[name].at_us, scenario.recorded[name].values) for name in place}
    own = series[channel]
    from_us, to_us = int(own.at_us[0]), int(own.at_us[-1]) + 1
    flagged = flag_place(series, place, site.policy, from_us=from_us, to_us=to_us)[channel]
    taken = [(r.from_us, 2**62 if r.to_us is None else r.to_us) for r in site.riggings if r.channel == channel]
    return Looked(Readings(own.at_us, own.value), flagged, merged(taken))


def _channel_days(site: Site, channel: str, one: Looked) -> Iterator[tuple[tuple[str, Any], ChannelDay]]:
    zeros = tuple((row.from_us, row.zero_kn) for row in site.calibrations_of(channel))
    full_kn = reference_kn(site, site.channels[channel])
    for start_us in _days(one):
        cut = tuple(
            (max(a, start_us), min(b, start_us + DAY_US))
            for a, b in one.taken
            if a < start_us + DAY_US and b > start_us
        )
        plan = GaugePlan(channel, cut, zeros, full_kn)
        facts = gauge_facts(*one.day(start_us), plan, start_us, site.policy.zero_check_s, site.policy.loaded_pct)
        day = day_of(start_us)
        yield (channel, day), ChannelDay(channel, site.channels[channel].place, day, facts)


def _days(one: Looked) -> list[int]:
    first, last = (day_start_us(day_of(int(us))) for us in one.readings.at_us[[0, -1]])
    return list(range(first, last + 1, DAY_US))


def _berth_days(site: Site, looked: dict[str, Looked]) -> list[BerthDay]:
    """The clock marks of each day, as a berth day makes them."""
    logger = loggers_of(site)
    plan = ClockPlan(
        tuple((name, logger[name], site.channels[name].place) for name in sorted(looked) if name in logger),
        site.policy.clock_most_s,
    )
    ship_of = {name: line.ship for name, line in site.lines.items()}
    found = []
    for call in calls(site.riggings, ship_of):
        fast = fast_of(call, site.riggings, ship_of, gap_h=site.policy.mooring_gap_h)
        until_us = 2**62 if fast.first_let_go_us is None else fast.first_let_go_us
        for start_us in sorted({us for one in looked.values() for us in _days(one)}):
            bins = range(-(-max(start_us, fast.all_fast_us) // BIN_US), min(start_us + DAY_US, until_us) // BIN_US)
            traces = {name: _trace(one, start_us) for name, one in looked.items()}
            pairs = clock_marks(plan, traces, bins, lambda name, _, window: [_stamped(looked[name], window)])
            mark = {"ship": call.ship, "call_us": call.from_us, "pairs": pairs}
            found.append(BerthDay(day_of(start_us), "", {"clock": [mark] if pairs else []}, {}))
    return found


def _trace(one: Looked, start_us: int) -> Trace:
    """Bins of the time with a line on it; of means nothing is read here."""
    readings, flagged = one.day(start_us)
    rigged = np.zeros(readings.at_us.size, np.bool_)
    for from_us, to_us in one.taken:
        rigged |= (readings.at_us >= from_us) & (readings.at_us < to_us)
    bins = make_bins(readings.at_us, readings.value, usable(flagged.flags) & ~np.isnan(readings.value) & rigged)
    return Trace(bins.from_us // BIN_US, np.zeros(bins.from_us.size, np.int64), bins.low, bins.high)


def _stamped(one: Looked, window: range) -> Stamped:
    near = one.readings.between(window.start * BIN_US, window.stop * BIN_US)
    there = np.isfinite(near.value)
    return Stamped(near.at_us[there], near.value[there])


def _marked(one: Looked, check: str) -> bool:
    marked = one.readings.at_us[(one.flagged.checks & check_bit(check)) != 0]
    return any(bool(np.any((marked >= from_us) & (marked < to_us))) for from_us, to_us in one.taken)


def score(scenario: Scenario, found: set[Found]) -> tuple[Counter[tuple[str, str]], list[str]]:
    """Counts by (kind, what): true, told, false, borderline; and in words what was missed or false."""
    counts: Counter[tuple[str, str]] = Counter()
    words, matched = [], set()
    for truth in scenario.truth:
        kind = KIND_OF.get(truth.kind, truth.kind)
        if kind not in KINDS:
            continue
        names = _names(truth)
        hit = {(kind, name) for name in names if (kind, name) in found}
        matched |= {(kind, name) for name in names}
        counts[kind, "borderline" if truth.borderline else "true"] += 1
        if not truth.borderline:
            counts[kind, "told"] += bool(hit)
            words += (
                []
                if hit
                else [f"missed {scenario.family} {scenario.seed} {truth.kind} {names[0]} {dict(truth.detail)}"]
            )
    spoilt = {truth.channel for truth in scenario.truth if truth.kind in SPOILS}
    for kind, name in sorted(found - matched):
        if kind in KINDS and not (kind in TOLD and name in spoilt):
            counts[kind, "false"] += 1
            words.append(f"false {scenario.family} {scenario.seed} {kind} {name}")
    return counts, words


def _names(truth: Truth) -> list[str]:
    if truth.kind == "clock-offset":
        return [str(truth.detail["logger"])]
    return [truth.channel, *([str(truth.detail["with"])] if truth.kind == "swapped" else [])]


def main(argv: Sequence[str] | None = None) -> None:
    """Score every seed at every rate, and print a table a rate."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--family", choices=("tune", "report", "quiet"), default="report")
    parser.add_argument("--seeds", default="2:62:3", help="first:end[:step], end exclusive")
    parser.add_argument("--rates", nargs="+", type=float, default=[10.0, 2.0, 1.0])
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(argv)
    seeds = range(*map(int, options.seeds.split(":")))
    answer: dict[str, Any] = {"version": 1, "family": options.family, "seeds": options.seeds, "rates": {}}
    for rate_hz in options.rates:
        counts: Counter[tuple[str, str]] = Counter()
        line_days = 0.0
        for seed in seeds:
            scenario = make(seed, family=options.family, rate_hz=rate_hz)
            told, words = score(scenario, found_in(scenario))
            counts += told
            ends = [one.at_us[[0, -1]] for one in scenario.recorded.values()]
            line_days += len(scenario.berth.lines) * max(float(b - a) for a, b in ends) / DAY_US
            print(*words, sep="\n", end="\n" if words else "", file=sys.stderr, flush=True)
        answer["rates"][f"{rate_hz:g}"] = {"line_days": line_days, "kinds": _table(counts)}
    print(json.dumps(answer, indent=1) if options.json else _text(answer))


def _table(counts: Counter[tuple[str, str]]) -> dict[str, dict[str, Any]]:
    found = {}
    for kind in KINDS:
        true, told, false = (counts[kind, what] for what in ("true", "told", "false"))
        found[kind] = {
            "true": true,
            "borderline": counts[kind, "borderline"],
            "recall": told / true if true else None,
            "precision": told / (told + false) if told + false else None,
            "false": false,
        }
    return found


def _text(answer: dict[str, Any]) -> str:
    lines = []
    for rate, one in answer["rates"].items():
        lines.append(
            f"on our simulator, {answer['family']} {answer['seeds']}, {rate} Hz, {one['line_days']:.0f} line-days"
        )
        lines.append(f"{'finding':20} {'true':>5} {'border':>7} {'recall':>7} {'precis.':>7} {'false':>5}")
        for kind, row in one["kinds"].items():
            recall, precision = ("-" if row[k] is None else f"{row[k]:.3f}" for k in ("recall", "precision"))
            lines.append(f"{kind:20} {row['true']:5} {row['borderline']:7} {recall:>7} {precision:>7} {row['false']:5}")
    return "\n".join(lines)


if __name__ == "__main__":
    main()
