"""What sheets a site ought to have, and from what: computed from live parts and registers, without a sample read.

The night makes what is planned and not yet there, so that new, late or withdrawn data, and a changed register,
policy or calibration, all come down to the same thing. A sheet's `inputs` are digests of all that decides it.
"""

import hashlib
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import takewhile

from pipeline.events.brake_held import Setting
from pipeline.manifest import canonical_json
from pipeline.quality.zeros import merged
from pipeline.sheets.sheet import Slice
from pipeline.site import Site
from pipeline.store.edges import EDGE_US
from pipeline.store.samples import Part
from schemas.registers import Calibration, Channel, Rigging
from schemas.times import DAY_US, day_of, day_start_us

METHOD = 8
"""Raised when the same samples would give another sheet: old sheets are then made anew."""
FOR_EVER_US = 2**62
PlaceDay = tuple[str, date]


@dataclass(frozen=True)
class SheetPlan:
    """One sheet to be: its slice, the calibrations that hold in it, and digests of all its inputs by kind.

    `rigged_from_us`, `rigged_to_us`: when the rigging itself began, and ends, on whatever day. `calibrations`: those
    that hold in the slice, and an edge before and after. `limit_kn`: what the limits of events are percent of; None
    where no main line is rigged. `render_base_kn`: that of rendering; None where the place has no payout channel too.
    `pretension_kn`: the one planned for the rigging, if any. `settings`: of the place's brake, those in force in the
    slice, each from when on; none where winches.csv has none.
    """

    key: str
    slice: Slice
    rigged_from_us: int
    rigged_to_us: int | None
    calibrations: tuple[Calibration, ...]
    limit_kn: float | None
    render_base_kn: float | None
    pretension_kn: float | None
    settings: tuple[Setting, ...]
    inputs: Mapping[str, str]


@dataclass(frozen=True)
class GaugePlan:
    """What one tension channel's day is looked at with.

    taken: when a line is registered on it, within the day, in order, not overlapping; zeros: (from_us, zero_kn) of the
    calibrations that hold in the day; full_kn: what percentages are of, None where nothing says.
    """

    channel: str
    taken: tuple[tuple[int, int], ...]
    zeros: tuple[tuple[int, float], ...]
    full_kn: float | None


@dataclass(frozen=True)
class DayPlan:
    """What flags and sheets of a place's day are made from. `later`: channels with a stored reading on a later day."""

    place: str
    day: date
    parts: tuple[Part, ...]
    before: tuple[Part, ...]
    after: tuple[Part, ...]
    later: frozenset[str]
    inputs: str
    sheets: tuple[SheetPlan, ...]
    gauges: tuple[GaugePlan, ...]


@dataclass(frozen=True)
class Geometry:
    """A rigging's way from drum over chock, as its register has it: `contact_of` says what of it is enough."""

    inboard_m: float | None = None
    wrap_deg: float | None = None
    surface: str | None = None


@dataclass(frozen=True)
class AccountDay:
    """One day of a line's zone: the keys of its sheets in time order, and whether it may be posted.

    `geometry`: that of each sheet's rigging of this line, in the same order.
    """

    day: date
    keys: tuple[str, ...]
    postable: bool
    geometry: tuple[Geometry, ...] = ()


@dataclass(frozen=True)
class Use:
    """That a rigging's day is told by the sheet with this key."""

    rigging: Rigging
    day: date
    key: str


@dataclass(frozen=True)
class Plan:
    """All days of all places, and which of their sheets make up the account of each line and zone."""

    days: Mapping[PlaceDay, DayPlan]
    accounts: Mapping[tuple[str, str], tuple[AccountDay, ...]]
    uses: tuple[Use, ...]


