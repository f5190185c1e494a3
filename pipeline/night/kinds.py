"""The table of kinds of events: how the marks of one line on one channel become happenings of each kind."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol

from pipeline.events import (
    bins,
    brake_render,
    load_loss,
    peak_load,
    pretension_loss,
    severity,
    slack,
    snap_load,
    sustained_load,
    tending,
)
from pipeline.events.brake_render import Rules, SlipRun
from pipeline.events.calls import Fast, Phase
from pipeline.events.loss_class import Facts, fell_slack, judge, word_on
from pipeline.events.plateau import Plateau
from pipeline.events.severity import Severity
from pipeline.events.take_up import Aside
from pipeline.events.tension import Peak
from pipeline.ledger.rows import Mark
from pipeline.night.lost import told_of
from pipeline.night.measured import figures_of, gauge_of
from pipeline.night.plan import limit_base_kn
from pipeline.sheets.sheet import Excursion
from pipeline.site import Site
from schemas.registers import Policy, Rigging
from schemas.times import us_to_rfc3339

Asides = Mapping[tuple[str, str, int], Aside]
"""What other lines did about a loss of load, by channel, line and first unloaded sample."""


class Top(Protocol):
    """The largest tension of a happening."""

    @property
    def at_us(self) -> int: ...
    @property
    def kn(self) -> float: ...
    @property
    def at_least(self) -> bool: ...


@dataclass(frozen=True)
class Rigged:
    """A rigging, the marks of its sheets of all days, when all lines of its call were fast, and its limits."""

    rigging: Rigging
    marks: Sequence[Mark]
    fast: Fast
    policy: Policy
    limit_kn: float

    def of_kind(self, kind: str) -> list[Mapping[str, Any]]:
        """Payloads of the marks of one kind."""
        return [mark.payload for mark in self.marks if mark.kind == kind]

    def holds(self, at_us: int) -> bool:
        return rigged_at(self.rigging, at_us)

    @cached_property
    def loaded(self) -> list[slack.Loaded]:
        """Between which instants of each day it was not slack."""
        return [slack.Loaded(**payload) for payload in self.of_kind("loaded")]

    @cached_property
    def bins(self) -> list[bins.Bin]:
        """Its ten minutes that were loaded long or low."""
        return [bins.Bin.from_payload(one) for payload in self.of_kind("bins") for one in payload["bins"]]

    @cached_property
    def losses(self) -> list[load_loss.LoadLoss]:
        """Where its load was lost at once, and it did not just fall slack."""
        pieces = [load_loss.LoadLoss.from_payload(payload) for payload in self.of_kind("loss")]
        found = load_loss.join(pieces, self.loaded, stay_s=self.policy.loss_stay_s)
        return [one for one in found if not fell_slack(one)]

    @cached_property
    def tending(self) -> list[tending.Tending]:
        """When its winch was under power."""
        pieces = [tending.Tending.from_payload(one) for found in self.of_kind("tending") for one in found["stretches"]]
        return tending.join(pieces, Rules.of(self.policy, self.limit_kn))


@dataclass(frozen=True)
class Rope:
    """One main line on one channel: all its riggings there, in order of time; its stretches of cut crests; and what
    other lines did about its losses of load."""

    site: Site
    line: str
    channel: str
    riggings: Sequence[Rigged]
    plateaus: Sequence[Plateau] = ()
    asides: Asides = field(default_factory=dict)

    @property
    def limit_kn(self) -> float:
        return limit_base_kn(self.site, self.line)

    def pct(self, kn: float) -> float:
        return kn / self.limit_kn * 100.0

    def phase(self, from_us: int, to_us: int) -> Phase:
        """The phase of the call that the line was rigged in when it happened."""
        own = [rigged for rigged in self.riggings if rigged.rigging.from_us <= from_us]
        return (own[-1] if own else self.riggings[0]).fast.phase(from_us, to_us)


@dataclass(frozen=True)
class Happening:
    """One event before it is a row. `figures`: what only its kind has."""

    from_us: int
    to_us: int
    peak: Top
    phase: Phase
    severity: Severity
    figures: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Kind:
    """A kind of event. `always`: whatever the phase of the call; else only while all lines are fast."""

    name: str
    found: Callable[[Rope], Iterator[Happening]]
    always: bool = False


def rigged_at(rigging: Rigging, at_us: int) -> bool:
    """Whether a rigging holds an instant."""
    return rigging.from_us <= at_us and (rigging.to_us is None or at_us < rigging.to_us)


def _peak_loads(rope: Rope) -> Iterator[Happening]:
    policy = rope.site.policy
    excursions = [
        excursion
        for rigged in rope.riggings
        for excursion in peak_load.whole(
            [_piece(payload) for payload in rigged.of_kind("excursion")], max_gap_s=policy.max_gap_s
        )
    ]
    for event in peak_load.cluster(excursions, cluster_gap_s=policy.cluster_gap_s):
        phase = rope.phase(event.first_us, event.last_us)
        rate_hz = rope.site.channels[rope.channel].rate_hz
        yield Happening(
            event.first_us,
            event.last_us,
            Peak(event.peak_us, event.peak_kn, event.at_least),
            phase,
            severity.of_peak_load(phase, rope.pct(event.peak_kn), policy, spike=event.spikes, rate_hz=rate_hz),
            {"level_pct": policy.peak_load_pct, "excursions": event.excursions, "doubtful": event.doubt},
        )


def _brake_renders(rope: Rope) -> Iterator[Happening]:
    policy, place = rope.site.policy, rope.site.channels[rope.channel].place
    runs = [SlipRun.from_payload(payload) for rigged in rope.riggings for payload in rigged.of_kind("slip")]
    for event in brake_render.join(runs, join_s=policy.render_join_s, min_payout_m=policy.render_min_payout_m):
        against = brake_render.against_setting(event, rope.site.brake_setting(place, event.from_us))
        unsound = event.breakout.made_up
        verdict = None if against is None or unsound else against.verdict
        phase = rope.phase(event.from_us, event.to_us)
        figures: dict[str, Any] = {
            "basis": "payout",
            "breakout_kn": event.breakout.kn,
            "breakout_at": us_to_rfc3339(event.breakout.at_us),
            "breakout_at_least": event.breakout.at_least,
            "render_kn": event.render_kn,
            "payout_m": event.payout_m,
            "slips": event.slips,
            "brake_set_kn": None if against is None else against.brake_set_kn,
            "breakout_pct_of_set": None if against is None or unsound else against.breakout_pct,
            "breakout_first_layer_kn": None if against is None or unsound else against.breakout_first_layer_kn,
            "layer": None if against is None else against.layer,
            "verdict": verdict,
            "doubtful": "break-out" if unsound else None,
            **figures_of(gauge_of(rope.site, rope.line, rope.channel, event.breakout.at_us), event.breakout.kn),
        }
        band = severity.of_brake_render(phase, verdict, event.payout_m, policy)
        yield Happening(event.from_us, event.to_us, event.peak, phase, band, figures)


def _slacks(rope: Rope) -> Iterator[Happening]:
    for rigged in rope.riggings:
        pieces = [slack.SlackRuns.from_payload(payload) for payload in rigged.of_kind("slack")]
        for event in slack.join(pieces, rigged.loaded, rope.site.policy):
            if load_loss.told_by(rigged.losses, event.first_us, event.last_us):
                continue
            yield Happening(
                event.first_us,
                event.last_us,
                event.highest,
                rigged.fast.phase(event.first_us, event.last_us),
                severity.of_slack(event.last_us - event.first_us, rope.site.policy),
                {
                    "lowest_kn": event.lowest.kn,
                    "lowest_at": us_to_rfc3339(event.lowest.at_us),
                    "lasted_s": (event.last_us - event.first_us) / 1e6,
                    "times": event.runs,
                    "tending": tending.at_work(rigged.tending, event.first_us, event.last_us),
                },
            )


def _snap_loads(rope: Rope) -> Iterator[Happening]:
    for rigged in rope.riggings:
        found = [snap_load.SnapLoad.from_payload(payload) for payload in rigged.of_kind("snap")]
        for event in snap_load.join(found):
            if load_loss.told_by(rigged.losses, event.from_us, event.from_us):
                continue
            yield Happening(
                event.from_us,
                event.to_us,
                event.peak,
                rigged.fast.phase(event.from_us, event.from_us),
                severity.of_snap_load(rope.pct(event.peak.kn), rope.site.policy),
                {
                    "slack_kn": event.slack_kn,
                    "rate_kn_s": event.rate_kn_s,
                    "rise_s": event.rise_s,
                    "doubtful": "crest" if event.peak_spike else None,
                    "tending": tending.at_work(rigged.tending, event.from_us, event.to_us),
                },
            )


def _sustained_loads(rope: Rope) -> Iterator[Happening]:
    policy = rope.site.policy
    for rigged in rope.riggings:
        for event in sustained_load.join(rigged.bins, policy, all_fast=rigged.fast.holds):
            yield Happening(
                event.from_us,
                event.to_us,
                event.peak,
                "all fast",
                severity.of_sustained_load(event.to_us - event.from_us, policy),
                {"level_pct": policy.sustained_pct, "bins": event.bins, "mean_kn": event.mean_kn},
            )


def _pretension_losses(rope: Rope) -> Iterator[Happening]:
    policy = rope.site.policy
    for rigged in rope.riggings:
        planned_kn = bins.planned_kn(policy, rope.limit_kn, rigged.rigging.pretension_kn)
        for event in pretension_loss.join(rigged.bins, policy, all_fast=rigged.fast.holds):
            yield Happening(
                event.from_us,
                event.to_us,
                event.peak,
                "all fast",
                severity.of_pretension_loss(),
                {
                    "planned_kn": planned_kn,
                    "planned_by": "policy" if rigged.rigging.pretension_kn is None else "rigging.csv",
                    "bins": event.bins,
                    "mean_kn": event.mean_kn,
                    "lowest_mean_kn": event.lowest_kn,
                },
            )


def _load_losses(rope: Rope) -> Iterator[Happening]:
    services = [row for row in rope.site.services if row.line == rope.line]
    lost_us = sorted(event.unloaded.at_us for rigged in rope.riggings for event in rigged.losses)
    for rigged in rope.riggings:
        for event in rigged.losses:
            from_us, to_us = event.loaded.at_us, event.unloaded.at_us
            work = tending.at_work(rigged.tending, from_us, to_us)
            facts = Facts(
                loss=event,
                work=tuple(work),
                rigged_to_us=rigged.rigging.to_us,
                let_go_us=rigged.fast.first_let_go_us,
                aside=rope.asides.get((rope.channel, rope.line, to_us)),
                word=word_on(to_us, next((us for us in lost_us if us > to_us), None), services),
            )
            judged = judge(facts)
            yield Happening(
                from_us,
                to_us,
                event.highest,
                rigged.fast.phase(from_us, to_us),
                severity.of_load_loss(judged.word),
                {**told_of(facts, judged), "hook_lines": _on_the_hook(rope, to_us), "tending": work},
            )


KINDS: tuple[Kind, ...] = (
    Kind(peak_load.KIND, _peak_loads, always=True),
    Kind(brake_render.KIND, _brake_renders, always=True),
    Kind(load_loss.KIND, _load_losses, always=True),
    Kind(snap_load.KIND, _snap_loads),
    Kind(slack.KIND, _slacks),
    Kind(sustained_load.KIND, _sustained_loads),
    Kind(pretension_loss.KIND, _pretension_losses),
)


def _on_the_hook(rope: Rope, at_us: int) -> list[str]:
    """The main lines rigged on the channel at an instant, by name; one of them where a share of it went."""
    return sorted(
        row.line
        for row in rope.site.riggings
        if row.channel == rope.channel and rope.site.lines[row.line].part == "main" and rigged_at(row, at_us)
    )


def _piece(payload: Mapping[str, Any]) -> peak_load.Piece:
    """An excursion as the ledger's JSON gives it back."""
    own = ("runs_in", "runs_on", "spikes", "peak_spike")
    excursion = {name: value for name, value in payload.items() if name not in own}
    return peak_load.Piece(Excursion(**excursion), *(payload.get(name, False) for name in own))
