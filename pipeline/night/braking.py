"""Happenings of a winch's brake that need more than one kind of mark: loads above its setting at which it held."""

from collections.abc import Iterator

from pipeline.events import brake_held, brake_render, severity
from pipeline.events.brake_held import Span
from pipeline.events.brake_render import SlipRun
from pipeline.night.kinds import Happening, Kind, Rope
from pipeline.night.measured import figures_of, gauge_of


def _brake_helds(rope: Rope) -> Iterator[Happening]:
    """Of loads measured at a hook only those that were above the setting at the drum too, where that is reckoned."""
    policy, place = rope.site.policy, rope.site.channels[rope.channel].place
    told = any(row.place == place and row.quantity == "payout" for row in rope.site.channels.values())
    rendered = _rendered(rope)
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
                severity.of_brake_held(load.judged_kn / event.set_kn),
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


BRAKE_HELD = Kind(brake_held.KIND, _brake_helds)