def make_plan(site: Site, live: Mapping[PlaceDay, Sequence[Part]], through: date | None, *, known_us: int) -> Plan:
    """Plan a site's sheets. `live`: parts by place and day; `through`: the last day ever posted by decree.
    `known_us`: up to when things are known to have happened (latest sample, `--through`, the run's clock): a rigging
    whose registered `to` lies beyond it has not ended yet.
    """
    seen = _days_by_channel(live)
    sheets: dict[PlaceDay, dict[str, SheetPlan]] = {}
    accounts: dict[tuple[str, str], dict[date, list[tuple[int, str, Geometry]]]] = {}
    held: dict[tuple[str, str, date], bool] = {}
    uses: list[Use] = []
    planner = _Planner(site, live, seen)
    for rigging in site.riggings:
        channel = site.channels[rigging.channel]
        account = (rigging.line, rigging.outboard_end)
        ended = rigging.to_us is not None and rigging.to_us <= known_us
        for day in _days_of(rigging, seen.get(rigging.channel, []), ended=ended):
            plan = planner.sheet(rigging, channel, day, ended=ended)
            sheets.setdefault((channel.place, day), {}).setdefault(plan.key, plan)
            geometry = Geometry(rigging.inboard_m, rigging.wrap_deg, rigging.surface)
            accounts.setdefault(account, {}).setdefault(day, []).append((rigging.from_us, plan.key, geometry))
            uses.append(Use(rigging, day, plan.key))
            postable = ended or _seen_after(seen[rigging.channel], day) or (through is not None and day <= through)
            held[(*account, day)] = held.get((*account, day), True) and postable
    days = {key: planner.day(*key, tuple(sheets.get(key, {}).values())) for key in sorted(live.keys() | sheets.keys())}
    return Plan(
        days,
        {
            account: tuple(
                _account_day(day, found, postable=held[(*account, day)]) for day, found in sorted(by_day.items())
            )
            for account, by_day in accounts.items()
        },
        tuple(uses),
    )


def _account_day(day: date, found: list[tuple[int, str, Geometry]], *, postable: bool) -> AccountDay:
    ordered = sorted(found, key=lambda one: one[:2])
    return AccountDay(day, tuple(key for _, key, _ in ordered), postable, tuple(place for *_, place in ordered))


