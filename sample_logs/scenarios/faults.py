"""What is wrong with sensors, clocks and registers, drawn from the seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from sample_logs.scenarios.berth import Berth, BerthLine
from sample_logs.scenarios.plan import MINUTE, Plan, S
from sample_logs.scenarios.run import Record
from sample_logs.scenarios.streams import Streams

TF_KN: Final = 9.80665  # NIST SP 811
KIP_KN: Final = 4.4482216152605  # NIST SP 811


@dataclass(frozen=True)
class Fault:
    """One fault of one channel (or logger) over the steps [first, last); size in the unit that its kind has.

    zero-drift kN by the end, zero-step kN, wrong-unit and wrong-scale a factor, spikes kN, clipping the capacity kN,
    rigging-time steps, clock-offset seconds. other: the channel swapped with; word: which end, which unit.
    heat_kn_per_c: the part of a drift that follows the air's temperature; the rest is steady.
    """

    kind: str
    channel: str
    first: int
    last: int
    size: float = 0.0
    other: str = ""
    word: str = ""
    steps: tuple[int, ...] = ()
    drift_ppm: float = 0.0
    heat_kn_per_c: float = 0.0


# How much more or less often than the mean: channels run out in the order of drawing, and findings that are counted
# together (two of unit and scale, two of zero) need half as many of each.
_OFTEN: Final = {
    "wrong-unit": 0.6, "wrong-scale": 0.6, "zero-drift": 0.75, "zero-step": 0.75, "rigging-time": 0.95, "stuck": 1.15,
    "spikes": 1.2, "gap": 0.4, "swapped": 0.9,
}  # fmt: skip


@dataclass
class Faults:
    """All faults of a scenario; clocks: logger -> (offset_us, drift_ppm)."""

    listed: list[Fault] = field(default_factory=list)
    clocks: dict[str, tuple[int, float]] = field(default_factory=dict)

    def of(self, channel: str, *kinds: str) -> list[Fault]:
        """The faults of one channel, of these kinds if any are named."""
        return [f for f in self.listed if channel in (f.channel, f.other) and (not kinds or f.kind in kinds)]


def registered_capacity_kn(faults: Faults, line: BerthLine) -> float:
    """What the register says that a line's gauge can bear: of one that clips, where it clips."""
    clipped = faults.of(line.channel, "clipping")
    return clipped[0].size if clipped else line.capacity_kn


def draw_faults(berth: Berth, plan: Plan, record: Record, streams: Streams) -> Faults:
    """Faults of this theme: about one of each kind in an instruments' call, half of that in one of happenings."""
    faults = Faults()
    if plan.theme == "quiet":
        return faults
    rng, more = streams("faults"), streams("more-faults")
    mean = 1.4 if plan.theme == "instruments" else 0.7
    busy = {berth.lines[loss.row].channel for loss in plan.losses} | {span.word for span in plan.dropouts}
    if plan.theme == "happenings":
        # Hours of load are rare enough: what is hove in hard keeps a sound gauge.
        hard_kn = 0.3 * berth.ship_design_mbl_kn
        busy |= {
            berth.lines[action.row].channel
            for action in plan.actions
            if action.word == "heaving-in" and action.target > hard_kn
        }
    free = [line.channel for line in berth.lines if line.share == 1.0 and line.channel not in busy]
    free = [str(channel) for channel in rng.permutation(np.array(free))]

    def often(kind: str) -> range:
        wanted = mean * _OFTEN.get(kind, 1.0)
        return range(int(wanted) + int(rng.random() < wanted % 1))

    # A winch whose payout is recorded tells of its brake, which faults that last hide: it comes last for those.
    tells = {line.channel for line in berth.lines if "payout" in line.tells}
    sound = list(free)
    free.sort(key=lambda channel: channel in tells)
    for _ in often("swapped"):
        _swap(faults, berth, free, tells)
    for kind in ("wrong-unit", "wrong-scale", "zero-drift", "zero-step"):
        free.sort(key=lambda channel: channel not in tells)
        for _ in often(kind):
            if free:
                _whole(faults, berth, plan, record, rng, kind, free)
    # The rest lasts minutes, and falls on any channel that has nothing else.
    rest = [line.channel for line in berth.lines if line.share == 1.0 and line.channel not in busy]
    rest = [name for name in rest if not faults.of(name, "wrong-unit", "wrong-scale", "swapped")]
    rest = [str(channel) for channel in rng.permutation(np.array(rest))]
    # A zero that moved and a wrong time would hide each other.
    zeros = frozenset(fault.channel for fault in faults.listed if fault.kind in ("zero-drift", "zero-step"))
    for kind, apart in (("rigging-time", zeros), ("clipping", frozenset[str]())):
        rest = _last(rest, tells, apart)
        for _ in often(kind):
            if rest:
                _whole(faults, berth, plan, record, rng, kind, rest)
    for kind in ("stuck", "spikes", "gap"):
        for _ in often(kind):
            if rest:
                _passing(faults, plan, rng, kind, _one_of(rest, tells, rng))
    _registers(faults, berth, plan, rng, often)
    gone = [berth.lines[loss.row].channel for loss in plan.losses if berth.lines[loss.row].share == 1.0]
    _more(faults, berth, plan, record, more, (sound, [*sound, *(span.word for span in plan.dropouts), *gone]))
    return faults


