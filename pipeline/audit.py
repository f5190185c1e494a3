"""Audit: everything recomputed from the stored samples and compared, every file held against its digest.

It trusts only the raw files' names, the manifests' chain and this program; it heals nothing.
"""

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import manifest as manifests
from pipeline.events.plateau import Plateau
from pipeline.events.surge import Surge
from pipeline.events.take_up import Aside
from pipeline.ledger import index
from pipeline.ledger.account import last_site
from pipeline.ledger.checks import ledger_differences, manifest_differences, published_differences
from pipeline.ledger.database import Ledger, open_ledger
from pipeline.ledger.rebuild import rebuild
from pipeline.ledger.removed import removed_files
from pipeline.ledger.rows import AirDay, BerthDay, ChannelDay, Mark, SheetRef, WearDay
from pipeline.lock import hold
from pipeline.manifest import canonical_json
from pipeline.night.account import SheetPlace, settle_account
from pipeline.night.accounts import air_of, wear_of
from pipeline.night.air import DayAir, air_day, air_of_days
from pipeline.night.berth_days import asides_of, berth_days_again, lost_of, plateaus_of, surges_of
from pipeline.night.channel_day import channel_day
from pipeline.night.happenings import event_rows_now, row_of
from pipeline.night.intake import LiveParts
from pipeline.night.look import DayJob
from pipeline.night.marks import MARK_KINDS
from pipeline.night.place_day import reckon_day
from pipeline.night.plan import Plan, make_plan
from pipeline.night.wearing import DayWear
from pipeline.remote import bucket_differences, fetch_manifests
from pipeline.sheets.sheet import Sheet
from pipeline.site import Site, open_site
from pipeline.store.files import digest_of
from pipeline.store.samples import store_part
from pipeline.store.sheets import read_flags, read_sheets
from pipeline.store.strays import strays
from pipeline.wear.fatigue import to_decimal


def audit_site(root: Path) -> list[str]:
    """Every difference found, in words; none when everything agrees exactly. Holds the site's lock."""
    root = root.resolve()
    manifests.refuse_newer(root)
    opened = open_site(root)
    with hold(opened.lock, "audit", heals=False):
        if fetch_manifests(opened.depot):
            manifests.refuse_newer(root)
        found = manifest_differences(root)
        if found or manifests.head(root) is None:
            return found or ["nothing has been committed yet; run `tautlog nightly`"]
        found = [*ledger_differences(root), *published_differences(root)]
        if found:
            return found
        with open_ledger(root) as ledger:
            site = last_site(ledger)
            found += _files(opened, ledger)
            return found or [*_recomputed(site, ledger)]


def rebuild_site(root: Path) -> list[str]:
    """Make the ledger anew from the manifests; how the old one differed. Holds the site's lock."""
    root = root.resolve()
    manifests.refuse_newer(root)
    opened = open_site(root)
    with hold(opened.lock, "rebuild", heals=False):
        if fetch_manifests(opened.depot):
            manifests.refuse_newer(root)
        return list(rebuild(root).differences)


def _files(site: Site, ledger: Ledger) -> list[str]:
    """Raw files, quarantine and store against their digests; files that no manifest names.

    Of a site in an object store every object too, those of the manifests among them; the folder may lack any.
    """
    files, removed = index.named_files(ledger), removed_files(ledger)
    cache = site.depot.url is not None
    there = {name: digest for name, digest in files.items() if name not in removed or (site.root / name).exists()}
    found = [text for name, digest in there.items() for text in _altered(site.root / name, digest, cache=cache)]
    stray = strays((site.raw, site.store, site.quarantine), {site.root / name for name in files})
    found += [f"{path.relative_to(site.root)}: no manifest names it" for path in stray]
    kept = {name: digest for name, digest in files.items() if name not in removed}
    for manifest in manifests.chain(site.root) if cache else ():
        kept |= manifests.named_files(manifest)
    return found + bucket_differences(site.depot, kept)


def _altered(path: Path, digest: str, *, cache: bool) -> list[str]:
    if not path.is_file():
        return [] if cache else [f"{path.parent.name}/{path.name}: missing"]
    return [] if digest_of(path) == digest else [f"{path.parent.name}/{path.name}: altered"]


