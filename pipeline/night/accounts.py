"""All accounts of a site brought up to date: states and entries for exactly what changed, and why."""

import hashlib
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.posting import BASIS_WORDS, VANISHED, Desired, post
from pipeline.ledger.rows import AirDay, Entry
from pipeline.ledger.rows import State as Stored
from pipeline.ledger.words import AMBIENT_C
from pipeline.night.account import Account, AccountJob, DayLife, SheetPlace, changed_days, settle_job
from pipeline.night.air import DayAir, air_of_days
from pipeline.night.intake import reprocess_cause
from pipeline.night.plan import PlaceDay, Plan, digest, touches
from pipeline.night.wearing import Carried, Wear, carried_of
from pipeline.site import Site
from pipeline.wear.fatigue import to_decimal
from pipeline.wear.heat import Air
from pipeline.workers import Workers


@dataclass
class Reckoned:
    """Rows for the manifest's states, wear days and entries."""

    states: list[dict[str, Any]] = field(default_factory=list)
    wear_days: list[dict[str, Any]] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)


def reckon_accounts(
    site: Site,
    plan: Plan,
    sheets: Mapping[str, SheetPlace],
    inputs: Mapping[str, Mapping[str, str]],
    air: Mapping[tuple[str, date], AirDay],
    ledger: Ledger,
    workers: Workers,
    *,
    run: int,
    causes: Mapping[PlaceDay, str],
    reprocess: str | None = None,
) -> Reckoned:
    """Fold and price what changed. `sheets`, `inputs`: where the sheet of each planned key lies, and its digests.
    `air`: what the site's thermometers and anemometers read.

    `causes`: why stored rows of a place's day were taken out or read again, in words. `reprocess`: why all of them
    were: it stands in the reason of every entry.
    """
    jobs = _jobs(site, plan, sheets, inputs, air_of_days(air_of(site), air.values()), ledger)
    postings = index.postings(ledger)
    policy_digest = digest(site.policy.model_dump(mode="json", by_alias=True))
    spec_digests = _spec_digests(site)
    out = Reckoned()
    desired: dict[tuple[str, str, date, str], Desired] = {}
    touched: set[tuple[str, str, date]] = set()
    held: set[tuple[str, str, date]] = set()
    for job, lives in zip(jobs, workers.all(settle_job, jobs), strict=True):
        line, zone = job.account
        for life in lives:
            out.states.append(_state_row(line, zone, life))
            out.wear_days.append(_wear_row(line, zone, life))
            touched.add((line, zone, life.day))
            if not life.postable:
                held.add((line, zone, life.day))
            else:
                spec = site.spec_of(line)
                for mechanism, units in life.units.items():
                    if life.observed or units != 0:
                        desired[line, zone, life.day, mechanism] = Desired(
                            to_decimal(units),
                            spec.id,
                            spec_digests[spec.id],
                            policy_digest,
                            life.bases[mechanism],
                            life.sheets,
                        )
        for day in sorted(job.stored.keys() - {d.day for d in job.days}):
            out.states.append(_dropped_row(line, zone, day))
            out.wear_days.append(_dropped_wear(line, zone, day))
            touched.add((line, zone, day))
    live = {key: entry for key, entry in postings.items() if key[:3] in touched}
    out.entries = [_explained(entry, site, causes, held) for entry in post(desired, live, run=run)]
    if reprocess is not None:
        out.entries = [_reprocessed(entry, reprocess_cause(reprocess)) for entry in out.entries]
    return out


def _reprocessed(entry: Entry, cause: str) -> Entry:
    return entry if cause in entry.reason else replace(entry, reason=f"{entry.reason} ({cause})")


def _explained(
    entry: Entry, site: Site, causes: Mapping[PlaceDay, str], held: Collection[tuple[str, str, date]]
) -> Entry:
    """The entry with the cause behind its reason: what was done to rows or riggings, where that is known."""
    rigged = [
        r for r in site.riggings if (r.line, r.outboard_end) == (entry.line, entry.zone) and touches(r, entry.day)
    ]
    places = dict.fromkeys(site.channels[rigging.channel].place for rigging in rigged)
    found = ", ".join(dict.fromkeys(causes[place, entry.day] for place in places if (place, entry.day) in causes))
    if entry.reason == VANISHED:
        if not rigged:
            found = BASIS_WORDS["rigging"]
        elif (entry.line, entry.zone, entry.day) in held:
            found = "it waits for a later sample again"
        return replace(entry, reason=f"{VANISHED}: {found or BASIS_WORDS['samples']}")
    if found:
        return replace(
            entry, reason=entry.reason.replace(BASIS_WORDS["samples"], f"{BASIS_WORDS['samples']} ({found})")
        )
    return entry


