"""Marks: what one slice hands to the events, so that those of any number of days can be joined into happenings.

A mark is its kind and a payload of plain lists and numbers. Marks are made from the slice's samples and those of its
rigging an edge before and after, and each belongs to one slice alone.
"""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from pipeline.events import bins, brake_held, load_loss, slack, snap_load, sound, tending
from pipeline.events.brake_render import Readings as BrakeReadings
from pipeline.events.brake_render import Rules, slips
from pipeline.events.tension import SlackLevel, Tension
from pipeline.night.look import DayJob, Looked, SliceSamples
from pipeline.night.plan import SheetPlan
from pipeline.sheets.sheet import Sheet
from pipeline.sheets.travel import NO_TRAVEL, Travel, travel
from pipeline.store.days import NO_READINGS, Readings
from pipeline.store.edges import EDGE_US

LOSS = "loss"
MARK_KINDS = ("excursion", "slip", "slack", "loaded", "snap", "bins", LOSS, "tending", "held")
"""Every kind of mark. `loaded`, `bins` and `tending` are at most one a sheet."""
Found = tuple[str, dict[str, Any]]


@dataclass(frozen=True)
class Near:
    """One slice to be: what is planned of it, its tension, and the live readings of its place near it by quantity."""

    wanted: SheetPlan
    job: DayJob
    tension: Tension
    beside: Mapping[str, Readings]

    @classmethod
    def of(cls, wanted: SheetPlan, job: DayJob, looked: Looked, tension: Tension) -> "Near":
        """Of several channels of a quantity the first by name. What was recorded before a line was rigged is not its
        own, save for a state, which holds until the next is told."""
        beside: dict[str, Readings] = {}
        for channel in sorted(job.channels, key=lambda one: one.channel):
            if channel.channel in looked.near:
                beside.setdefault(channel.quantity, looked.near[channel.channel])
        return cls(wanted, job, tension, beside)

    def states(self) -> tuple[tending.States, tending.States]:
        """What brake and winch-mode tell of power; nothing where there is no such channel."""
        brake, mode = (self.beside.get(quantity, NO_READINGS) for quantity in ("brake", "winch-mode"))
        return (
            tending.States.of_brake(brake.at_us, brake.value),
            tending.States.of_mode(mode.at_us, mode.value, self.job.policy),
        )


def marks_of(near: Near, sheet: Sheet, samples: SliceSamples) -> list[Found]:
    """All marks of one slice."""
    found = [("excursion", payload) for payload in _excursions(near, sheet, samples)]
    if near.wanted.limit_kn is None or near.tension.at_us.size == 0:
        return found
    winch = _winch(near)
    channel = next(c for c in near.job.channels if c.channel == near.wanted.slice.channel)
    level = SlackLevel.of(
        near.job.policy, near.wanted.limit_kn, near.wanted.calibrations, channel.capacity, near.wanted.slice.share
    )
    least_kn = near.tension.least_kn()
    firm = sound.sound(near.tension, level, near.job.policy, least_kn)
    found += _of_tension(near, firm, level, near.wanted.limit_kn, least_kn)
    return [*found, *_of_winch(near, firm, winch, near.wanted.limit_kn)]


def travelled(near: Near) -> Travel:
    """Metres of payout in the slice."""
    winch = _winch(near)
    if winch is None:
        return NO_TRAVEL
    told, felt = ~np.isnan(winch.payout_m), ~np.isnan(winch.tension_kn)
    return travel(
        winch.payout_at_us[told],
        winch.payout_m[told],
        winch.tension_at_us[felt],
        winch.tension_kn[felt],
        from_us=near.wanted.slice.from_us,
        to_us=near.wanted.slice.to_us,
        deadband_m=near.job.policy.travel_deadband_m,
        max_gap_us=round(near.job.policy.max_gap_s * 1e6),
    )


def _excursions(near: Near, sheet: Sheet, samples: SliceSamples) -> list[dict[str, Any]]:
    """Excursions as marks, with whether they reach the first or last sample that counts: they may go on beyond; and
    whether all that is above the level is spikes, or the peak."""
    if not sheet.excursions:
        return []
    counted_us = samples.at_us[samples.usable]
    return [
        {
            **asdict(excursion),
            "runs_in": bool(excursion.first_us == counted_us[0]) and not sheet.slice.begins,
            "runs_on": bool(excursion.last_us == counted_us[-1]) and not sheet.slice.ends,
            "spikes": _all_spikes(near.tension, excursion.first_us, excursion.last_us),
            "peak_spike": _all_spikes(near.tension, excursion.peak_us, excursion.peak_us),
        }
        for excursion in sheet.excursions
    ]