def _recomputed(site: Site, ledger: Ledger) -> Iterator[str]:
    """Sheets, flags, states, postings and events, all made again from the samples."""
    live = LiveParts(store_part(part) for part in index.parts(ledger))
    plan = make_plan(site, live.days(), index.latest_through(ledger), known_us=index.known_us(ledger))
    refs = {str(ref.inputs["key"]): ref for ref in index.sheets(ledger)}
    wanted = {sheet.key for day in plan.days.values() for sheet in day.sheets}
    unmade = sum(1 for key in wanted if key not in refs)
    if unmade:
        yield f"{unmade} sheets have not been made yet, or not by this version of the program; run `tautlog nightly`"
        return
    yield from (f"sheet {refs[key].sheet} is live, but nothing asks for it" for key in sorted(refs.keys() - wanted))
    by_name = {ref.sheet: ref for ref in refs.values()}
    again: dict[str, Sheet] = {}
    marks: dict[str, list[Mark]] = {}
    air: dict[tuple[str, date], AirDay] = {}
    shown: dict[tuple[str, date], ChannelDay] = {}
    for (place, day), day_plan in plan.days.items():
        sheets = tuple((refs[sheet.key].sheet, sheet) for sheet in day_plan.sheets)
        channels = tuple(c for c in site.channels.values() if c.place == place)
        made = reckon_day(DayJob(site.store, "", day_plan, channels, site.policy, sheets))
        air |= {(row["channel"], row["day"]): air_day(row) for row in made.air}
        shown |= {(row["channel"], row["day"]): channel_day(row) for row in made.channels}
        yield from _flag_differences(site, ledger, place, day, made.flag_rows)
        for name, sheet in made.sheets.items():
            kept = read_sheets(site.store, by_name[name].path, [name], trace=True)[name]
            yield from _sheet_differences(by_name[name], kept, sheet)
            again[name] = sheet.untraced()  # the traces of years would fill the memory
        for row in made.marks:
            mark = Mark(row["sheet"], "", place, day, 0, 0, row["kind"], row["payload"])
            marks.setdefault(row["sheet"], []).append(mark)
    sheet_id = {key: ref.sheet for key, ref in refs.items()}
    yield from _mark_differences(ledger, marks)
    kept_air = index.air_days(ledger)
    odd = sorted(key for key in air.keys() | kept_air.keys() if air.get(key) != kept_air.get(key))
    yield from (f"air of {channel} on {day} comes out otherwise" for channel, day in odd)
    kept_shown = index.channel_days(ledger)
    odd = sorted(key for key in shown.keys() | kept_shown.keys() if shown.get(key) != kept_shown.get(key))
    yield from (f"what {channel} showed of itself on {day} comes out otherwise" for channel, day in odd)
    yield from _account_differences(site, ledger, plan, sheet_id, again, air_of_days(air_of(site), air.values()))
    places = {key: SheetPlace(ref.sheet, ref.path) for key, ref in refs.items()}
    berth = berth_days_again(site, plan, places, lost_of(mark for found in marks.values() for mark in found))
    yield from _berth_differences(index.berth_days(ledger), berth)
    yield from _event_differences(
        site,
        ledger,
        plan,
        sheet_id,
        marks,
        surges_of(berth.values()),
        plateaus_of(berth.values()),
        asides_of(berth.values()),
    )


def _flag_differences(site: Site, ledger: Ledger, place: str, day: date, rows: list[dict[str, Any]]) -> Iterator[str]:
    file = index.flags(ledger, [(place, day)]).get((place, day))
    if file is None:
        yield f"flags of {place} on {day} are missing"
    elif [*map(_flag_key, read_flags(site.store, file.path))] != [*map(_flag_key, rows)]:
        yield f"flags of {place} on {day} come out otherwise"