class _Planner:
    """What a site's plan is worked out from, each digest made once."""

    def __init__(self, site: Site, live: Mapping[PlaceDay, Sequence[Part]], seen: Mapping[str, Sequence[date]]) -> None:
        self._site, self._live, self._seen = site, live, seen
        self._places: dict[str, list[Channel]] = {}
        for channel in site.channels.values():
            self._places.setdefault(channel.place, []).append(channel)
        self._mains = _mains_by_slice(site)
        self._samples: dict[PlaceDay, str] = {}
        self._limits = digest({"limits": site.policy.quality.model_dump(mode="json")})
        self._gauges = [site.policy.zero_check_s, site.policy.loaded_pct]
        self._taken = _taken(site)
        self._full_kn = {channel.channel: reference_kn(site, channel) for channel in site.channels.values()}

    def sheet(self, rigging: Rigging, channel: Channel, day: date, *, ended: bool) -> SheetPlan:
        """The sheet of one rigging's day; a main line and its tail, rigged alike, share it."""
        site, start = self._site, day_start_us(day)
        end_us = rigging.to_us if rigging.to_us is not None else start + DAY_US
        begins, ends = day_of(rigging.from_us) == day, ended and day_of(end_us) == day
        main = rigging if site.lines[rigging.line].part == "main" else self._mains.get(_alike(rigging))
        mbl = None if main is None else limit_base_kn(site, main.line)
        piece = Slice(
            channel=channel.channel,
            place=channel.place,
            day=day,
            from_us=max(rigging.from_us, start),
            to_us=min(end_us, start + DAY_US),
            begins=begins,
            ends=ends,
            share=rigging.share_pct / 100.0,
            level_kn=None if mbl is None else site.policy.peak_load_pct / 100.0 * mbl,
        )
        edge_us = start + DAY_US + EDGE_US
        near_us = (
            max(rigging.from_us, start - EDGE_US),
            edge_us if rigging.to_us is None else min(rigging.to_us, edge_us),
        )
        calibrations = _in_force(site.calibrations_of(channel.channel), *near_us)
        has_payout = any(c.quantity == "payout" for c in self._places[channel.place])
        render_base_kn = mbl if has_payout else None
        pretension_kn = None if main is None else main.pretension_kn
        inputs = {
            "samples": self._samples_of(channel.place, day),
            "rigging": digest([*near_us, piece.from_us, piece.to_us, begins, ends, piece.share, pretension_kn]),
            "calibration": digest([[c.from_us, c.zero_kn, c.gain, c.uncertainty_pct] for c in calibrations]),
            "policy": digest([_policy_of_sheets(site), piece.level_kn, mbl, render_base_kn, self._limits]),
        }
        settings = () if main is None else _settings_in_force(site, channel.place, piece.from_us, piece.to_us)
        if settings:
            inputs["brake"] = digest(settings)
        key = digest([METHOD, channel.model_dump(mode="json"), str(day), inputs])
        return SheetPlan(
            key=key,
            slice=piece,
            rigged_from_us=rigging.from_us,
            rigged_to_us=rigging.to_us,
            calibrations=calibrations,
            limit_kn=mbl,
            render_base_kn=render_base_kn,
            pretension_kn=pretension_kn,
            settings=settings,
            inputs=inputs,
        )

    def day(self, place: str, day: date, sheets: tuple[SheetPlan, ...]) -> DayPlan:
        channels = self._places.get(place, [])
        gauges = tuple(self._gauge(c.channel, day) for c in channels if c.quantity == "tension")
        looked_with = [[gauge.taken, gauge.zeros, gauge.full_kn] for gauge in gauges]
        return DayPlan(
            place=place,
            day=day,
            parts=tuple(self._live.get((place, day), ())),
            before=self._beside(place, day, -1),
            after=self._beside(place, day, 1),
            later=frozenset(c.channel for c in channels if _seen_after(self._seen.get(c.channel, []), day)),
            inputs=digest([METHOD, self._samples_of(place, day), self._limits, self._gauges, looked_with]),
            sheets=sheets,
            gauges=gauges,
        )

    def _gauge(self, channel: str, day: date) -> GaugePlan:
        """When lines lie on a channel, and its zeros, on one day."""
        start = day_start_us(day)
        taken = self._taken.get(channel, [])
        # They do not overlap, so that those that touch the day stand together.
        near = taken[bisect_right(taken, start, key=lambda one: one[1]) :]
        cut = tuple(
            (max(from_us, start), min(to_us, start + DAY_US))
            for from_us, to_us in takewhile(lambda one: one[0] < start + DAY_US, near)
        )
        held = _in_force(self._site.calibrations_of(channel), start, start + DAY_US)
        return GaugePlan(channel, cut, tuple((c.from_us, c.zero_kn) for c in held), self._full_kn[channel])

    def _beside(self, place: str, day: date, days: int) -> tuple[Part, ...]:
        """The parts of the day before (-1) or after (1); none beyond the ends of the calendar."""
        ordinal = day.toordinal() + days
        if not date.min.toordinal() <= ordinal <= date.max.toordinal():
            return ()
        return tuple(self._live.get((place, date.fromordinal(ordinal)), ()))

    def _samples_of(self, place: str, day: date) -> str:
        """Digest of the readings that a place's day is made from: its own, and those near it of its neighbours."""
        found = self._samples.get((place, day))
        if found is None:
            channels = self._places.get(place, [])
            found = self._samples[place, day] = digest(
                [
                    sorted(part.digest for part in self._live.get((place, day), ())),
                    sorted(p.tail_digest for p in self._beside(place, day, -1) if p.tail_digest),
                    sorted(p.head_digest for p in self._beside(place, day, 1) if p.head_digest),
                    sorted(c.channel for c in channels if _seen_after(self._seen.get(c.channel, []), day)),
                    [c.model_dump(mode="json") for c in channels],
                ]
            )
        return found


def _taken(site: Site) -> dict[str, list[tuple[int, int]]]:
    """When any line is registered on each channel, in order, overlaps made one; an open end is far away."""
    by_channel: dict[str, list[tuple[int, int]]] = {}
    for row in site.riggings:
        by_channel.setdefault(row.channel, []).append((row.from_us, FOR_EVER_US if row.to_us is None else row.to_us))
    return {channel: merged(found) for channel, found in by_channel.items()}


