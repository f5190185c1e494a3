"""Slack, snap-load, sustained-load, pretension-loss and load-loss from their definitions, by the shortest road.

Plain loops over whole records; nothing here imports the program. Wording and thresholds as in README, "Events".
"""

import bisect
import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Sequence, Set
from dataclasses import dataclass, field, replace

from tests.independent.reference_events import BIN_US, SECOND_US, Tails, limit_base_kn, tails_at
from tests.independent.reference_marks import marked_us, spikes_us
from tests.independent.reference_store import Felt, Samples, Site, read_register, stamp_us

Level = Callable[[int], float]


@dataclass(frozen=True)
class Rules:
    """Thresholds in kN and microseconds, of one line."""

    snap_kn: float
    snap_rate_kn_s: float
    sustained_kn: float
    low_kn: float
    loss_kn: float
    max_gap_us: int = 10 * SECOND_US
    join_us: int = 10 * SECOND_US
    snap_within_us: int = 2 * SECOND_US
    snap_peak_us: int = 10 * SECOND_US
    observed: float = 0.8
    sustained_share: float = 0.9
    sustained_bins: int = 3
    low_bins: int = 2
    loss_mean_share: float = 0.5
    loss_mean_us: int = 60 * SECOND_US
    loss_fall_us: int = SECOND_US // 2
    loss_stay_us: int = 10 * SECOND_US
    loss_before_us: int = 10 * SECOND_US


@dataclass(frozen=True)
class Told:
    """One event. `extra`: a figure of its own kind (lowest, rate, mean of means, fall) to tell more apart."""

    kind: str
    line: str
    channel: str
    from_us: int
    to_us: int
    peak_kn: float
    peak_us: int
    extra: tuple[float, ...] = ()
    tails: Tails = field(default=())


def highest(samples: Samples) -> tuple[int, float]:
    """The first of the largest."""
    return max(samples, key=lambda sample: (sample[1], -sample[0]))


def slacks(tension: Samples, level: Level, rules: Rules) -> Iterator[tuple[Samples, int]]:
    """Samples below the level of each event, and how many runs they are."""
    runs: list[Samples] = []
    last_us: int | None = None
    for at_us, kn in tension:
        if kn < level(at_us):
            if runs and last_us is not None and at_us - last_us <= rules.max_gap_us:
                runs[-1].append((at_us, kn))
            else:
                runs.append([(at_us, kn)])
            last_us = at_us
        else:
            last_us = None
    joined: list[list[Samples]] = []
    for run in runs:
        if joined and run[0][0] - joined[-1][-1][-1][0] < rules.join_us:
            joined[-1].append(run)
        else:
            joined.append([run])
    loaded = [at for at, kn in tension if not kn < level(at)]
    for group in joined:
        samples = [sample for run in group for sample in run]
        if loaded and loaded[0] < samples[0][0] and loaded[-1] > samples[-1][0]:
            yield samples, len(group)


def snaps(tension: Samples, level: Level, rules: Rules) -> Iterator[tuple[Samples, float]]:
    """The last near-slack sample and those of the blow up to its end; and the rate of rise [kN/s]."""
    for index, (slack_us, slack_kn) in enumerate(tension):
        if not slack_kn < 2 * level(slack_us):
            continue
        after = _until_slack_or_gap(tension, index, level, rules)
        past = next((i for i, (_, kn) in enumerate(after) if kn > rules.snap_kn), None)
        if past is None:
            continue
        near_kn = 2 * level(slack_us)
        way_kn = max(rules.snap_kn - near_kn, 0.0)
        ahead = index + past + 2
        later = tension[ahead] if ahead < len(tension) else None
        if later is not None and later[0] - after[past][0] > rules.snap_within_us:
            later = None
        rise_s = _rise_s([(slack_us, slack_kn), *after[: past + 1]], later, near_kn, near_kn + way_kn)
        before_us, before_kn = tension[index - 1] if index > 0 else (slack_us, 0.0)
        alone = past == 0 and before_kn > rules.snap_kn
        if alone and max(slack_us - before_us, after[0][0] - slack_us) <= 1.5 * SECOND_US:
            continue  # one reading of nothing between two loads
        if rise_s > rules.snap_within_us / SECOND_US or way_kn < rules.snap_rate_kn_s * rise_s:
            continue
        past_us, past_kn = after[past]
        blow = [sample for sample in after[past:] if sample[0] - past_us <= rules.snap_peak_us]
        plain = (past_kn - slack_kn) / ((past_us - slack_us) / SECOND_US)
        yield [(slack_us, slack_kn), *blow], way_kn / rise_s if way_kn > 0 and rise_s > 0 else plain