def _flag_key(row: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(row[name] for name in ("channel", "first", "last", "samples", "flag", "checks"))


def _sheet_differences(ref: SheetRef, kept: Sheet, again: Sheet) -> Iterator[str]:
    for field in kept.__dataclass_fields__:
        a, b = getattr(kept, field), getattr(again, field)
        same = np.array_equal(a, b) if isinstance(a, np.ndarray) else a == b
        if not same:
            yield f"sheet {ref.sheet}: {field} comes out otherwise"
    if (ref.cycles, ref.observed_us) != (int(again.count.sum()), again.observed_us):
        yield f"sheet {ref.sheet}: the ledger's count of its cycles, or its coverage, comes out otherwise"


def _mark_differences(ledger: Ledger, again: Mapping[str, list[Mark]]) -> Iterator[str]:
    """What the sheets handed to the events, against what they hand now."""
    kept: dict[tuple[str, str], list[str]] = {}
    for mark in index.marks(ledger, *MARK_KINDS):
        kept.setdefault((mark.kind, mark.sheet), []).append(_text(mark.payload))
    made: dict[tuple[str, str], list[str]] = {}
    for sheet, found in again.items():
        for mark in found:
            made.setdefault((mark.kind, sheet), []).append(_text(mark.payload))
    odd = sorted(key for key in kept.keys() | made.keys() if kept.get(key) != made.get(key))
    yield from (f"sheet {sheet}: its marks of kind {kind} come out otherwise" for kind, sheet in odd)


def _account_differences(
    site: Site,
    ledger: Ledger,
    plan: Plan,
    sheet_id: Mapping[str, str],
    sheets: Mapping[str, Sheet],
    air: Mapping[date, DayAir],
) -> Iterator[str]:
    """States and live postings against a fold of everything from the first day."""
    states = index.states(ledger)
    residues = index.residues(ledger, list(states))
    worn = index.wear_days(ledger)
    postings = {key: entry.life for key, entry in index.postings(ledger).items()}
    inputs = {sheet.key: sheet.inputs for day in plan.days.values() for sheet in day.sheets}
    seen, posted = set(), set()
    for (line, zone), days in plan.accounts.items():
        lives = settle_account(
            days,
            {},
            wear=wear_of(site, line),
            air=air,
            sheet_id=sheet_id,
            inputs=inputs,
            load=lambda ids: [sheets[name] for name in ids],
            left_after=lambda day: None,
        )
        for life in lives:
            key = (line, zone, life.day)
            seen.add(key)
            kept = states.get(key)
            if kept is None or kept.life_units != life.life_units:
                yield f"state of {line}, zone {zone}, {life.day}: life comes out otherwise"
            elif residues[key] != (life.state.residue_kn.tolist(), life.state.residue_us.tolist()):
                yield f"state of {line}, zone {zone}, {life.day}: residue comes out otherwise"
            if key not in worn or not _same_wear(worn[key], life.wear):
                yield f"wear of {line}, zone {zone}, {life.day}: comes out otherwise"
            for mechanism, units in life.units.items() if life.postable else ():
                if life.observed or units != 0:
                    posted.add((*key, mechanism))
                    if postings.get((*key, mechanism)) != to_decimal(units):
                        yield f"posting of {line}, zone {zone}, {life.day}, {mechanism}: life comes out otherwise"
    yield from (f"wear of {', '.join(map(str, key))} rests on nothing" for key in sorted(worn.keys() - seen))
    yield from (f"state of {', '.join(map(str, key))} rests on nothing" for key in sorted(states.keys() - seen))
    yield from (f"posting of {', '.join(map(str, key))} rests on nothing" for key in sorted(postings.keys() - posted))


def _same_wear(kept: WearDay, again: DayWear) -> bool:
    return (
        (kept.creep_units, kept.abrasion_units) == (again.creep_units, again.abrasion_units)
        and _text(kept.carried) == _text(again.carried.as_json())
        and _text(kept.facts) == _text(again.facts)
        and [kept.cycle_low, kept.cycle_high, kept.cycle_count] == [column.tolist() for column in again.cycles]
        and [kept.level_class, kept.level_us] == [column.tolist() for column in again.levels]
    )


def _berth_differences(kept: Mapping[date, BerthDay], again: Mapping[date, BerthDay]) -> Iterator[str]:
    """Berth days, made again from traces that were just found to be those of the samples."""
    for day in sorted(kept.keys() | again.keys()):
        if day not in kept:
            yield f"berth day {day} has not been made yet; run `tautlog nightly`"
        elif day not in again:
            yield f"berth day {day} rests on nothing"
        elif _berth_text(kept[day]) != _berth_text(again[day]):
            yield f"berth day {day} comes out otherwise"


def _berth_text(day: BerthDay) -> str:
    return _text({**asdict(day), "day": day.day.isoformat()})


def _event_differences(
    site: Site,
    ledger: Ledger,
    plan: Plan,
    sheet_id: Mapping[str, str],
    marks: Mapping[str, list[Mark]],
    surges: list[Surge],
    plateaus: list[Plateau],
    asides: list[Aside],
) -> Iterator[str]:
    again = {row["event"]: row for row in event_rows_now(site, plan, sheet_id, marks, surges, plateaus, asides)}
    kept = {name: row_of(event) for name, event in index.events(ledger).items()}
    for name in sorted(again.keys() | kept.keys()):
        if name not in kept or name not in again or _text(kept[name]) != _text(again[name]):
            yield f"event {name} comes out otherwise"


def _text(row: Mapping[str, Any]) -> str:
    return canonical_json(row)
