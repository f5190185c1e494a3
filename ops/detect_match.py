"""What was found of a scenario against what is true of it: one to one, by kind, line or channel, and time.

The rules, by which nothing is counted twice and nothing that happened twice counts once:

- An event matches a truth of its kind on its line (a surge: of the site) when their spans overlap, the truth's widened
  by what noise alone may move its onset and by two readings (of a payout, told at 2 Hz at most). Of all pairs that
  could match, the nearest onsets are taken first, of truth near a threshold last; a truth matches at most one event, an
  event at most one truth.
- What matches no truth is a false alarm, also a second event beside a truth that is matched.
- Truth near a threshold, or hidden by a fault, is `borderline`: it is no miss, and an event that only it can match is
  left out. Where the edges of a truth are not sure (`edges_sure`: one event may fairly be told as two), more events
  inside it are left out, and so is such a truth inside an event that matched another.
- Which of a hook's lines lost its load tension cannot tell, and each of them is told of it: what is told of one instant
  of one hook counts as one event, of whichever of its lines was lost.
- A consequence of something else (a neighbour's slack after a parting) counts by its own definition's truth.
- Where the log itself is of another load (wrong unit or scale, exchanged channels), or the register of another time,
  an event is true of the log and of no line: it counts neither way, and its number stands under `by faults`.
- Tending is judged while all lines are fast; what reaches beyond that phase counts neither way.
- What is over sooner than the next reading comes (`lasts_s` of its longest stretch beyond the level) may fall between
  two readings: at that rate it counts neither way.
- A brake has one verdict in a call, right or wrong; each verdict stands in a row of its own beside all of them.
- A finding matches a truth of its kind on its channel or logger, whatever the time. What a channel's unit is and what
  its scale are one kind of finding (`wrong-scale`); a zero that moved is one, step or drift: a call has a zero check
  before and one after, which do not tell them apart; what was called the other is printed. A finding of a kind that has
  no truth of its own (`gross-range`, `rate`) is a false alarm on a channel without a fault, and left out on others.
- What is told of a day's samples (stuck, spikes, clipping) is told once a UTC day, and matches what was so in that day:
  told of another it is a false alarm. Of a fault that lasts over a midnight a second day's finding is left out.
- Where no majority of loggers agrees, a finding of a clock says of two that they stand apart, and that it cannot be
  told which is wrong: it names both, matches a truth of either, and is counted apart ("one of two").
- Spikes and clipping are told by a reading's size against the capacity: where unit or scale are wrong, or the
  registered capacity is so small that the gauge clips, such a mark is true of the log (a tenfold reading is beyond the
  capacity), and counts as `by faults`; so is a spike that reaches the capacity.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ops.detect_night import Night
from sample_logs.scenarios import Scenario, Truth
from schemas.times import DAY_US, day_start_us, rfc3339_us

LIES: Final = frozenset({"wrong-unit", "wrong-scale", "swapped", "rigging-time"})
"""Faults by which the log, or the register, is of another load or another time than the line's."""
GATED: Final = frozenset(
    {"slack", "snap-load", "sustained-load", "pretension-loss", "brake-held", "brake-render", "brake-render no payout"}
)
"""Kinds told, or not, by the phase of the call, which a wrong rigging time moves for all lines."""
FINDINGS: Final[Mapping[str, str]] = {
    "flat-line": "stuck",
    "stuck-at-zero": "stuck",
    "spike": "spikes",
    "clipped": "clipped",
    "wrong-scale": "wrong scale or unit",
    "swapped": "swapped",
    "rigging-times": "rigging-time",
    "zero-drift": "zero moved",
    "zero-step": "zero moved",
    "clock-offset": "clock-offset",
    "calibration-overdue": "calibration-overdue",
}
TRUTHS: Final[Mapping[str, str]] = {
    "wrong-unit": "wrong scale or unit",
    "wrong-scale": "wrong scale or unit",
    "zero-drift": "zero moved",
    "zero-step": "zero moved",
}
BY_SIZE: Final = frozenset({"spikes", "clipped"})
OF_DAYS: Final = frozenset({"stuck", "spikes", "clipped"})
"""Findings of a day's samples."""
SPOILS: Final = frozenset({"wrong-unit", "wrong-scale", "spikes", "clipped"})
"""Faults that make readings of a size at which others are marked as spikes or clipped."""
OF_BINS: Final = frozenset({"sustained-load", "pretension-loss"})
OF_FINDINGS: Final = frozenset(FINDINGS.values())
NO_ONSET: Final = frozenset({"tending", "surge", *OF_FINDINGS})
"""Kinds of which no onset or peak is judged: tending has its own definition of when power is on, and the pull of a ship
that passes grows as a bell does, from no instant on."""
SMALL: Final = (None, "too few crests", "too little lost")
"""What hides nothing of a rendering without payout but its smallness."""
NOTHING: Final = "nothing told"
"""Instead of a brake's verdict."""
EXAMPLES: Final = 40
PAYOUT_HZ: Final = 2.0
"""Payout and states are told no faster: the onset of a rendering that payout tells is in readings of payout."""