def _rise_s(rise: Samples, later: tuple[int, float] | None, near_kn: float, past_kn: float) -> float:
    """From leaving near-slack to passing the threshold, on straight lines between readings; out of slack on the
    steeper of the first two. Where the last two and the later one make a crest, three fifths of that and two of the
    way along their parabola."""
    at_s = [(at_us - rise[0][0]) / SECOND_US for at_us, _ in rise]
    kn = [value for _, value in rise]
    left_s = _crossed_s(at_s[0], kn[0], at_s[1], kn[1], near_kn)
    if len(rise) > 2 and kn[2] > kn[1]:
        slope = (kn[2] - kn[1]) / (at_s[2] - at_s[1])
        left_s = max(left_s, min(at_s[1] - (kn[1] - near_kn) / slope, at_s[1]))
    passed_s = _crossed_s(at_s[-2], kn[-2], at_s[-1], kn[-1], past_kn)
    straight_s = max(passed_s - left_s, 0.0)
    if len(rise) < 3 or later is None:
        return straight_s
    (x0, y0), (x1, y1) = (at_s[-2], kn[-2]), (at_s[-1], kn[-1])
    x2, y2 = (later[0] - rise[0][0]) / SECOND_US, later[1]
    bend = ((y2 - y1) / (x2 - x1) - (y1 - y0) / (x1 - x0)) / (x2 - x0)
    if bend >= 0:
        return straight_s
    rate = (y1 - y0) / (x1 - x0) - bend * (x1 - x0)

    def rising(level_kn: float) -> float:
        return x0 + (math.sqrt(max(rate * rate - 4 * bend * (y0 - level_kn), 0.0)) - rate) / (2 * bend)

    round_s = min(max(rising(past_kn), x0), passed_s)
    if len(rise) == 3:
        left_s = max(left_s, min(rising(near_kn), at_s[1]))
    return 0.6 * straight_s + 0.4 * max(round_s - left_s, 0.0)


def _crossed_s(from_s: float, from_kn: float, to_s: float, to_kn: float, level_kn: float) -> float:
    if to_kn <= from_kn:
        return from_s
    part = (level_kn - from_kn) / (to_kn - from_kn)
    return from_s + (to_s - from_s) * min(max(part, 0.0), 1.0)


def crest(blow: Samples, spikes: Samples, after_us: float, rules: Rules) -> tuple[int, float] | None:
    """The largest of the spikes of a blow (its near-slack sample first) that is above all of it; none stands at or past
    `after_us`, that of the next sound reading."""
    (slack_us, _), (past_us, _), (last_us, _) = blow[0], blow[1], blow[-1]
    _, most_kn = highest(blow[1:])
    inside = [
        (at_us, kn)
        for at_us, kn in spikes
        if slack_us < at_us < after_us
        and at_us - past_us <= rules.snap_peak_us
        and at_us - last_us <= rules.max_gap_us
        and kn > most_kn
    ]
    return highest(inside) if inside else None


def made_up_us(tension: Samples, marked_us: frozenset[int], level: Level, max_gap_us: int) -> set[int]:
    """Readings that are none of a line's load: spikes, a push, a gauge that dropped out. `marked_us`: by the check."""
    out = spikes_us(tension, marked_us)
    kept = [sample for sample in tension if sample[0] not in out]
    slack_us = -math.inf
    index = 0
    while index < len(kept):
        at_us, kn = kept[index]
        last = index
        if kn < level(at_us):
            fell = _joined(kept, index - 1, max_gap_us) and kept[index - 1][1] >= level(at_us)
            while fell and _joined(kept, last, max_gap_us) and kept[last + 1][1] == kn:
                last += 1
            run, came = kept[index : last + 1], _joined(kept, last, max_gap_us)
            if fell and came and _is_made_up(run, kept[index - 1], kept[last + 1], at_us - slack_us, level):
                out |= {at for at, _ in run}
            else:
                slack_us = run[-1][0]
        index = last + 1
    return out


