"""From sheets to life, line by line: the fold rerun from the first day that changed, and no further than it must."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipeline.ledger.rows import State as Stored
from pipeline.night.plan import AccountDay, digest
from pipeline.sheets.fold import EMPTY, State, fold
from pipeline.sheets.sheet import Sheet
from pipeline.store.depot import Depot
from pipeline.store.sheets import read_sheets
from pipeline.wear.fatigue import life_units
from schemas.registers import FatigueCurve

Account = tuple[str, str]
"""A line and a zone."""


@dataclass(frozen=True)
class SheetPlace:
    """A sheet's id and the file (below `store/`) it lies in."""

    sheet: str
    path: str


@dataclass(frozen=True)
class Wear:
    """What prices a line's cycles: its break force [kN] and its spec's curve; `digest` changes when they do."""

    break_force_kn: float
    curve: FatigueCurve

    @property
    def digest(self) -> str:
        """Digest of all that decides the life used by given cycles. The factor on life is applied when shown."""
        return digest([self.break_force_kn, self.curve.a, self.curve.b, self.curve.m])


@dataclass(frozen=True)
class DayLife:
    """One day of a line's zone after the fold: what it took, and what stays open. `sheets`: ids, in time order."""

    day: date
    sheets: tuple[str, ...]
    state: State
    life_units: int
    observed: bool
    basis: Mapping[str, str]
    postable: bool


@dataclass(frozen=True)
class AccountJob:
    """An account in which something changed, with what a worker needs of the ledger and the store to bring it up to
    date: `residues` from the day before the first change on, `sheets` by planned key.
    """

    account: Account
    days: Sequence[AccountDay]
    stored: Mapping[date, Stored]
    residues: Mapping[date, tuple[list[float], list[int]]]
    wear: Wear | None
    store: Depot
    sheets: Mapping[str, SheetPlace]
    inputs: Mapping[str, Mapping[str, str]]


def settle_job(job: AccountJob) -> list[DayLife]:
    """Bring one account up to date: a worker's job. Reads sheets, writes nothing."""
    if job.wear is None:
        return []
    files = {place.sheet: place.path for place in job.sheets.values()}

    def load(sheets: Sequence[str]) -> list[Sheet]:
        return [read_sheets(job.store, files[sheet], [sheet])[sheet] for sheet in sheets]

    def residue_after(day: date) -> State | None:
        found = job.residues.get(day)
        return None if found is None else State(np.array(found[0], np.float64), np.array(found[1], np.int64))

    return settle_account(
        job.days,
        job.stored,
        wear=job.wear,
        sheet_id={key: place.sheet for key, place in job.sheets.items()},
        inputs=job.inputs,
        load=load,
        residue_after=residue_after,
    )


def settle_account(
    days: Sequence[AccountDay],
    stored: Mapping[date, Stored],
    *,
    wear: Wear,
    sheet_id: Mapping[str, str],
    inputs: Mapping[str, Mapping[str, str]],
    load: Callable[[Sequence[str]], Sequence[Sheet]],
    residue_after: Callable[[date], State | None],
) -> list[DayLife]:
    """Days of one line and zone whose sheets, carried state or price changed, refolded in order of time.

    `days`: what should be; `stored`: the states there are, by day. `sheet_id`: of each planned key; `inputs`:
    the digests of what made it. `load` reads sheets by id; `residue_after` the stored state after a day, if any.
    Stops at the first day, not before the last change, whose state comes out as it was stored.
    """
    wanted = [tuple(sheet_id[key] for key in day.keys) for day in days]
    changed = changed_days(days, wanted, stored, wear)
    if not changed:
        return []
    begin = min(changed)
    state = EMPTY if begin == 0 else residue_after(days[begin - 1].day) or EMPTY
    out: list[DayLife] = []
    for i in range(begin, len(days)):
        life = _day_life(days[i], wanted[i], state, load(wanted[i]), wear, inputs)
        out.append(life)
        state = life.state
        if i >= max(changed) and _equal(state, residue_after(days[i].day)):
            break
    return out


def changed_days(
    days: Sequence[AccountDay], wanted: Sequence[tuple[str, ...]], stored: Mapping[date, Stored], wear: Wear
) -> set[int]:
    """Indices of the days whose sheets (`wanted`: ids), price or standing differ from what is stored."""
    changed = {
        i
        for i, (day, ids) in enumerate(zip(days, wanted, strict=True))
        if (kept := stored.get(day.day)) is None
        or tuple(kept.sheets) != ids
        or kept.basis.get("spec") != wear.digest
        or kept.postable != day.postable
    }
    # Where a day is no longer, the next one is joined to another state than before.
    for gone in stored.keys() - {day.day for day in days}:
        changed.update([i for i, day in enumerate(days) if day.day > gone][:1])
    return changed


def _day_life(
    day: AccountDay,
    ids: tuple[str, ...],
    before: State,
    sheets: Sequence[Sheet],
    wear: Wear,
    inputs: Mapping[str, Mapping[str, str]],
) -> DayLife:
    """Join a day's sheets to what was open before it, and price every cycle that closed on it."""
    state, units, observed = before, 0, False
    for sheet in sheets:
        folded = fold(state, sheet)
        state = folded.state
        for closed in (sheet, folded):
            units += life_units(
                closed.low_kn,
                closed.high_kn,
                closed.count,
                break_force_kn=wear.break_force_kn,
                curve=wear.curve,
            )
        observed = observed or sheet.observed_us > 0 or sheet.count.size > 0
    return DayLife(day.day, ids, state, units, observed, _basis(day, inputs, before, wear), day.postable)


def _basis(day: AccountDay, inputs: Mapping[str, Mapping[str, str]], before: State, wear: Wear) -> dict[str, str]:
    """Digests, by kind, of all that a day's life rests on."""
    kinds = ("samples", "rigging", "calibration", "policy")
    basis = {kind: digest([inputs[key][kind] for key in day.keys]) for kind in kinds}
    basis["carried"] = digest([kn.hex() for kn in before.residue_kn.tolist()])
    basis["spec"] = wear.digest
    return basis


def _equal(a: State, b: State | None) -> bool:
    return b is not None and np.array_equal(a.residue_kn, b.residue_kn) and np.array_equal(a.residue_us, b.residue_us)