def register_steps(plan: Plan, faults: Faults, berth: Berth, row: int) -> tuple[int, int]:
    """The steps at which the register says that a line was made fast and let go, wrong times included."""
    first, last = plan.from_step[row], plan.to_step[row]
    for fault in faults.of(berth.lines[row].channel, "rigging-time"):
        first += round(fault.size) if fault.word == "from" else 0
        last += round(fault.size) if fault.word == "to" else 0
    return first, last


def _last(names: list[str], tells: set[str], apart: frozenset[str]) -> list[str]:
    """The same, in order but for this: those to be taken, from the end, are first none of `apart`, then none of
    `tells`."""
    return sorted(names, key=lambda name: (name not in apart, name not in tells))


def _one_of(rest: list[str], tells: set[str], rng: np.random.Generator) -> str:
    """Takes any channel out of `rest`, of those that tell payout while there are any."""
    some = [channel for channel in rest if channel in tells] or rest
    channel = some[int(rng.integers(len(some)))]
    rest.remove(channel)
    return channel


def _more(
    faults: Faults,
    berth: Berth,
    plan: Plan,
    record: Record,
    rng: np.random.Generator,
    names: tuple[list[str], list[str]],
) -> None:
    """What is rare once more in some calls, on channels that have little else; and what heat has to do with drifts.

    names: channels for what lasts, and for what passes within minutes.
    """
    harmless = ("calibration-overdue", "zero-drift", "zero-step")
    for kind, chance in (("zero-drift", 0.35), ("stuck", 0.2), ("spikes", 0.35)):
        wanted = bool(rng.random() < chance)
        free = [name for name in names[0] if not faults.of(name)]
        idle = [name for name in names[1] if all(fault.kind in harmless for fault in faults.of(name))]
        if wanted and kind == "zero-drift" and free:
            _whole(faults, berth, plan, record, rng, kind, free)
        elif wanted and kind != "zero-drift" and idle:
            _passing(faults, plan, rng, kind, str(rng.choice(idle)))
    for index, fault in enumerate(faults.listed):
        if fault.kind == "zero-drift":
            heat = abs(fault.size) / 6.0 * float(rng.uniform(-1.0, 1.0)) * float(rng.random() < 0.7)
            faults.listed[index] = replace(fault, heat_kn_per_c=heat)


def _swap(faults: Faults, berth: Berth, free: list[str], tells: set[str]) -> None:
    """Two channels of lines that lead differently exchanged in the rigging register, of `tells` as few as can be."""
    of = {line.channel: line for line in berth.lines}
    pairs = []
    for one in free:
        for other in free:
            alike = of[one].role == of[other].role and of[one].end == of[other].end
            likely = one < other and of[one].device == of[other].device
            if likely and not alike and "spring" in (of[one].role, of[other].role):
                pairs.append((one, other))
    if pairs:
        one, other = min(pairs, key=lambda pair: len(tells.intersection(pair)))
        free.remove(one)
        free.remove(other)
        faults.listed.append(Fault("swapped", one, 0, 0, other=other))