def _joined(kept: Samples, index: int, max_gap_us: int) -> bool:
    """Whether there is such a reading and another follows it without a gap."""
    return 0 <= index < len(kept) - 1 and kept[index + 1][0] - kept[index][0] <= max_gap_us


def _is_made_up(
    run: Samples, before: tuple[int, float], back: tuple[int, float], since_us: float, level: Level
) -> bool:
    slack_kn = level(back[0])
    if back[1] < slack_kn:
        return False
    pushed = len(run) == 1 and run[0][1] < -slack_kn
    calm = before[1] >= 1.5 * level(run[0][0]) and since_us > 60 * SECOND_US
    short = run[-1][0] - run[0][0] <= 1800 * SECOND_US
    return pushed or (len(run) >= 4 and calm and short and back[1] >= 1.5 * slack_kn)


def sound(part: Felt, marked: frozenset[int], level: Level, rules: Rules) -> Felt:
    """What a rigging felt, without the readings that a gauge made up."""
    out = made_up_us(part.tension, marked, level, rules.max_gap_us)
    pairs = [(one, until) for one, until in zip(part.tension, part.next_us, strict=True) if one[0] not in out]
    return replace(part, tension=[one for one, _ in pairs], next_us=[until for _, until in pairs])


def _until_slack_or_gap(tension: Samples, index: int, level: Level, rules: Rules) -> Samples:
    found: Samples = []
    last_us = tension[index][0]
    for at_us, kn in itertools.islice(tension, index + 1, None):
        if at_us - last_us > rules.max_gap_us or kn < 2 * level(at_us):
            break
        found.append((at_us, kn))
        last_us = at_us
    return found


@dataclass(frozen=True)
class Bin:
    number: int
    mean_kn: float
    peak: tuple[int, float]
    long: bool
    low: bool


def bins(one: Felt, rules: Rules) -> Iterator[Bin]:
    """Every ten minutes that count, in time order."""
    by_bin: dict[int, list[tuple[int, float, int]]] = {}
    for (at_us, kn), next_us in zip(one.tension, one.next_us, strict=True):
        number = at_us // BIN_US
        until = at_us if next_us is None else min(next_us, at_us + rules.max_gap_us, (number + 1) * BIN_US)
        if one.rigging.to_us is not None:
            until = min(until, one.rigging.to_us)
        by_bin.setdefault(number, []).append((at_us, kn, until - at_us))
    for number, rows in sorted(by_bin.items()):
        observed_us = sum(stood for _, _, stood in rows)
        inside = number * BIN_US >= one.rigging.from_us
        inside = inside and (one.rigging.to_us is None or (number + 1) * BIN_US <= one.rigging.to_us)
        if not inside or observed_us < rules.observed * BIN_US:
            continue
        above_us = sum(stood for _, kn, stood in rows if kn > rules.sustained_kn)
        mean_kn = added(kn * stood for _, kn, stood in rows) / observed_us
        peak = highest([(at_us, kn) for at_us, kn, _ in rows])
        yield Bin(number, mean_kn, peak, above_us >= rules.sustained_share * observed_us, mean_kn < rules.low_kn)


def stretches(found: Sequence[Bin], least: int) -> Iterator[list[Bin]]:
    """Successive bins, `least` or more of them."""
    stretch: list[Bin] = []
    for one in [*found, None]:
        if stretch and (one is None or one.number != stretch[-1].number + 1):
            if len(stretch) >= least:
                yield stretch
            stretch = []
        if one is not None:
            stretch.append(one)


@dataclass(frozen=True)
class Loss:
    loaded: tuple[int, float]
    unloaded: tuple[int, float]
    highest: tuple[int, float]
    back_us: int | None