@dataclass(frozen=True)
class Found:
    """An event or finding as it is matched. peak_us None: it has no peak. within_us: it says that its peak lies in the
    time from `peak_us` on, so long."""

    kind: str
    where: frozenset[str]
    from_us: int
    to_us: int
    peak_kn: float = 0.0
    peak_us: int | None = None
    word: str = ""
    within_us: int = 0


@dataclass
class Tally:
    """Counts of one kind at one rate, over any number of scenarios. onset: in readings; peak: kN; `examples`: misses
    and false alarms as (what, family, seed, where, instant); sizes: of each true instance that has one (`size_pct`),
    and whether it was found; `reach`, of renderings without payout, the small ones too: (crests cut, tension lost [% of
    ship design MBL], whether it was found); `timed`, of snap-loads: (by how much the rise was shorter than it may be at
    most [s], whether it was found)."""

    true: int = 0
    hits: int = 0
    found: int = 0
    false: int = 0
    borderline: int = 0
    left_out: int = 0
    by_faults: int = 0
    inexact: int = 0
    onset: list[float] = field(default_factory=list)
    peak: list[float] = field(default_factory=list)
    words: Counter[tuple[str, str]] = field(default_factory=Counter)
    sizes: list[tuple[float, bool]] = field(default_factory=list)
    examples: list[tuple[str, str, int, str, int]] = field(default_factory=list)
    reach: list[tuple[int, float, bool]] = field(default_factory=list)
    timed: list[tuple[float, bool]] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take another's counts."""
        for name in ("true", "hits", "found", "false", "borderline", "left_out", "by_faults", "inexact"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.onset += other.onset
        self.peak += other.peak
        self.sizes += other.sizes
        self.reach += other.reach
        self.timed += other.timed
        self.words.update(other.words)
        self.examples = (self.examples + other.examples)[:EXAMPLES]


def tallies(scenario: Scenario, night: Night) -> dict[str, Tally]:
    """Counts by kind of one scenario."""
    truths = _truths(scenario)
    found, logs = _found(scenario, night), Logs(scenario)
    out: dict[str, Tally] = {}
    for kind in sorted(truths.keys() | found.keys()):
        out[kind] = _of_kind(kind, truths.get(kind, []), found.get(kind, []), scenario, logs)
    for word, tally in _each_verdict(truths.get("brake", []), found.get("brake", []), scenario).items():
        out[f"brake: {word}"] = tally
    return out


def _truths(scenario: Scenario) -> dict[str, list[Truth]]:
    payout = _with_payout(scenario)
    named = defaultdict(list)
    tended = [one for one in scenario.context if one.kind == "tending"]  # of quiet days: true, and no event
    for truth in (*scenario.truth, *tended):
        if truth.kind == "tending" and not _in_phase(scenario, truth.from_us, truth.to_us):
            truth = replace(truth, borderline=True)
        if float(str(truth.detail.get("lasts_s", np.inf))) < 1.0 / scenario.rate_hz:
            truth = replace(truth, borderline=True, detail={**truth.detail, "masked": "between readings"})
        named[_kind(TRUTHS.get(truth.kind, truth.kind), truth.line, payout)].append(truth)
    return named


def _found(scenario: Scenario, night: Night) -> dict[str, list[Found]]:
    payout = _with_payout(scenario)
    named: dict[str, list[Found]] = defaultdict(list)
    for row in _each_hook_once(night.events, scenario):
        mates = row.get("mates", {row["line"]})
        where = frozenset() if row["kind"] == "surge" else frozenset(mates)
        named[_kind(row["kind"], row["line"], payout)].append(_event(row, where))
    for line, from_us, to_us in _under_power(night):
        if _in_phase(scenario, from_us, to_us):
            named["tending"].append(Found("tending", frozenset({line}), from_us, to_us))
    place_of = {line.place: line.line for line in scenario.berth.lines}
    for place, verdict in night.verdicts.items():
        word = NOTHING if verdict is None else verdict
        named["brake"].append(Found("brake", frozenset({place_of[place]}), 0, 0, word=word))
    for finding in night.findings:
        kind = FINDINGS.get(finding.kind, finding.kind)
        where = frozenset({finding.subject, *finding.evidence.get("channels", ())})
        word = finding.kind
        if finding.evidence.get("undecided"):
            where, word = where.union(finding.evidence["against"]), f"{finding.kind}, one of two"
        named[kind].append(Found(kind, where, *_day_us(finding.scope), word=word))
    return named


def _day_us(scope: str) -> tuple[int, int]:
    """The UTC day that a finding is about, first and last microsecond; 0, 0 of one that is about all days."""
    if not scope.startswith("day:"):
        return 0, 0
    begin_us = day_start_us(date.fromisoformat(scope.rsplit(":", 1)[-1]))
    return begin_us, begin_us + DAY_US - 1


def _each_hook_once(events: Sequence[Mapping[str, Any]], scenario: Scenario) -> list[Mapping[str, Any]]:
    """Events, those of one loss of load on one hook as one, with all its lines as `mates`."""
    lines: dict[str, set[str]] = defaultdict(set)
    for line in scenario.berth.lines:
        lines[line.channel].add(line.line)
    out: list[Mapping[str, Any]] = []
    losses: dict[tuple[str, int, int], list[Mapping[str, Any]]] = defaultdict(list)
    for row in events:
        if row["kind"] == "load-loss":
            losses[row["channel"], row["from_us"], row["to_us"]].append(row)
        else:
            out.append(row)
    for rows in losses.values():
        own = {row["line"] for row in rows}
        mates = lines[rows[0]["channel"]] if lines[rows[0]["channel"]] >= own else own  # an exchanged channel is not
        out.append({**rows[0], "mates": mates})
    return out


def _in_phase(scenario: Scenario, from_us: int, to_us: int) -> bool:
    """Whether a stretch lies in the time in which all lines are fast."""
    return scenario.phase_us[0] <= from_us and to_us <= scenario.phase_us[1]


def _event(row: Mapping[str, Any], where: frozenset[str]) -> Found:
    """A row of the events table. The peak of a slack line is its lowest; events of whole bins end before the next."""
    kind, payload = row["kind"], row["payload"]
    peak_kn, peak_us = row["peak_kn"], row["peak_us"]
    if kind == "slack":
        peak_kn, peak_us = payload["lowest_kn"], rfc3339_us(payload["lowest_at"])
    to_us = row["to_us"] - 1 if kind in OF_BINS else row["to_us"]
    word = str(payload.get("class", ""))
    if kind == "peak-load":
        word = "spike" if payload.get("doubtful") == "spike" else "load"
    within_us = round(payload.get("peak_within_s", 0) * 1e6)
    return Found(kind, where, row["from_us"], to_us, peak_kn, peak_us, word, within_us)


def _under_power(night: Night) -> list[tuple[str, int, int]]:
    """Stretches in which a line's winch was under power, those that overlap as one, whatever tells them."""
    out: list[tuple[str, int, int]] = []
    for line, from_us, to_us in sorted((line, one.from_us, one.to_us) for line, _, one in night.tending):
        if out and out[-1][0] == line and from_us <= out[-1][2]:
            out[-1] = line, out[-1][1], max(to_us, out[-1][2])
        else:
            out.append((line, from_us, to_us))
    return out


def _with_payout(scenario: Scenario) -> frozenset[str]:
    return frozenset(line.line for line in scenario.berth.lines if "payout" in line.tells)


def _kind(kind: str, line: str, payout: frozenset[str]) -> str:
    """Rendering that payout tells is one kind, that told from tension alone another."""
    return "brake-render no payout" if kind == "brake-render" and line not in payout else kind


def _of_kind(kind: str, truths: Sequence[Truth], found: Sequence[Found], scenario: Scenario, logs: Logs) -> Tally:
    if kind == "brake":
        return _verdicts(truths, found, scenario)
    tally = Tally(found=len(found), borderline=sum(truth.borderline for truth in truths))
    could = _within(kind, scenario.rate_hz)
    pairs = _matched(truths, found, could)
    told = [found[f] for f in pairs.values()]
    tally.sizes = [
        (size, t in pairs)
        for t, truth in enumerate(truths)
        if not truth.borderline and (size := size_pct(kind, truth, scenario)) is not None
    ]
    for t, truth in enumerate(truths):
        if truth.borderline:
            tally.left_out += t in pairs
        elif t in pairs:
            _take_match(tally, kind, truth, found[pairs[t]], scenario, logs)
        elif truth.detail.get("edges_sure") is False and any(could(truth, one) for one in told):
            tally.left_out += 1
        else:
            tally.true += 1
            _note(tally, "missed", scenario, truth.line or truth.channel, truth.from_us)
    for t, truth in enumerate(truths):
        if "lost_pct" in truth.detail and truth.detail.get("masked") in SMALL:
            figures = int(str(truth.detail["crests"])), float(str(truth.detail["lost_pct"]))
            tally.reach.append((*figures, t in pairs))
        if "rise_s" in truth.detail and not truth.borderline:
            shorter_s = float(str(truth.detail["most_s"])) - float(str(truth.detail["rise_s"]))
            tally.timed.append((shorter_s, t in pairs))
    taken = set(pairs.values())
    for f, one in enumerate(found):
        if f not in taken:
            _take_left(tally, kind, one, [truth for truth in truths if could(truth, one)], scenario)
    return tally


def size_pct(kind: str, truth: Truth, scenario: Scenario) -> float | None:
    """How large a happening is, in percent of ship design MBL: of a surge the largest swing of any line along the quay
    (means over 90 s), of a zero what it moved by. None of other kinds."""
    size_kn = truth.detail.get({"surge": "swing_kn", "zero moved": "moved_kn"}.get(kind, ""))
    if size_kn is None:
        return None
    return 100.0 * abs(float(str(size_kn))) / scenario.berth.ship_design_mbl_kn


def _take_match(tally: Tally, kind: str, truth: Truth, one: Found, scenario: Scenario, logs: Logs) -> None:
    tally.true += 1
    tally.hits += 1
    tally.words[str(truth.detail.get("class", truth.kind)), one.word] += 1
    if kind in NO_ONSET:
        return
    if truth.detail.get("edges_sure") is not False:
        rate_hz = min(scenario.rate_hz, PAYOUT_HZ) if kind == "brake-render" else scenario.rate_hz
        beyond_us = max(abs(one.from_us - truth.from_us) - _noise_us(truth), 0)
        tally.onset.append(beyond_us * rate_hz / 1e6)
        if beyond_us * rate_hz > 1e6:
            _note(tally, "onset", scenario, truth.line, truth.from_us)
    if truth.peak_kn is not None:
        tally.peak.append(one.peak_kn - truth.peak_kn)
    if not _peak_is_recorded(one, logs):
        tally.inexact += 1
        _note(tally, "peak", scenario, truth.line, one.from_us)


def _take_left(tally: Tally, kind: str, one: Found, beside: Sequence[Truth], scenario: Scenario) -> None:
    """An event that matched no truth: left out, explained by a fault, or a false alarm. beside: what it could match."""
    over_midnight = kind in OF_DAYS and any(one.from_us > truth.from_us or one.to_us < truth.to_us for truth in beside)
    if over_midnight or any(truth.borderline or truth.detail.get("edges_sure") is False for truth in beside):
        tally.left_out += 1
    elif _of_a_lie(kind, one, scenario):
        tally.by_faults += 1
    else:
        tally.false += 1
        _note(tally, "false", scenario, ", ".join(sorted(one.where)), one.from_us)


def _within(kind: str, rate_hz: float) -> Callable[[Truth, Found], bool]:
    """Whether a truth and an event are of one place and time."""
    readings_us = round(2e6 / min(rate_hz, PAYOUT_HZ))

    def of_event(truth: Truth, one: Found) -> bool:
        slack_us = readings_us + _noise_us(truth)
        near = one.from_us <= truth.to_us + slack_us and one.to_us >= truth.from_us - slack_us
        return near and (not one.where or truth.line in one.where)

    def of_finding(truth: Truth, one: Found) -> bool:
        channels = {truth.channel, truth.detail.get("with"), truth.detail.get("logger")}
        if kind == "clock-offset":
            channels |= set(str(truth.detail["channels"]).split(", "))
        so_then = kind not in OF_DAYS or (one.from_us <= truth.to_us and truth.from_us <= one.to_us)
        return so_then and bool(channels & one.where)

    return of_finding if kind in OF_FINDINGS else of_event


def _noise_us(truth: Truth) -> int:
    """By how much noise alone may move an onset."""
    return int(str(truth.detail.get("onset_tolerance_us", 0)))


def _matched(truths: Sequence[Truth], found: Sequence[Found], could: Callable[[Truth, Found], bool]) -> dict[int, int]:
    """Pairs, one to one, the nearest onsets first; what is near a threshold takes only what is left. Of equally near
    ones, as findings of one call all are, the truth first that fewest could match: of two clocks of which one finding
    names both, the other may have one of its own."""
    pairs = []
    for t, truth in enumerate(truths):
        fitting = [f for f, one in enumerate(found) if could(truth, one)]
        pairs += [(truth.borderline, abs(found[f].from_us - truth.from_us), len(fitting), t, f) for f in fitting]
    matched: dict[int, int] = {}
    taken: set[int] = set()
    for *_, t, f in sorted(pairs):
        if t not in matched and f not in taken:
            matched[t] = f
            taken.add(f)
    return matched


def _verdicts(truths: Sequence[Truth], found: Sequence[Found], scenario: Scenario) -> Tally:
    """A brake's verdict is right or wrong; where it is wrong it is a miss of one word and a false alarm of another."""
    tally = Tally()
    said = {line: one.word for one in found for line in one.where}
    for truth in truths:
        if truth.borderline:
            tally.borderline += 1
            continue
        word = str(truth.detail["verdict"])
        tally.true += 1
        tally.found += 1
        told = said.get(truth.line, NOTHING)
        tally.words[word, told] += 1
        if told == word:
            tally.hits += 1
        else:
            tally.false += 1
            _note(tally, f"{word}: {told}", scenario, truth.line, truth.from_us)
    return tally


def _each_verdict(truths: Sequence[Truth], found: Sequence[Found], scenario: Scenario) -> dict[str, Tally]:
    """The same by verdict: what was told otherwise is a miss of the true one and, if told at all, a false alarm of the
    other."""
    out: defaultdict[str, Tally] = defaultdict(Tally)
    said = {line: one.word for one in found for line in one.where}
    for truth in truths:
        word, told = str(truth.detail["verdict"]), said.get(truth.line, NOTHING)
        if truth.borderline:
            out[word].borderline += 1
            continue
        out[word].true += 1
        if told == word:
            out[word].hits += 1
        else:
            _note(out[word], f"missed, {told}", scenario, truth.line, truth.from_us)
        if told != NOTHING:
            out[told].found += 1
            out[told].false += told != word
    return out


def _of_a_lie(kind: str, one: Found, scenario: Scenario) -> bool:
    """Whether an event on a line, or a finding of a kind without truth, is of what a fault made of its log."""
    lies = [truth for truth in scenario.truth if truth.kind in LIES]
    if kind in BY_SIZE:
        return any(truth.channel in one.where and truth.kind in SPOILS for truth in scenario.truth)
    if kind in OF_FINDINGS:
        return False
    if one.where and not any(where in _lines(scenario) for where in one.where):
        return any(one.where & {truth.channel, truth.detail.get("with")} for truth in scenario.truth if truth.line)
    for truth in lies:
        other = truth.detail.get("with")
        lines = {truth.line, *(line.line for line in scenario.berth.lines if line.channel == other)}
        if one.where & lines:
            return True
        outside = one.from_us < scenario.phase_us[0] or one.to_us >= scenario.phase_us[1]
        if truth.kind == "rigging-time" and kind in GATED and outside:
            return True
    return False


def _lines(scenario: Scenario) -> frozenset[str]:
    return frozenset(line.line for line in scenario.berth.lines)


def _peak_is_recorded(one: Found, logs: Logs) -> bool:
    """Whether its peak is the largest reading of its line within it (of a slack line the least), and was read then, by
    the scenario's own registers. Not asked of a surge, whose instants are bins, nor beside wrong readings."""
    if one.peak_us is None or not one.where:
        return True
    name = min(one.where)
    log = logs.of(name)
    if log is None:
        return True
    at_us, kn = log
    begin, end = np.searchsorted(at_us, [one.from_us, one.to_us + 1])
    first, last = np.searchsorted(at_us, [one.peak_us, one.peak_us + max(one.within_us, 1)])
    if begin == end or not bool((kn[first:last] == one.peak_kn).any()):
        return False
    inside = kn[begin:end]
    return bool(inside.min() >= one.peak_kn if one.kind == "slack" else inside.max() <= one.peak_kn)


class Logs:
    """Tensions of a scenario's lines as its registers give them from what was recorded, each made once."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._made: dict[str, tuple[NDArray[np.int64], NDArray[np.float64]] | None] = {}

    def of(self, name: str) -> tuple[NDArray[np.int64], NDArray[np.float64]] | None:
        """Stamps and tensions [kN] of a line; None where a fault makes some of them wrong."""
        if name not in self._made:
            line = next(line for line in self._scenario.berth.lines if line.line == name)
            recorded = self._scenario.recorded[line.channel]
            wrong = ("stuck", "spikes", *LIES)
            if any(truth.channel == line.channel and truth.kind in wrong for truth in self._scenario.truth):
                self._made[name] = None
            else:
                kn = (np.round(recorded.values, 3) - line.zero_kn) * line.gain
                self._made[name] = recorded.at_us // 1000 * 1000, kn if line.share == 1.0 else kn * line.share
        return self._made[name]


def _note(tally: Tally, what: str, scenario: Scenario, where: str, at_us: int) -> None:
    if len(tally.examples) < EXAMPLES:
        tally.examples.append((what, scenario.family, scenario.seed, where, at_us))


def total(parts: Iterable[Mapping[str, Tally]]) -> dict[str, Tally]:
    """The counts of many scenarios as one."""
    out: dict[str, Tally] = {}
    for part in parts:
        for kind, tally in part.items():
            out.setdefault(kind, Tally()).add(tally)
    return out


def as_json(tally: Tally) -> dict[str, Any]:
    """A tally for `--json`."""
    return {
        **{name: getattr(tally, name) for name in ("true", "hits", "found", "false", "borderline", "left_out")},
        **{name: getattr(tally, name) for name in ("by_faults", "inexact", "onset", "peak", "examples", "sizes")},
        **{name: getattr(tally, name) for name in ("reach", "timed")},
        "words": [[*pair, count] for pair, count in sorted(tally.words.items())],
    }


def from_json(told: Mapping[str, Any]) -> Tally:
    """The inverse of `as_json`."""
    words = Counter({(true, said): count for true, said, count in told["words"]})
    pairs = {name: [tuple(one) for one in told[name]] for name in ("sizes", "examples", "reach", "timed")}
    return Tally(**{**told, **pairs, "words": words})