def _whole(
    faults: Faults, berth: Berth, plan: Plan, record: Record, rng: np.random.Generator, kind: str, free: list[str]
) -> None:
    """A fault that spoils a channel for the whole record, or from an instant on."""
    mbl_kn = berth.ship_design_mbl_kn
    row = {line.channel: row for row, line in enumerate(berth.lines)}
    sign = float(rng.choice((-1.0, 1.0)))
    channel = free.pop()
    first, last, size, word = 0, plan.steps, 0.0, ""
    if kind == "wrong-unit":
        word, size = [("tf", 1 / TF_KN), ("tf", 1 / TF_KN), ("kip", 1 / KIP_KN)][int(rng.integers(3))]
    elif kind == "wrong-scale":
        size = float(rng.choice((0.1, 0.5, 2.0, 10.0), p=(0.3, 0.25, 0.3, 0.15)))
    elif kind == "zero-drift":
        size = sign * float(rng.uniform(0.008, 0.03)) * mbl_kn
    elif kind == "zero-step":
        first, size = int(rng.integers(plan.all_fast, plan.let_go)), sign * float(rng.uniform(0.012, 0.05)) * mbl_kn
    elif kind == "rigging-time":
        # In a call of happenings only so that the phase in which all lines are fast is not cut short.
        early = plan.theme == "happenings" or rng.random() < 0.5
        word = ("from" if rng.random() < 0.5 else "to") if not early else str(rng.choice(("from", "to")))
        size = float(rng.integers(12, 75)) * MINUTE * (-1.0 if early == (word == "from") else 1.0)
    elif kind == "clipping":
        size = round(float(record.tension_kn[row[channel]].max()) * float(rng.uniform(0.72, 0.9)), 0)
    faults.listed.append(Fault(kind, channel, first, last, size, word=word))


def _passing(faults: Faults, plan: Plan, rng: np.random.Generator, kind: str, channel: str) -> None:
    """A channel stuck, spiking or silent for some minutes of the phase in which all lines are fast."""
    minutes = int({"stuck": rng.integers(22, 60), "spikes": rng.integers(3, 20), "gap": rng.integers(2, 25)}[kind])
    first = int(rng.integers(plan.all_fast + 3 * MINUTE, plan.let_go - (minutes + 3) * MINUTE))
    first -= first % S  # on a whole second, so that every rate has the same first reading of it
    last = first + minutes * MINUTE
    steps: tuple[int, ...] = ()
    if kind == "spikes":
        # A whole second apart from all others, on whole seconds, so that they are there at every rate.
        picked = rng.choice(np.arange(first // S + 1, last // S), size=int(rng.integers(3, 13)), replace=False)
        steps = tuple(int(second) * S for second in sorted(picked))
        first, last = steps[0], steps[-1] + 1
    faults.listed.append(Fault(kind, channel, first, last, float(rng.uniform(0.3, 0.7)), steps=steps))


def _registers(
    faults: Faults, berth: Berth, plan: Plan, rng: np.random.Generator, often: Callable[[str], range]
) -> None:
    """Calibrations overdue, and the clocks of loggers."""
    channels = [f"{place}-tension" for place in berth.places]
    for channel in rng.choice(np.array(channels), size=len(often("calibration-overdue")), replace=False):
        faults.listed.append(Fault("calibration-overdue", str(channel), 0, plan.steps, float(rng.integers(3, 400))))
    loggers = list(dict.fromkeys(line.logger for line in berth.lines))
    # At most one in two clocks is wrong, so that there is a shared time to be wrong against.
    wrong = min(len(often("clock-offset")), len(loggers) // 2)
    for logger in rng.choice(np.array(loggers), size=wrong, replace=False):
        seconds = float(rng.choice((-1.0, 1.0)) * np.exp(rng.uniform(np.log(2.0), np.log(240.0))))
        drift_ppm = float(rng.uniform(-150.0, 150.0)) if rng.random() < 0.4 else 0.0
        faults.clocks[str(logger)] = (round(seconds * 1e6), drift_ppm)
        faults.listed.append(Fault("clock-offset", str(logger), 0, plan.steps, seconds, drift_ppm=drift_ppm))