def losses(
    tension: Samples,
    stored_us: Sequence[int],
    level: Level,
    share: float,
    rules: Rules,
    spikes: Set[int] = frozenset(),
) -> list[Loss]:
    """Candidates; those that follow within the time to stay are part of the one before. `stored_us`: of any flag;
    `spikes` bring no load back."""
    found: list[Loss] = []
    last_us = 0
    for index in range(1, len(tension)):
        before_kn, (at_us, kn) = tension[index - 1][1], tension[index]
        slack_kn = level(at_us)
        if kn < slack_kn <= before_kn:
            one = _whole_loss(tension, index, slack_kn, rules, spikes)
        elif share < 1 and slack_kn <= kn < before_kn:
            one = _share_loss(tension, stored_us, index, slack_kn, share, rules, spikes)
        else:
            continue
        if one is None:
            continue
        if not found or one.unloaded[0] - last_us >= rules.loss_stay_us:
            found.append(one)
        last_us = one.unloaded[0]
    return found


def _whole_loss(tension: Samples, index: int, slack_kn: float, rules: Rules, spikes: Set[int]) -> Loss | None:
    at_us = tension[index][0]
    least, lately = _least(tension, index, slack_kn, rules), _lately(tension, index, rules)
    loads, stay_us, wave = [sample for sample in lately if sample[1] >= least], rules.loss_stay_us, False
    high = _high(tension, index, slack_kn, rules)
    if high == math.inf:
        return None
    if high is not None:
        from_high = [sample for sample in loads if sample[1] >= high]
        wave = not from_high
        loads, stay_us = (from_high, stay_us) if from_high else (loads, max(stay_us, rules.loss_mean_us))
    later = itertools.islice(tension, index + 1, None)
    back = next((at for at, kn in later if at not in spikes and not kn < slack_kn), None)
    if not loads or (back is not None and back - at_us <= stay_us):
        return None
    if wave and loads[-1][1] - tension[index][1] < 1.25 * _usual_fall(tension, index, rules):
        return None  # a wave lets it fall as far
    return Loss(loads[-1], tension[index], _highest_before(tension, index, loads[-1][0], rules), back)


def _high(tension: Samples, index: int, slack_kn: float, rules: Rules) -> float | None:
    """Where the line was slack in the minute before: half of its highest then; beyond all, if but for one in ten."""
    at_us = tension[index][0]
    lately = _window(tension, at_us - rules.loss_mean_us, at_us - 1)
    slack = sum(1 for _, kn in lately if kn < slack_kn)
    if slack == 0:
        return None
    return rules.loss_mean_share * highest(lately)[1] if 10 * (len(lately) - slack) >= len(lately) else math.inf


def _share_loss(
    tension: Samples,
    stored_us: Sequence[int],
    index: int,
    slack_kn: float,
    share: float,
    rules: Rules,
    spikes: Set[int],
) -> Loss | None:
    lately = _lately(tension, index, rules)
    # Loaded in the plain sense at some time of late, and its largest in the full sense too.
    if not any(kn >= max(rules.loss_kn, 2 * slack_kn) for _, kn in lately):
        return None
    loaded, (at_us, kn) = highest(lately), tension[index]
    floor = (1 - 0.75 * share) * loaded[1]
    least = max(_least(tension, index, slack_kn, rules), _high(tension, index, slack_kn, rules) or 0.0)
    if not (kn < floor <= tension[index - 1][1]) or loaded[1] < least:
        return None
    if not _seen(stored_us, at_us, rules) or not _share_gone(tension, index, share, rules):
        return None
    if not _stands_out(tension, index, loaded[1] - kn, rules):
        return None
    hour = _window(tension, at_us + 1, at_us + 3600 * SECOND_US)
    back = next((at for at, value in hour if at not in spikes and not value < floor), None)
    return Loss(loaded, tension[index], _highest_before(tension, index, loaded[0], rules), back)


def _usual_fall(tension: Samples, index: int, rules: Rules) -> float:
    """The largest fall in the time before: from the largest of half a second before, or from the reading before."""
    at_us = tension[index][0]
    before = _window(tension, at_us - rules.loss_mean_us, at_us - 1)
    falls = [0.0]
    for n in range(1, len(before)):
        lately = [kn for at, kn in before[:n] if at >= before[n][0] - rules.loss_fall_us]
        falls.append(max([before[n - 1][1], *lately]) - before[n][1])
    return max(falls)