def _all_spikes(tension: Tension, first_us: int, last_us: int) -> bool:
    """Whether all readings of [first_us, last_us] that count are spikes."""
    begin, end = np.searchsorted(tension.at_us, [first_us, last_us + 1])
    return bool(tension.spiky[begin:end][tension.usable[begin:end]].all())


def _of_tension(near: Near, firm: Tension, level: SlackLevel, limit_kn: float, lowest_kn: float) -> Iterator[Found]:
    """Marks of the kinds known from tension alone. Each looks only where the slice's extremes leave something open.

    `firm`: its sound readings; losses of load look at all, and `lowest_kn` bounds these from below.
    """
    policy, tension, share = near.job.policy, near.tension, near.wanted.slice.share
    least_kn = lowest_kn if firm is tension else firm.least_kn()
    runs, loaded = slack.runs_of(firm, level, policy, least_kn)
    yield from (("slack", run.to_payload()) for run in runs)
    if loaded is not None:
        yield "loaded", loaded.to_payload()
    if least_kn < level.near_kn:
        yield from (("snap", one.to_payload()) for one in snap_load.snap_loads(firm, level, policy, limit_kn))
    if lowest_kn < level.most_kn or share < 1.0:
        for one in load_loss.candidates(tension, level, policy, limit_kn, share):
            yield LOSS, load_loss.beside(one, _channels_beside(near), policy).to_payload()
    long_or_low = bins.bins_of(firm, policy, limit_kn, near.wanted.pretension_kn)
    if long_or_low:
        yield "bins", {"bins": [one.to_payload() for one in long_or_low]}


def _channels_beside(near: Near) -> dict[str, tuple[Any, Any]]:
    named = ("payout", "brake", "winch-mode", "hook-state")
    return {name: (near.beside[name].at_us, near.beside[name].value) for name in named if name in near.beside}


def _of_winch(near: Near, firm: Tension, winch: BrakeReadings | None, limit_kn: float) -> Iterator[Found]:
    """Marks of what the winch did: payout under load, and work under power."""
    piece = near.wanted.slice
    if winch is not None and near.wanted.render_base_kn is not None:
        rules = Rules.of(near.job.policy, near.wanted.render_base_kn)
        for run in slips(winch, rules, from_us=piece.from_us, to_us=piece.to_us):
            yield "slip", run.to_payload()
    if winch is not None or near.beside.keys() & {"brake", "winch-mode"}:
        rules = Rules.of(near.job.policy, limit_kn)
        stretches = tending.stretches(*near.states(), winch, rules, from_us=piece.from_us, to_us=piece.to_us)
        if stretches:
            yield "tending", {"stretches": [one.to_payload() for one in stretches]}
    if near.wanted.settings:
        yield from (("held", run.to_payload()) for run in _above_setting(near, firm))


def _above_setting(near: Near, tension: Tension) -> list[brake_held.Above]:
    """Sound loads of the slice above the setting of its place's brake."""
    payout = near.beside.get("payout", NO_READINGS)
    own = slice(tension.begin, tension.end)
    from_us = max(near.wanted.rigged_from_us, tension.from_us - EDGE_US)
    payout = payout.between(from_us, tension.to_us)
    recorded = brake_held.Recorded(
        tension.at_us[own],
        tension.kn[own],
        tension.usable[own],
        tension.clipped[own],
        payout.at_us,
        payout.value,
    )
    return brake_held.above_setting(recorded, near.wanted.settings, max_gap_s=near.job.policy.max_gap_s)


def _winch(near: Near) -> BrakeReadings | None:
    """What the winch of one slice recorded while rigged, from before the day on; None where it measures no payout.

    A winch-mode that tells of power counts as an open brake.
    """
    payout, piece, tension = near.beside.get("payout"), near.wanted.slice, near.tension
    if payout is None or tension.at_us.size == 0:
        return None
    until = slice(0, tension.end)
    payout = payout.between(max(near.wanted.rigged_from_us, piece.from_us - EDGE_US), piece.to_us)
    brake_at_us, brake = tending.brake_holds(*near.states())
    return BrakeReadings(
        tension_at_us=tension.at_us[until],
        tension_kn=np.where(tension.usable[until], tension.kn[until], np.nan),
        clipped=tension.clipped[until],
        payout_at_us=payout.at_us,
        payout_m=payout.value,
        brake_at_us=brake_at_us,
        brake=brake,
        made_up=(tension.spiky | tension.still)[until],
    )