def reference_kn(site: Site, channel: Channel) -> float | None:
    """What the policy's percentages of a tension channel are of: the lesser of its full scale, which is its capacity,
    and of what the lines on it may bear.

    On a pin much stronger than any line a percent of its capacity would be a large part of a line's tension. None where
    neither is known.
    """
    bases = [limit_base_kn(site, row.line) for row in site.riggings if row.channel == channel.channel]
    known = [kn for kn in (channel.capacity, max(bases, default=None)) if kn is not None]
    return min(known, default=None)


def limit_base_kn(site: Site, line: str) -> float:
    """What the limits of a line are percent of: ship design MBL; the line's break force where that is unknown [kN]."""
    mbl = site.design_mbl_kn(line)
    return site.break_force_kn(line) if mbl is None else mbl


def digest(value: object) -> str:
    """SHA-256 of the canonical JSON of a value."""
    return hashlib.sha256(canonical_json(value).encode()).hexdigest()


def _policy_of_sheets(site: Site) -> dict[str, object]:
    policy = site.policy
    return {
        name: getattr(policy, name)
        for name in (
            "max_gap_s",
            "render_min_pct",
            "render_rate_m_s",
            "render_join_s",
            "render_min_payout_m",
            "render_window_s",
            "travel_deadband_m",
            "tending_modes",
            "slack_pct",
            "slack_join_s",
            "snap_within_s",
            "snap_pct",
            "snap_rate_pct_per_s",
            "snap_peak_s",
            "bin_observed_pct",
            "sustained_pct",
            "sustained_time_pct",
            "pretension_pct",
            "pretension_loss_pct",
            "loss_from_pct",
            "loss_from_mean_pct",
            "loss_mean_s",
            "loss_fall_s",
            "loss_stay_s",
            "loss_before_s",
        )
    }


def _days_by_channel(live: Mapping[PlaceDay, Sequence[Part]]) -> dict[str, list[date]]:
    """Days on which each channel has a stored reading, ascending."""
    seen: dict[str, set[date]] = {}
    for (_, day), parts in live.items():
        for part in parts:
            for channel in part.channels:
                seen.setdefault(channel, set()).add(day)
    return {channel: sorted(days) for channel, days in seen.items()}


def _seen_after(days: Sequence[date], day: date) -> bool:
    return bisect_right(days, day) < len(days)


def _days_of(rigging: Rigging, seen: Sequence[date], *, ended: bool) -> list[date]:
    """Days on which a rigging has a sheet: those with readings in it, and those on which it begins and ends.

    A rigging without any readings has none: its two points of 0 kN change nothing.
    """
    days = {day for day in seen if touches(rigging, day)}
    if not days:
        return []
    ends = [rigging.from_us] if rigging.to_us is None or not ended else [rigging.from_us, rigging.to_us]
    return sorted(days | {day_of(us) for us in ends})


def touches(rigging: Rigging, day: date) -> bool:
    """Whether a rigging has an instant on a UTC day, its end included."""
    return day_of(rigging.from_us) <= day and (rigging.to_us is None or day <= day_of(rigging.to_us))


def _alike(rigging: Rigging) -> tuple[str, int, int | None, float]:
    return (rigging.channel, rigging.from_us, rigging.to_us, rigging.share_pct)


def _mains_by_slice(site: Site) -> dict[tuple[str, int, int | None, float], Rigging]:
    """The main line's rigging, by what its tail's rigging would have in common with it."""
    return {_alike(r): r for r in site.riggings if site.lines[r.line].part == "main"}


def _settings_in_force(site: Site, place: str, from_us: int, to_us: int) -> tuple[Setting, ...]:
    """From when on, and what, a brake was set to in [from_us, to_us): the setting before it, and those made inside."""
    made = {row.set_on_us for row in site.winches if row.place == place and row.set_on_us is not None}
    found = []
    for at_us in [from_us, *sorted(us for us in made if from_us < us < to_us)]:
        row = site.brake_setting(place, at_us)
        if row is not None:
            found.append((at_us, row.brake_set_kn))
    return tuple(found)


def _in_force(calibrations: Sequence[Calibration], from_us: int, to_us: int) -> tuple[Calibration, ...]:
    """The calibrations that hold anywhere in [from_us, to_us): the last at or before it, and those inside."""
    before = [c for c in calibrations if c.from_us <= from_us]
    return tuple(before[-1:] + [c for c in calibrations if from_us < c.from_us < to_us])