def _stands_out(tension: Samples, index: int, fall_kn: float, rules: Rules) -> bool:
    """A share's fall is the larger, and its times the usual fall by the times the usual step of the mean are 4.5."""
    at_us, width_us = tension[index][0], rules.loss_before_us

    def step_kn(middle_us: int) -> float | None:
        sides = [_window(tension, first, first + width_us - 1) for first in (middle_us - width_us, middle_us)]
        if not all(sides):
            return None
        before, after = (sum(kn for _, kn in side) / len(side) for side in sides)
        return before - after

    begun_us = at_us - rules.loss_mean_us
    middles = range(at_us - width_us, begun_us + width_us - 1, -SECOND_US)
    steps = [abs(one) for one in map(step_kn, middles) if one is not None]
    own_kn, falls_kn = step_kn(at_us), _usual_fall(tension, index, rules)
    assert own_kn is not None
    return fall_kn > falls_kn and fall_kn * own_kn >= 4.5 * falls_kn * max(steps, default=0.0)


def fell_slack(
    one: Loss, tension: Samples, hook: Samples, level: Level, rules: Rules, spikes: Set[int] = frozenset()
) -> bool:
    """Whether a line was loaded again within half an hour, its hook closed, and not as a gauge that drops out: one that
    was loaded all the minute before, read the same while gone, and was back in one step; or, instead of the first, told
    the very same more often than its own repeats in that minute make likely (a chance under one in a million)."""
    at_us, slack_kn = one.unloaded[0], level(one.unloaded[0])
    if not one.unloaded[1] < slack_kn or one.back_us is None or one.back_us - at_us > 1800 * SECOND_US:
        return False
    known = [value for at, value in hook if at <= one.loaded[0]]
    since = [value for at, value in hook if one.loaded[0] < at <= one.loaded[0] + rules.loss_stay_us]
    if known and known[-1] >= 0.5 and any(value < 0.5 for value in since):
        return False
    before = [kn for _, kn in _window(tension, at_us - rules.loss_mean_us, at_us - 1)]
    gone = [
        sample for sample in _window(tension, at_us, one.back_us - 1) if sample[0] == at_us or sample[0] not in spikes
    ]
    ((_, back_kn),) = _window(tension, one.back_us, one.back_us)
    values = [kn for _, kn in gone]
    repeats = sum(1 for a, b in itertools.pairwise(before) if a == b) / (len(before) - 1) if len(before) > 1 else 1.0
    dead = len(set(values)) == 1 and repeats ** (len(values) - 1) < 1e-6
    return not (
        bool(before)
        and (min(before) >= 1.5 * slack_kn or dead)
        and max(values) - min(values) < 0.1 * slack_kn
        and back_kn >= 1.5 * slack_kn
        and back_kn - max(values) >= 0.25 * added(before) / len(before)
        and one.back_us - gone[-1][0] <= rules.max_gap_us
    )


def _least(tension: Samples, index: int, slack_kn: float, rules: Rules) -> float:
    at_us = tension[index][0]
    mean_kn = mean(_window(tension, at_us - rules.loss_mean_us, at_us - 1))
    return max(rules.loss_kn, 2 * slack_kn, 0 if math.isnan(mean_kn) else rules.loss_mean_share * mean_kn)


def _lately(tension: Samples, index: int, rules: Rules) -> Samples:
    """Samples from which a fall is at once: those of the last half second, or the one before, if not over a gap."""
    at_us = tension[index][0]
    found = _window(tension, at_us - rules.loss_fall_us, at_us - 1)
    before = tension[index - 1]
    return found or ([before] if at_us - before[0] <= rules.max_gap_us else [])


def _highest_before(tension: Samples, index: int, loaded_us: int, rules: Rules) -> tuple[int, float]:
    at_us = tension[index][0]
    return highest(_window(tension, min(at_us - rules.loss_before_us, loaded_us), at_us - 1))


def _seen(stored_us: Sequence[int], at_us: int, rules: Rules) -> bool:
    """Whether readings reach over the long times before and after, but for a gap."""
    early = stored_us[bisect.bisect_left(stored_us, at_us - rules.loss_mean_us)]
    late = stored_us[bisect.bisect_right(stored_us, at_us + rules.loss_stay_us) - 1]
    reached = early <= at_us - rules.loss_mean_us + rules.max_gap_us
    return reached and late >= at_us + rules.loss_stay_us - rules.max_gap_us