def wear_of(site: Site, line: str) -> Wear:
    """What prices a line's sheets now."""
    return Wear(site.break_force_kn(line), site.spec_of(line), air_of(site))


def air_of(site: Site) -> Air:
    """The air that the registers give; still where they give no wind."""
    info = site.info
    return Air(AMBIENT_C if info.ambient_c is None else info.ambient_c, 0.0 if info.wind_m_s is None else info.wind_m_s)


def _jobs(
    site: Site,
    plan: Plan,
    sheets: Mapping[str, SheetPlace],
    inputs: Mapping[str, Mapping[str, str]],
    air: Mapping[date, DayAir],
    ledger: Ledger,
) -> list[AccountJob]:
    """The accounts in which something changed, each with what the ledger holds of it."""
    stored: dict[Account, dict[date, Stored]] = {}
    for (line, zone, day), state in index.states(ledger).items():
        stored.setdefault((line, zone), {})[day] = state
    jobs = []
    for account in sorted(plan.accounts.keys() | stored.keys()):
        days, kept = plan.accounts.get(account, ()), stored.get(account, {})
        # A line that is no longer registered has no days, and nothing to price.
        wear = wear_of(site, account[0]) if account[0] in site.lines else None
        ids = [tuple(sheets[key].sheet for key in day.keys) for day in days]
        changed = set() if wear is None else changed_days(days, ids, kept, wear, air)
        if not changed and not kept.keys() - {day.day for day in days}:
            continue
        begin = min(changed, default=len(days))
        since = days[max(begin - 1, 0)].day if days else date.max
        keys = {key for day in days for key in day.keys}
        jobs.append(
            AccountJob(
                account,
                days,
                kept,
                {key[2]: found for key, found in _residues(ledger, account, kept, since).items()},
                {key[2]: found for key, found in _carried(ledger, account, kept, since).items()},
                wear,
                {day.day: air[day.day] for day in days if day.day in air},
                site.store,
                {key: sheets[key] for key in keys},
                {key: inputs[key] for key in keys},
            )
        )
    return jobs


def _residues(
    ledger: Ledger, account: Account, kept: Collection[date], since: date
) -> dict[tuple[str, str, date], tuple[list[float], list[int]]]:
    return index.residues(ledger, [(*account, day) for day in kept if day >= since])


def _carried(
    ledger: Ledger, account: Account, kept: Collection[date], since: date
) -> dict[tuple[str, str, date], Carried]:
    found = index.carried(ledger, [(*account, day) for day in kept if day >= since])
    return {key: carried_of(stored) for key, stored in found.items()}


def _state_row(line: str, zone: str, life: DayLife) -> dict[str, Any]:
    return {
        "line": line,
        "zone": zone,
        "day": life.day,
        "sheets": list(life.sheets),
        "residue_kn": life.state.residue_kn.tolist(),
        "residue_us": life.state.residue_us.tolist(),
        "life_units": str(life.life_units),
        "basis": life.basis,
        "postable": life.postable,
        "op": "set",
    }


def _dropped_row(line: str, zone: str, day: date) -> dict[str, Any]:
    return {
        "line": line,
        "zone": zone,
        "day": day,
        "sheets": [],
        "residue_kn": [],
        "residue_us": [],
        "life_units": "0",
        "basis": {},
        "postable": False,
        "op": "drop",
    }


def _wear_row(line: str, zone: str, life: DayLife) -> dict[str, Any]:
    worn = life.wear
    low, high, count = worn.cycles
    classes, level_us = worn.levels
    return {
        "line": line,
        "zone": zone,
        "day": life.day,
        "creep_units": None if worn.creep_units is None else str(worn.creep_units),
        "abrasion_units": None if worn.abrasion_units is None else str(worn.abrasion_units),
        "carried": worn.carried.as_json(),
        "facts": worn.facts,
        "cycle_low": low.tolist(),
        "cycle_high": high.tolist(),
        "cycle_count": count.tolist(),
        "level_class": classes.tolist(),
        "level_us": level_us.tolist(),
        "op": "set",
    }


def _dropped_wear(line: str, zone: str, day: date) -> dict[str, Any]:
    lists: dict[str, Any] = {name: [] for name in ("cycle_low", "cycle_high", "cycle_count", "level_class", "level_us")}
    units = {"creep_units": None, "abrasion_units": None}
    return {"line": line, "zone": zone, "day": day, **units, "carried": {}, "facts": {}, **lists, "op": "drop"}


def _spec_digests(site: Site) -> dict[str, str]:
    """SHA-256 of each spec's file, by spec id."""
    return {
        tomllib.loads(data.decode("utf-8-sig"))["id"]: hashlib.sha256(data).hexdigest()
        for path, data in site.archive.items()
        if path.startswith("specs/")
    }
