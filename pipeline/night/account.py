"""From sheets to life, line by line: the fold rerun from the first day that changed, and no further than it must."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipeline.ledger.rows import State as Stored
from pipeline.night.air import DayAir
from pipeline.night.plan import AccountDay, digest
from pipeline.night.wearing import NOTHING_CARRIED, Carried, DayWear, Wear, wear_day
from pipeline.sheets.fold import EMPTY, State, fold
from pipeline.sheets.sheet import Felt
from pipeline.store.depot import Depot
from pipeline.store.sheets import read_felt
from pipeline.wear.fatigue import life_units

Account = tuple[str, str]
"""A line and a zone."""


@dataclass(frozen=True)
class SheetPlace:
    """A sheet's id and the file (below `store/`) it lies in."""

    sheet: str
    path: str


@dataclass(frozen=True)
class DayLife:
    """One day of a line's zone after the fold: what it took, and what stays open. `sheets`: ids, in time order.

    `life_units`: fatigue; the other mechanisms are in `wear`. `basis`: of the state; `bases`: of each mechanism.
    """

    day: date
    sheets: tuple[str, ...]
    state: State
    life_units: int
    wear: DayWear
    observed: bool
    basis: Mapping[str, str]
    bases: Mapping[str, Mapping[str, str]]
    postable: bool

    @property
    def units(self) -> dict[str, int]:
        """Life by mechanism in units of 2^-100; only of those that are reckoned."""
        found = {"fatigue": self.life_units, "creep": self.wear.creep_units, "abrasion": self.wear.abrasion_units}
        return {name: units for name, units in found.items() if units is not None}


@dataclass(frozen=True)
class Left:
    """All that a day leaves to the next: open turning points, rope temperature, open swing."""

    residue: State
    carried: Carried


NOTHING_LEFT = Left(EMPTY, NOTHING_CARRIED)


@dataclass(frozen=True)
class AccountJob:
    """An account in which something changed, with what a worker needs of the ledger and the store to bring it up to
    date: `residues` and `carried` from the day before the first change on, `sheets` by planned key.
    """

    account: Account
    days: Sequence[AccountDay]
    stored: Mapping[date, Stored]
    residues: Mapping[date, tuple[list[float], list[int]]]
    carried: Mapping[date, Carried]
    wear: Wear | None
    air: Mapping[date, DayAir]
    store: Depot
    sheets: Mapping[str, SheetPlace]
    inputs: Mapping[str, Mapping[str, str]]


def settle_job(job: AccountJob) -> list[DayLife]:
    """Bring one account up to date: a worker's job. Reads sheets, writes nothing."""
    if job.wear is None:
        return []
    files = {place.sheet: place.path for place in job.sheets.values()}

    def load(sheets: Sequence[str]) -> list[Felt]:
        return [read_felt(job.store, files[sheet], [sheet])[sheet] for sheet in sheets]

    def left_after(day: date) -> Left | None:
        found, carried = job.residues.get(day), job.carried.get(day)
        if found is None or carried is None:
            return None
        return Left(State(np.array(found[0], np.float64), np.array(found[1], np.int64)), carried)

    return settle_account(
        job.days,
        job.stored,
        wear=job.wear,
        air=job.air,
        sheet_id={key: place.sheet for key, place in job.sheets.items()},
        inputs=job.inputs,
        load=load,
        left_after=left_after,
    )


def settle_account(
    days: Sequence[AccountDay],
    stored: Mapping[date, Stored],
    *,
    wear: Wear,
    air: Mapping[date, DayAir],
    sheet_id: Mapping[str, str],
    inputs: Mapping[str, Mapping[str, str]],
    load: Callable[[Sequence[str]], Sequence[Felt]],
    left_after: Callable[[date], Left | None],
) -> list[DayLife]:
    """Days of one line and zone whose sheets, carried state or price changed, refolded in order of time.

    `days`: what should be; `stored`: the states there are, by day. `sheet_id`: of each planned key; `inputs`:
    the digests of what made it. `load` reads sheets by id; `left_after` tells what a day has left, as stored.
    Stops at the first day, not before the last change, whose state comes out as it was stored.
    """
    wanted = [tuple(sheet_id[key] for key in day.keys) for day in days]
    changed = changed_days(days, wanted, stored, wear, air)
    if not changed:
        return []
    begin = min(changed)
    left = NOTHING_LEFT if begin == 0 else left_after(days[begin - 1].day)
    if left is None:
        # Stored by a release that did not carry all of it: from the first day on.
        begin, left = 0, NOTHING_LEFT
    out: list[DayLife] = []
    for i in range(begin, len(days)):
        life = _day_life(days[i], wanted[i], left, load(wanted[i]), wear, air.get(days[i].day), inputs)
        out.append(life)
        left = Left(life.state, life.wear.carried)
        if i >= max(changed) and _equal(left, left_after(days[i].day)):
            break
    return out