def _share_gone(tension: Samples, index: int, share: float, rules: Rules) -> bool:
    at_us = tension[index][0]
    short_before = _window(tension, at_us - rules.loss_before_us, at_us - 1)
    long_before = _window(tension, at_us - rules.loss_mean_us, at_us - 1)
    short_after = _window(tension, at_us, at_us + rules.loss_before_us)
    long_after = _window(tension, at_us, at_us + rules.loss_stay_us)
    half = 1 - 0.5 * share
    return (
        mean(short_after) <= half * mean(short_before)
        and mean(long_after) <= half * mean(long_before)
        and highest(long_after)[1] < (1 - 0.25 * share) * highest(long_before)[1]
    )


def _window(samples: Samples, from_us: int, to_us: int) -> Samples:
    """Samples of [from_us, to_us]."""
    begin = bisect.bisect_left(samples, (from_us, -math.inf))
    return samples[begin : bisect.bisect_right(samples, (to_us, math.inf))]


def mean(samples: Samples) -> float:
    return added(kn for _, kn in samples) / len(samples) if samples else math.nan


def added(values: Iterable[float]) -> float:
    """One after the other: `sum` would compensate, and the definition adds plainly."""
    total = 0.0
    for value in values:
        total += value
    return total


def all_fast(site: Site, line: str, from_us: int) -> tuple[int, int | None]:
    """From when to when all lines of the call are fast in which a line was rigged at `from_us`."""
    ship = site.lines[line]["ship"]
    spans = sorted((r.from_us, math.inf if r.to_us is None else r.to_us) for r in site.riggings
                   if site.lines[r.line]["ship"] == ship)  # fmt: skip
    call: list[tuple[int, float]] = []
    for span in spans:
        if call and span[0] > max(to for _, to in call):
            if call[0][0] <= from_us <= max(to for _, to in call):
                break
            call = []
        call.append(span)
    gap_us = site.policy("mooring_gap_h", 2.0) * 3600 * SECOND_US
    begins = sorted(start for start, _ in call)
    fast_us = begins[0]
    for start in begins:
        if start - fast_us >= gap_us:
            break
        fast_us = start
    if math.inf in (to for _, to in call):
        return fast_us, None
    first_us = max(to for _, to in call)
    for to in sorted((to for _, to in call if to >= begins[-1]), reverse=True):
        if first_us - to >= gap_us:
            break
        first_us = to
    return fast_us, max(fast_us, int(first_us))


def rules_of(site: Site, line: str, part: Felt) -> tuple[Rules, Level]:
    """The default thresholds on one line's own figures, and its slack level at any instant."""
    base_kn = limit_base_kn(site, line)
    planned = next(
        (
            row.get("pretension_kn", "")
            for row in read_register(site.root / "rigging.csv")
            if (row["line"], stamp_us(row["from"])) == (line, part.rigging.from_us)
        ),
        "",
    )
    rules = Rules(
        snap_kn=15 / 100 * base_kn,
        snap_rate_kn_s=10 / 100 * base_kn,
        sustained_kn=25 / 100 * base_kn,
        low_kn=50 / 100 * (float(planned) if planned else 10 / 100 * base_kn),
        loss_kn=5 / 100 * base_kn,
        max_gap_us=round(site.policy("max_gap_s", 10.0) * SECOND_US),
    )
    capacity = site.channels[part.rigging.channel]["capacity"]
    zeros = sorted(
        (stamp_us(row["from"]), float(row["uncertainty_pct"]) / 100 * float(capacity) * part.rigging.share
         if row.get("uncertainty_pct") and capacity else 0.0)
        for row in read_register(site.root / "calibrations.csv")
        if row["channel"] == part.rigging.channel
    )  # fmt: skip

    def level(at_us: int) -> float:
        in_force = [zero for from_us, zero in zeros if from_us <= at_us]
        return max(1 / 100 * base_kn, 2 * in_force[-1] if in_force else 0.0)

    return rules, level


def stored(site: Site, part: Felt) -> list[int]:
    """Instants of all stored readings of a rigging's channel while rigged."""
    return [at for at, _ in site.live(part.rigging.channel) if part.rigging.holds(at)]


