"""Truth that is a cause with its instants: lost loads, tending, passing ships, and what is wrong with the data."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_logs.scenarios.berth import Berth, BerthLine
from sample_logs.scenarios.definitions import joined, runs
from sample_logs.scenarios.faults import Fault, Faults, register_steps, registered_capacity_kn
from sample_logs.scenarios.plan import MINUTE, Action, Plan, S, Span
from sample_logs.scenarios.policy import POLICY
from sample_logs.scenarios.run import Record
from sample_logs.scenarios.scenario import Truth
from sample_logs.scenarios.sea import passing_shape
from sample_logs.scenarios.sensors import (
    RUN_OUT_M_S,
    STEP_KN,
    Clock,
    brake_test_at,
    clock_of,
    place_kn,
    zero_moved_kn,
)

_WORDS = {"haul": "making fast", "slacken": "letting go"}
_TEN_S = 10 * S


def load_losses(berth: Berth, plan: Plan, record: Record, faults: Faults) -> list[Truth]:
    """Every line that was lost or let go, and every gauge that dropped out.

    class: what can be told from what the berth records; cause: what it was. `parted` and `released` need a hook state
    or payout; without, and for a gauge that never comes back, the class is `undetermined`.
    """
    out = []
    for row, line in enumerate(berth.lines):
        lost = plan.lost_at(row)
        step = plan.off[row]
        if step >= plan.steps:
            continue
        slackened = any(a.row == row and a.word == "slacken" for a in plan.actions)
        cause = "let-go" if lost is None else next(loss.cause for loss in plan.losses if loss.row == row)
        told = bool({"hook-state", "payout"} & set(line.tells))
        word = cause if cause == "let-go" or told else "undetermined"
        own = record.tension_kn[row].astype(np.float64)
        pin = place_kn(berth, record, line.place)
        detail: dict[str, object] = {"class": word, "cause": cause, "told": told, "shared": line.share < 1.0}
        if cause == "let-go":
            detail["style"] = "slackened" if slackened else "dropped"
        clock = clock_of(plan, faults, line.logger)
        top = step - 10 * S + int(np.argmax(pin[step - 10 * S : step]))
        sure = _falls(own, pin, step, berth.ship_design_mbl_kn, share=line.share)
        for fault in faults.of(line.channel, "zero-drift", "zero-step"):
            # By its gauge, whose zero has moved, it must have been loaded as well.
            read_kn = own + float(zero_moved_kn(plan, fault, np.array([step - 1]))[0])
            sure &= _falls(read_kn, pin, step, berth.ship_design_mbl_kn, share=line.share)
        sure &= not (cause == "let-go" and slackened)
        sure &= _bore(pin * line.share, step, berth)
        # A winch that slackens its line takes the load off over all that time, in a sea by jerks.
        begun = [a.first for a in plan.actions if a.row == row and a.word == "slacken"]
        since = begun[0] if cause == "let-go" and begun else step - 1
        if clock.at(step) >= clock_of(plan, Faults(), line.logger).at(plan.to_step[row]):
            # By its logger's clock it happens after its rigging has ended.
            detail["masked"], sure = "clock", False
        out.append(
            Truth("load-loss", line.line, line.channel, clock.at(since), clock.at(step),
                  float(pin[top] * line.share), clock.at(top), detail, not sure)
        )  # fmt: skip
    return out + _dropouts(berth, plan, record, faults)


def slack_kn(berth: Berth) -> float:
    """Below it a line is slack, or nearly so."""
    return max(POLICY["slack_pct"], 2.4 * POLICY["gauge_uncertainty_pct"]) / 100.0 * berth.ship_design_mbl_kn


def _bore(own: np.ndarray, step: int, berth: Berth) -> bool:
    """Whether a line bore load for more than a tenth of the minute before, by the definition; with a margin."""
    return float(np.mean(own[step - 60 * S : step] < slack_kn(berth))) < 0.85


def _falls(own: np.ndarray, pin: np.ndarray, step: int, mbl_kn: float, *, share: float) -> bool:
    """Whether enough was lost at once that no reader may miss it, at any rate down to 1 Hz.

    Of a line on a shared hook the register's share of the hook's load counts too, for that is its tension.
    """
    shared = share < 1.0
    second = np.minimum(own, share * pin)[step - S : step]
    minute = own[step - 60 * S : step]
    least = 1.1 * POLICY["loss_from_pct"] / 100.0 * mbl_kn
    if second.min() < least or second.min() < 1.1 * POLICY["loss_from_mean"] * minute.mean():
        return False
    if not shared:
        return True
    before, after = pin[step - 60 * S : step], pin[step : step + 60 * S]
    if len(after) == 0 or own[step - 1] > 0.97 * pin[step - 1]:
        return bool(own[step - 1] > 0.97 * pin[step - 1])
    return bool(after.mean() < 0.7 * before.mean() and after.max() < 0.82 * before.max())


def _dropouts(berth: Berth, plan: Plan, record: Record, faults: Faults) -> list[Truth]:
    out = []
    of = {line.channel: line for line in berth.lines}
    for span in plan.dropouts:
        line = of[span.word]
        clock = clock_of(plan, faults, line.logger)
        pin = place_kn(berth, record, line.place)
        top = span.first - 10 * S + int(np.argmax(pin[span.first - 10 * S : span.first]))
        detail = {
            "class": "instrument", "cause": "instrument", "told": bool(line.tells), "shared": False,
            "lasts_s": (span.last - span.first) / S,
        }  # fmt: skip
        sure = _falls(pin, pin, span.first, berth.ship_design_mbl_kn, share=1.0)
        # A gauge that works again while its line is all but slack, or bears a part, does not show that it was dead.
        level_kn = slack_kn(berth)
        soon_kn = float(pin[span.last : span.last + S].min()) if span.last < len(pin) else 0.0
        sure &= soon_kn > 1.6 * level_kn and soon_kn > 0.3 * float(pin[span.first - 60 * S : span.first].mean())
        sure &= _bore(pin, span.first, berth)
        minute = pin[span.first - 60 * S : span.first]
        if minute.min() < level_kn and float(pin[span.first - S : span.first].min()) < 0.55 * float(minute.max()):
            # Of a line that went slack in that minute, and bore no crest just before, a minute's absence is asked for.
            sure &= (span.last - span.first) / S > POLICY["loss_mean_s"] + 2.0
        # Over this by two readings of the slowest record, so that it is at every rate.
        sure &= (span.last - span.first) / S > POLICY["loss_stay_s"] + 2.0
        out.append(
            Truth("load-loss", line.line, line.channel, clock.at(span.first - 1), clock.at(span.first),
                  float(pin[top]), clock.at(top), detail, not sure)
        )  # fmt: skip
    return out


def tendings(berth: Berth, plan: Plan, record: Record, faults: Faults) -> list[Truth]:
    """Every time a winch ran with a line fast on it. Sure if brake or mode tell it, and it did something."""
    told = [_tending(berth, plan, record, faults, action) for action in plan.actions if _ran(plan, action)]
    return told + [_taken_in(berth, plan, record, faults, row) for row in range(len(berth.lines)) if plan.on[row] > 0]


def _taken_in(berth: Berth, plan: Plan, record: Record, faults: Faults, row: int) -> Truth:
    """The drum running in what is left outboard, once the line is let go: of no interest, and told by some registers'
    times only, so that it counts neither way."""
    line = berth.lines[row]
    clock = clock_of(plan, faults, line.logger)
    off = plan.planned_off(row)
    out_m = float(record.main_m[row, min(off, plan.steps - 1)])
    first, last = off + 30 * S, off + 30 * S + round(out_m / RUN_OUT_M_S * S)
    detail: dict[str, object] = {"class": "taking in", "moved_m": -out_m, "phase": "other", "told": bool(line.tells)}
    return Truth("tending", line.line, line.channel, clock.at(first), clock.at(last), None, None, detail, True)


def _ran(plan: Plan, action: Action) -> bool:
    """Whether the line was there when its winch was to run."""
    return action.first < plan.off[action.row]


def _tending(berth: Berth, plan: Plan, record: Record, faults: Faults, action: Action) -> Truth:
    line = berth.lines[action.row]
    clock = clock_of(plan, faults, line.logger)
    main = record.main_m[action.row]
    last = min(action.last, plan.off[action.row], plan.steps) - 1
    moved = float(main[last] - main[action.first])
    word = action.word
    if word == "trim":
        word = "heaving-in" if moved < 0 else "veering"
    told = sorted({"brake", "winch-mode"} & set(line.tells))
    detail: dict[str, object] = {
        "class": _WORDS.get(action.word, word),
        "moved_m": moved, "told": bool(told), "by": ", ".join(told),
        "phase": "all fast" if plan.all_fast <= action.first < plan.let_go else "other",
    }  # fmt: skip
    still = action.word == "trim" and abs(moved) < 0.02
    sure = bool(told) and not still and line.device == "winch"
    if not told and "payout" in line.tells:
        # By payout alone heaving in is told piece by piece, and veering not at all.
        detail["edges_sure"] = False
        sure = _most_hove_m(main[action.first : last + 1]) >= POLICY["render_min_payout_m"] + 0.015
        if sure:
            detail["by"] = "payout"
    return Truth(
        "tending", line.line, line.channel, clock.at(action.first), clock.at(last + 1), None, None, detail, not sure
    )


def _most_hove_m(main_m: NDArray[np.float64]) -> float:
    """The most that was hove in at a stretch, at a centimetre a second or more [m]."""
    in_m = np.diff(main_m, prepend=main_m[:1]) <= -POLICY["render_rate_m_s"] * 0.1
    spans = joined([(max(a - 1, 0), b) for a, b in runs(in_m)], POLICY["render_join_s"])
    return max((float(main_m[a] - main_m[b]) for a, b in spans), default=0.0)


def surges(berth: Berth, plan: Plan, record: Record, faults: Faults) -> list[Truth]:
    """Every passing ship. from, to: when its pull is over a twentieth of its largest. By true time, no one logger's.

    Sure if lines along the quay of both ends, on three sound gauges at least, answer by the definition's least pulse
    and its times the usual spread, both with a margin of 15 %. swing_kn: the largest answer of any such line.
    Hidden (`masked`) where by the register, of a wrong time, not all lines were fast before she had passed: of such
    time no surge is to be told.
    """
    out = []
    registered = [register_steps(plan, faults, berth, row) for row in range(len(berth.lines))]
    fast = max(first for first, _ in registered), min(last for _, last in registered)
    clock = Clock(plan.start_us)
    for span in plan.spans:
        if span.word != "passing":
            continue
        pull = np.abs(passing_shape(plan.steps, span)[1])
        acting = np.flatnonzero(pull > 0.05 * pull.max())
        swings = _swings(berth, plan, record, span)
        least_kn = 1.15 * POLICY["surge_min_pct"] / 100.0 * berth.ship_design_mbl_kn
        strong = [
            name
            for name, (swing, usual) in swings.items()
            if swing > max(least_kn, 1.15 * POLICY["surge_times"] * usual)
        ]
        of = {line.line: line for line in berth.lines}
        sound = [of[name] for name in strong if not _spoilt(faults, plan, of[name].channel, span)]
        both = {line.end for line in sound}
        detail: dict[str, object] = {
            "lines": ", ".join(strong), "first_pull": "forward" if span.size < 0 else "aft",
            "swing_kn": round(max((swing for swing, _ in swings.values()), default=0.0), 1),
        }  # fmt: skip
        sure = (
            len({line.channel for line in sound}) >= 3
            and len(both) == 2
            and plan.all_fast < acting[0]
            and acting[-1] < plan.let_go
        )
        if sure and not fast[0] < acting[0] < acting[-1] < fast[1]:
            detail["masked"], sure = "rigging-time", False
        out.append(
            Truth("surge", "", "", clock.at(int(acting[0])), clock.at(int(acting[-1])), None, None, detail, not sure)
        )
    return out


def _spoilt(faults: Faults, plan: Plan, channel: str, span: Span) -> bool:
    """Whether a gauge tells another load than its line's while a ship passes; a gauge that is gone for less than half
    a minute does not."""
    lasting = faults.of(channel, "wrong-unit", "wrong-scale", "swapped")
    passing = [one for one in faults.of(channel, "stuck", "gap") if one.first < span.last and one.last > span.first]
    gone = [one for one in plan.dropouts if one.word == channel]
    away = any(min(one.last, span.last) - max(one.first, span.first) >= 30 * S for one in gone)
    return bool(lasting or passing or away)


def _swings(berth: Berth, plan: Plan, record: Record, span: Span) -> dict[str, tuple[float, float]]:
    """Of each line that can tell: by how much its means over 90 s go, while the ship passes, beyond both what it bore
    before and what it bears after, and their usual spread, of the calmest five minutes of the quarter hour before.

    A line whose winch runs meanwhile answers the crew. A step, as from a line lost or a brake that renders, goes beyond
    neither level; nor does a squall before the passing ship, which the three minutes between them leave out.
    """
    out = {}
    for row, line in enumerate(berth.lines):
        lost = plan.off[row] < span.last
        if line.role == "breast" or lost or bool(record.powered[row, span.first : span.last].any()):
            continue
        begin = max(span.first - 15 * MINUTE, plan.all_fast)
        end = min(span.last + 3 * MINUTE, plan.let_go, plan.off[row])
        means = _means_over_90_s(record.tension_kn[row, begin:end])
        first, last = (span.first - begin) // _TEN_S, (span.last - begin) // _TEN_S
        before, during, after = means[:first], means[first:last], means[last:]
        if len(before) < 6:
            continue
        levels = [float(np.median(part)) for part in (before[-18:], after) if len(part)]
        beyond = np.maximum(during - max(levels), min(levels) - during)
        calm = [1.4826 * float(np.median(np.abs(part - np.median(part)))) for part in np.array_split(before, 3)]
        out[line.line] = max(float(beyond.max()), 0.0), min(calm)
    return out


def _means_over_90_s(tension_kn: NDArray[np.float32]) -> NDArray[np.float64]:
    """Of each ten seconds the mean of those within 40 s of it (n,); at the ends of as many as there are."""
    tens = tension_kn[: len(tension_kn) // _TEN_S * _TEN_S].astype(np.float64).reshape(-1, _TEN_S).mean(axis=1)
    weight = np.ones(9)
    count = np.convolve(np.ones(len(tens)), weight)[4 : 4 + len(tens)]
    return np.asarray(np.convolve(tens, weight)[4 : 4 + len(tens)] / count, dtype=np.float64)


def findings(berth: Berth, plan: Plan, record: Record, faults: Faults) -> list[Truth]:
    """Every fault as a finding: the kind, the channel (a clock's: its logger) and the span in which it is wrong."""
    return [_finding(berth, plan, record, faults, fault) for fault in faults.listed if fault.kind != "gap"]


def _finding(berth: Berth, plan: Plan, record: Record, faults: Faults, fault: Fault) -> Truth:
    first, last = fault.first, fault.last if fault.last > fault.first else plan.steps
    if fault.kind == "clock-offset":
        own = Clock(plan.start_us, *faults.clocks[fault.channel])
        offset_s = own.offset_us / 1e6 + fault.drift_ppm * 1e-6 * plan.steps / S / 2.0
        channels = sorted({line.channel for line in berth.lines if line.logger == fault.channel})
        detail: dict[str, object] = {
            "logger": fault.channel, "offset_s": offset_s, "drift_ppm": fault.drift_ppm, "channels": ", ".join(channels)
        }  # fmt: skip
        near = abs(offset_s) < 1.05 * POLICY["clock_offset_s"]
        if all(_hung_slack(berth, plan, record, line) for line in berth.lines if line.logger == fault.channel):
            # Lines that hang slack follow no motion, by which alone a clock is told.
            detail["masked"], near = "slack", True
        return Truth(fault.kind, "", channels[0], own.at(0), own.at(plan.steps), None, None, detail, near)
    row = next(row for row, line in enumerate(berth.lines) if line.channel == fault.channel)
    line = berth.lines[row]
    clock = clock_of(plan, faults, line.logger)
    detail, sure = {"size": fault.size}, True
    if fault.kind in ("zero-drift", "zero-step"):
        # What the gauge reads without a line, after the call against before it: all that can be known of its zero.
        before, after = np.array([min(plan.on) // 2]), np.array([(max(plan.off) + plan.steps) // 2])
        moved_kn = float((zero_moved_kn(plan, fault, after) - zero_moved_kn(plan, fault, before))[0])
        uncertain_kn = POLICY["gauge_uncertainty_pct"] / 100.0 * registered_capacity_kn(faults, line)
        detail |= {"moved_kn": moved_kn, "heat_kn_per_c": fault.heat_kn_per_c}
        sure = abs(moved_kn) > 1.05 * uncertain_kn + STEP_KN[line.device]
        if any(_rigged_when_bare(wrong) for wrong in faults.of(line.channel, "rigging-time")):
            # By the register a line is on it all the while before, or after: no zero check is left there.
            detail["masked"], sure = "rigging-time", False
    elif fault.kind in ("wrong-unit", "wrong-scale"):
        detail |= {"unit": fault.word} if fault.word else {}
        # A line that hung slack when it had just been made fast bore nothing that a scale could be seen by.
        begun = max(plan.from_step[row], 0) + 3 * MINUTE
        detail["start_kn"] = start_kn = float(
            np.median(place_kn(berth, record, line.place)[begun : begun + 10 * MINUTE])
        )
        sure = start_kn > slack_kn(berth)
    elif fault.kind == "swapped":
        detail["with"] = fault.other
        rows = [row for row, line in enumerate(berth.lines) if line.channel in (fault.channel, fault.other)]
        # Crews write times up to 40 s early and 50 s late: of lines made fast, and let go, within twice that of each
        # other no register tells which is on which channel.
        sure = any(abs(steps[rows[0]] - steps[rows[1]]) > 90 * S for steps in (plan.from_step, plan.to_step))
    elif fault.kind == "rigging-time":
        detail |= {"end": fault.word, "wrong_by_s": fault.size / S}
        if _rigged_when_bare(fault) and faults.of(fault.channel, "zero-drift", "zero-step"):
            # A zero that moved looks like a load where the register has a line: each fault hides the other.
            detail["masked"], sure = "zero", False
        elif not _rigged_when_bare(fault):
            # By the register the line is not there: only its load says otherwise, of which one lost by then has none.
            detail["borne_kn"] = borne_kn = _borne_when_not_rigged(berth, plan, record, fault, row)
            sure = borne_kn > 1.2 * POLICY["loaded_pct"] / 100.0 * berth.ship_design_mbl_kn
    elif fault.kind == "spikes":
        detail["at_us"] = [clock.at(step) for step in fault.steps]
    elif fault.kind == "stuck":
        part = record.tension_kn[berth.rows(line.place), first:last].astype(np.float64).sum(axis=0)
        sure = float(np.std(part)) > 2.0
    elif fault.kind == "clipping":
        over = np.flatnonzero(place_kn(berth, record, line.place) / line.gain + line.zero_kn > fault.size)
        detail["capacity_kn"] = fault.size
        sure = len(over) >= S
        first, last = (int(over[0]), int(over[-1]) + 1) if len(over) else (first, last)
    name = {"clipping": "clipped"}.get(fault.kind, fault.kind)
    whose = line.line
    return Truth(name, whose, fault.channel, clock.at(first), clock.at(last), None, None, detail, not sure)


def _hung_slack(berth: Berth, plan: Plan, record: Record, line: BerthLine) -> bool:
    """Whether a line's place bore no load for nine tenths of the time in which all lines were fast."""
    borne_kn = place_kn(berth, record, line.place)[plan.all_fast : plan.let_go]
    return float(np.mean(borne_kn < slack_kn(berth))) >= 0.9


def _rigged_when_bare(wrong: Fault) -> bool:
    """Whether a wrong time has a line fast while none is."""
    return (wrong.word == "from") == (wrong.size < 0)


def _borne_when_not_rigged(berth: Berth, plan: Plan, record: Record, wrong: Fault, row: int) -> float:
    """The largest load [kN], as a mean over three minutes, of a place more than ten minutes before a late `from`, or
    after an early `to`."""
    beyond, window = round((POLICY["rigging_time_s"] + 60.0) * S), round(POLICY["loaded_s"] * S)
    first, last = plan.from_step[row], plan.to_step[row]
    if wrong.word == "to":
        first = last + round(wrong.size) + beyond
    else:
        last = first + round(wrong.size) - beyond
    borne = place_kn(berth, record, berth.lines[row].place)[max(first, 0) : min(last, plan.steps)]
    if len(borne) < window:
        return 0.0
    sums = np.concatenate(([0.0], np.cumsum(borne)))
    return float((sums[window:] - sums[:-window]).max() / window)


def context(berth: Berth, plan: Plan, faults: Faults) -> list[Truth]:
    """What happened and is no event by itself: weather, tugs, brake tests, gaps."""
    clock = Clock(plan.start_us)
    names = {"tug": "tug-push", "rough": "rough-sea", "passing": "passing-ship"}
    out = [
        Truth(
            names.get(span.word, span.word),
            "",
            "",
            clock.at(span.first),
            clock.at(span.last),
            detail={"size": span.size},
        )
        for span in plan.spans
    ]
    for line in berth.lines:
        first = brake_test_at(plan, line)
        own = clock_of(plan, faults, line.logger)
        if first is not None:
            out.append(Truth("brake-test", line.line, line.channel, own.at(first), own.at(first + 75 * S)))
        for gap in faults.of(line.channel, "gap"):
            out.append(Truth("gap", line.line, line.channel, own.at(gap.first), own.at(gap.last)))
    return out