def changed_days(
    days: Sequence[AccountDay],
    wanted: Sequence[tuple[str, ...]],
    stored: Mapping[date, Stored],
    wear: Wear,
    air: Mapping[date, DayAir],
) -> set[int]:
    """Indices of the days whose sheets (`wanted`: ids), price or standing differ from what is stored."""
    changed = {
        i
        for i, (day, ids) in enumerate(zip(days, wanted, strict=True))
        if (kept := stored.get(day.day)) is None
        or tuple(kept.sheets) != ids
        or kept.basis.get("wear") != wear.digest
        or kept.basis.get("contact") != _contact(day)
        or kept.basis.get("air") != _air(air.get(day.day))
        or kept.postable != day.postable
    }
    # Where a day is no longer, the next one is joined to another state than before.
    for gone in stored.keys() - {day.day for day in days}:
        changed.update([i for i, day in enumerate(days) if day.day > gone][:1])
    return changed


def _day_life(
    day: AccountDay,
    ids: tuple[str, ...],
    before: Left,
    sheets: Sequence[Felt],
    wear: Wear,
    air: DayAir | None,
    inputs: Mapping[str, Mapping[str, str]],
) -> DayLife:
    """Join a day's sheets to what was open before it, and price every cycle that closed on it, and all else it felt."""
    state, units, observed = before.residue, 0, False
    closed = []
    for sheet in sheets:
        folded = fold(state, sheet)
        state = folded.state
        closed += [(c.low_kn, c.high_kn, c.count) for c in (sheet, folded)]
        observed = observed or int(sheet.level_us.sum()) > 0 or sheet.count.size > 0
    for low_kn, high_kn, count in closed:
        units += life_units(low_kn, high_kn, count, break_force_kn=wear.break_force_kn, curve=wear.spec.fatigue)
    worn = wear_day(before.carried, sheets, day.geometry, closed, wear, air)
    bases = _bases(day, inputs, before, wear, air)
    basis = {**bases["fatigue"], "wear": wear.digest, "contact": _contact(day), "air": _air(air)}
    return DayLife(day.day, ids, state, units, worn, observed, basis, bases, day.postable)


def _bases(
    day: AccountDay, inputs: Mapping[str, Mapping[str, str]], before: Left, wear: Wear, air: DayAir | None
) -> dict[str, dict[str, str]]:
    """Digests, by kind, of all that a day's life rests on, for each mechanism."""
    kinds = ("samples", "rigging", "calibration", "policy")
    common = {kind: digest([inputs[key][kind] for key in day.keys]) for kind in kinds}
    residue = digest([kn.hex() for kn in before.residue.residue_kn.tolist()])
    carried = digest(before.carried.as_json())
    spec = wear.digests
    return {
        "fatigue": {**common, "carried": residue, "spec": spec["fatigue"]},
        "creep": {**common, "carried": carried, "spec": spec["creep"], "air": _air(air)},
        "abrasion": {**common, "carried": carried, "spec": spec["abrasion"], "contact": _contact(day)},
    }


def _air(air: DayAir | None) -> str:
    return "registers" if air is None else air.digest


def _contact(day: AccountDay) -> str:
    return digest([[place.inboard_m, place.wrap_deg, place.surface] for place in day.geometry])


def _equal(a: Left, b: Left | None) -> bool:
    return (
        b is not None
        and a.carried == b.carried
        and np.array_equal(a.residue.residue_kn, b.residue.residue_kn)
        and np.array_equal(a.residue.residue_us, b.residue.residue_us)
    )