def hook_of(site: Site, part: Felt) -> Samples:
    """What the hook of a rigging told of itself; nothing where it tells nothing."""
    channel = site.at_place(part.rigging.channel, "hook-state")
    return [] if channel is None else [(at, value) for at, value in site.live(channel) if value is not None]


def tension_events(site: Site, line: str, parts: Sequence[Felt]) -> Iterator[Told]:
    """All events of these kinds of a main line, over all its riggings."""
    if site.lines[line]["part"] != "main":
        return
    for part in parts:
        rules, level = rules_of(site, line, part)
        fast_us, let_go_us = all_fast(site, line, part.rigging.from_us)
        let_go = math.inf if let_go_us is None else let_go_us
        marked = marked_us(site, part.rigging.channel)
        firm, spikes = sound(part, marked, level, rules), spikes_us(part.tension, marked)
        for told in _of_rigging(
            line, part, firm, spikes, stored(site, part), hook_of(site, part), rules, level, (fast_us, let_go)
        ):
            tails = tails_at(site, [part], told.peak_us, told.peak_kn)
            yield Told(**{**vars(told), "tails": tails})


def _of_rigging(
    line: str,
    part: Felt,
    firm: Felt,
    spikes: Set[int],
    stored_us: Sequence[int],
    hook: Samples,
    rules: Rules,
    level: Level,
    fast: tuple[int, float],
) -> Iterator[Told]:
    """Losses of load of all readings, the other kinds of the sound ones (`firm`)."""
    names, (fast_us, let_go_us) = (line, part.rigging.channel), fast
    lost = [
        one
        for one in losses(part.tension, stored_us, level, part.rigging.share, rules, spikes)
        if not fell_slack(one, part.tension, hook, level, rules, spikes)
    ]
    spans = [
        (one.unloaded[0], math.inf if one.back_us is None else one.back_us)
        for one in lost
        if one.unloaded[1] < level(one.unloaded[0])
    ]

    def by_loss(from_us: int, to_us: int) -> bool:
        return any(to_us >= unloaded_us and from_us < back_us for unloaded_us, back_us in spans)

    for samples, runs in slacks(firm.tension, level, rules):
        from_us, to_us = samples[0][0], samples[-1][0]
        if not by_loss(from_us, to_us) and to_us >= fast_us and from_us < let_go_us:
            peak_us, peak_kn = highest(samples)
            yield Told("slack", *names, from_us, to_us, peak_kn, peak_us, (min(kn for _, kn in samples), runs))
    spiky = [sample for sample in part.tension if sample[0] in spikes]
    for samples, rate in snaps(firm.tension, level, rules):
        if fast_us <= samples[0][0] < let_go_us and not by_loss(samples[0][0], samples[0][0]):
            after_us = next((at for at, _ in firm.tension if at > samples[-1][0]), math.inf)
            peak_us, peak_kn = crest(samples, spiky, after_us, rules) or highest(samples[1:])
            to_us = max(samples[-1][0], peak_us)
            yield Told("snap-load", *names, samples[0][0], to_us, peak_kn, peak_us, (rate,))
    counted = [b for b in bins(firm, rules) if b.number * BIN_US >= fast_us and (b.number + 1) * BIN_US <= let_go_us]
    for kind, found in (
        ("sustained-load", stretches([one for one in counted if one.long], rules.sustained_bins)),
        ("pretension-loss", stretches([one for one in counted if one.low], rules.low_bins)),
    ):
        for stretch in found:
            peak_us, peak_kn = highest([one.peak for one in stretch])
            ends = (stretch[0].number * BIN_US, (stretch[-1].number + 1) * BIN_US)
            extra = (sum(one.mean_kn for one in stretch) / len(stretch), len(stretch))
            yield Told(kind, *names, *ends, peak_kn, peak_us, extra)
    for loss in lost:
        peak_us, peak_kn = loss.highest
        fall_s = (loss.unloaded[0] - loss.loaded[0]) / SECOND_US
        yield Told("load-loss", *names, loss.loaded[0], loss.unloaded[0], peak_kn, peak_us, (loss.loaded[1], fall_s))
