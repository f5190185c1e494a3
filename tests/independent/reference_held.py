"""Brake-held from its definition, by the shortest road: loads above a brake's setting at which it let out no line.

Of winches that record payout, whose brake tells a state; cut crests, and winch modes, are not reckoned here.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

from tests.independent.reference_events import brake_renders, by_channel, latest_within, tails_at
from tests.independent.reference_marks import marked_us
from tests.independent.reference_store import Felt, Samples, Site
from tests.independent.reference_tension import Told, all_fast, highest, rules_of, sound

SECOND_US = 1_000_000
Span = tuple[int, float]


def brake_helds(site: Site, line: str, parts: Sequence[Felt]) -> Iterator[Told]:
    """Brake-held events of a main line, over all its riggings on winches with a setting."""
    if site.lines[line]["part"] != "main":
        return
    for found in by_channel(parts):
        channel = found[0].rigging.channel
        set_kn = site.brake_set_kn.get(site.channels[channel]["place"])
        if set_kn is None or site.at_place(channel, "payout") is None:
            continue
        rendered: list[Span] = [(one.from_us, one.to_us) for one in brake_renders(site, line, found)]
        for part in found:
            yield from _of_rigging(site, line, part, set_kn, rendered)


def _of_rigging(site: Site, line: str, part: Felt, set_kn: float, rendered: Sequence[Span]) -> Iterator[Told]:
    rules, level = rules_of(site, line, part)
    firm = sound(part, marked_us(site, part.rigging.channel), level, rules)
    fast_us, let_go_us = all_fast(site, line, part.rigging.from_us)
    payout = _payout(site, part)
    tended = [*_open(site, part), *_heaving(part, payout, rules.max_gap_us)]
    clusters: list[list[Samples]] = []
    for run in _above(firm.tension, set_kn, rules.max_gap_us):
        if _touched(tended, run[0][0], run[-1][0]):
            continue
        if clusters and run[0][0] - clusters[-1][-1][-1][0] < 60 * SECOND_US:
            clusters[-1].append(run)
        else:
            clusters.append([run])
    for cluster in clusters:
        from_us, to_us = cluster[0][0][0], cluster[-1][-1][0]
        paid = [_paid_m(payout, run, rules.max_gap_us) for run in cluster]
        let_out = None not in paid and sum(one for one in paid if one is not None) >= 0.05
        in_phase = to_us >= fast_us and (let_go_us is None or from_us < let_go_us)
        if let_out or not in_phase or _touched(rendered, from_us - 2 * SECOND_US, to_us):
            continue
        peak_us, peak_kn = highest([sample for run in cluster for sample in run])
        tails = tails_at(site, [part], peak_us, peak_kn)
        names = (line, part.rigging.channel)
        yield Told("brake-held", *names, from_us, to_us, peak_kn, peak_us, (set_kn, len(cluster)), tails)


def _above(tension: Samples, set_kn: float, max_gap_us: int) -> list[Samples]:
    """Maximal runs of samples above the setting, without a gap."""
    runs: list[Samples] = []
    last: tuple[int, float] | None = None
    for at_us, kn in tension:
        if kn > set_kn:
            if last is not None and last[1] > set_kn and at_us - last[0] <= max_gap_us:
                runs[-1].append((at_us, kn))
            else:
                runs.append([(at_us, kn)])
        last = (at_us, kn)
    return runs


def _payout(site: Site, part: Felt) -> Samples:
    channel = site.at_place(part.rigging.channel, "payout")
    assert channel is not None
    return [(at, metres) for at, metres in site.live(channel) if metres is not None and part.rigging.holds(at)]


def _paid_m(payout: Samples, run: Samples, max_gap_us: int) -> float | None:
    ends = [latest_within(payout, at_us, max_gap_us) for at_us in (run[0][0], run[-1][0])]
    return None if ends[0] is None or ends[1] is None else ends[1] - ends[0]


def _open(site: Site, part: Felt) -> list[Span]:
    """From when to when the brake was open, by its latest state."""
    spans: list[Span] = []
    since: int | None = None
    for at_us, state in site.brake_states(part.rigging.channel):
        if state < 0.5 and since is None:
            since = at_us
        elif state >= 0.5 and since is not None:
            spans.append((since, at_us))
            since = None
    return spans if since is None else [*spans, (since, math.inf)]


def _heaving(part: Felt, payout: Samples, max_gap_us: int) -> list[Span]:
    """When payout fell by a centimetre a second or more, five centimetres in all."""
    runs: list[list[tuple[int, int, float, float]]] = []
    for (t0, m0), (t1, m1) in itertools.pairwise(payout):
        if t1 - t0 > max_gap_us or (m0 - m1) / ((t1 - t0) / SECOND_US) < 0.01:
            continue
        if latest_within(part.tension, t1, SECOND_US) is None:
            continue
        if runs and t0 - runs[-1][-1][1] < 5 * SECOND_US:
            runs[-1].append((t0, t1, m0, m1))
        else:
            runs.append([(t0, t1, m0, m1)])
    return [(run[0][0], run[-1][1]) for run in runs if run[0][2] - run[-1][3] >= 0.05]


def _touched(spans: Sequence[Span], from_us: int, to_us: int) -> bool:
    return any(first <= to_us and from_us <= last for first, last in spans)
