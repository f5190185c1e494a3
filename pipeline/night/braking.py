"""Happenings of a winch's brake besides rendering with payout: held above its setting; rendered, by tension alone."""

from collections.abc import Iterator
from typing import Any

from pipeline.events import brake_held, brake_render, severity, tending
from pipeline.events.brake_held import Span
from pipeline.events.brake_render import SlipRun
from pipeline.events.plateau import LEAST_CONFIDENCE, Plateau
from pipeline.events.tension import Peak
from pipeline.night.kinds import Happening, Kind, Rigged, Rope
from pipeline.night.measured import figures_of, gauge_of, has_payout
from schemas.times import us_to_rfc3339


def _brake_helds(rope: Rope) -> Iterator[Happening]:
    """Of loads measured at a hook only those that were above the setting at the drum too, where that is reckoned; of a
    winch without payout none where crests are told as cut, for there it seems to have let out line."""
    policy, place = rope.site.policy, rope.site.channels[rope.channel].place
    told = has_payout(rope.site, place)
    rendered = _rendered(rope) + [(one.from_us, one.to_us) for one, _ in _cut_crests(rope)]
    for rigged in rope.riggings:
        runs = [brake_held.Above.from_payload(payload) for payload in rigged.of_kind("held")]
        for event in brake_held.join(
            brake_held.whole(runs, max_gap_s=policy.max_gap_s),
            tended=[(one.from_us, one.to_us) for one in rigged.tending],
            rendered=rendered,
            cluster_gap_s=policy.cluster_gap_s,
            before_s=policy.render_window_s,
            min_payout_m=policy.render_min_payout_m,
        ):
            measured = gauge_of(rope.site, rope.line, rope.channel, event.peak.at_us)
            load = measured.load(event.peak.at_us, event.peak.kn, at_least=event.peak.at_least)
            if not load.judged_kn > event.set_kn:
                continue
            yield Happening(
                event.from_us,
                event.to_us,
                event.peak,
                rigged.fast.phase(event.from_us, event.to_us),
                severity.of_brake_held(load.judged_kn / event.set_kn, measured=event.paid_out_m is not None),
                {
                    "brake_set_kn": event.set_kn,
                    "held_pct_of_set": 100.0 * load.judged_kn / event.set_kn,
                    "runs": event.runs,
                    "payout_m": event.paid_out_m,
                    "payout_told": "measured" if event.paid_out_m is not None else "missing" if told else "no channel",
                    **figures_of(measured, event.peak.kn),
                },
            )


def _rendered(rope: Rope) -> list[Span]:
    """When payout told that the brake let line out."""
    policy = rope.site.policy
    runs = [SlipRun.from_payload(payload) for rigged in rope.riggings for payload in rigged.of_kind("slip")]
    found = brake_render.join(runs, join_s=policy.render_join_s, min_payout_m=policy.render_min_payout_m)
    return [(event.from_us, event.to_us) for event in found]


def _cut_crests(rope: Rope) -> list[tuple[Plateau, Rigged]]:
    """Stretches of cut crests, sure enough to tell, of a winch not under power at any time of what was looked at."""
    return [
        (one, rigged)
        for one in rope.plateaus
        for rigged in rope.riggings
        if one.confidence >= LEAST_CONFIDENCE
        and rigged.holds(one.from_us)
        and not tending.at_work(rigged.tending, one.near_from_us, one.near_to_us)
    ]


def _renders_told(rope: Rope) -> Iterator[Happening]:
    """Rendering from tension alone, where no payout is recorded; its peak is told by 10-second bins."""
    policy, place = rope.site.policy, rope.site.channels[rope.channel].place
    for one, rigged in _cut_crests(rope):
        setting = rope.site.brake_setting(place, one.from_us)
        set_kn = None if setting is None else setting.brake_set_kn
        verdict = None if set_kn is None else brake_render.verdict(one.level_kn, set_kn)
        phase = rigged.fast.phase(one.from_us, one.to_us)
        figures: dict[str, Any] = {
            "basis": BY_TENSION,
            "confidence": one.confidence,
            "confidence_is": CONFIDENCE_IS,
            "breakout_kn": one.level_kn,
            "breakout_at": us_to_rfc3339(one.from_us),
            "breakout_at_least": False,
            "render_kn": one.level_kn,
            "payout_m": None,
            "lost_kn": one.lost_kn,
            "crests": one.crests,
            "peak_within_s": 10,
            "brake_set_kn": set_kn,
            "breakout_pct_of_set": None if set_kn is None else 100.0 * one.level_kn / set_kn,
            "breakout_first_layer_kn": None,
            "layer": None if setting is None else setting.layer,
            "verdict": verdict,
            **figures_of(gauge_of(rope.site, rope.line, rope.channel, one.from_us), one.level_kn),
        }
        band = severity.of_brake_render(phase, verdict, 0.0, policy)
        yield Happening(one.from_us, one.to_us, Peak(one.peak_us, one.peak_kn), phase, band, figures)


BY_TENSION = "tension alone"
CONFIDENCE_IS = "of stretches that look like this, the share that were true on our simulator's tune family of seeds"
OF_BRAKES = (Kind(brake_render.KIND, _renders_told), Kind(brake_held.KIND, _brake_helds))
