"""Events of lines, made from the marks that their sheets left, whatever days they lie on.

`pipeline.night.kinds` has the table of kinds: each makes happenings of its marks; here they are gated by the phase of
their call, and become rows.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.events.calls import ALL_FAST, Call, Fast, calls, fast_of
from pipeline.events.ids import event_id
from pipeline.events.plateau import Plateau
from pipeline.events.surge import Surge
from pipeline.events.take_up import Aside
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import Event, Mark
from pipeline.manifest import canonical_json
from pipeline.night.braking import OF_BRAKES
from pipeline.night.kinds import KINDS, Asides, Happening, Kind, Rigged, Rope, Top, rigged_at
from pipeline.night.marks import MARK_KINDS
from pipeline.night.place_days import MadeDays
from pipeline.night.plan import Plan, limit_base_kn
from pipeline.night.surging import surge_rows
from pipeline.site import Site
from schemas.registers import Rigging

OF_MBL, OF_BREAK_FORCE = "ship design MBL", "break force"


def event_rows(
    site: Site,
    plan: Plan,
    made: MadeDays,
    ledger: Ledger,
    surges: Sequence[Surge] = (),
    plateaus: Sequence[Plateau] = (),
    asides: Sequence[Aside] = (),
) -> list[dict[str, Any]]:
    """Rows that add the events that are new or changed, and supersede those that are no longer so.

    `surges`, `plateaus`, `asides`: marks of all berth days that stand after this run.
    """
    sheet_of = {key: place.sheet for key, place in made.places.items()}
    now = event_rows_now(site, plan, sheet_of, _marks(ledger, made), surges, plateaus, asides)
    found = {row["event"]: row for row in now}
    live = index.events(ledger)
    rows = [
        {**row, "op": "add", "reason": "" if name not in live else "changed by late or corrected samples or registers"}
        for name, row in found.items()
        if name not in live or not _same(row, live[name])
    ]
    rows += [
        {**row_of(old), "op": "supersede", "reason": "no longer so after late or corrected samples or registers"}
        for name, old in live.items()
        if name not in found
    ]
    return rows


def event_rows_now(
    site: Site,
    plan: Plan,
    sheet_of: Mapping[str, str],
    marks: Mapping[str, Sequence[Mark]],
    surges: Sequence[Surge] = (),
    plateaus: Sequence[Plateau] = (),
    asides: Sequence[Aside] = (),
) -> list[dict[str, Any]]:
    """All events of a site as they should be. `sheet_of`: the sheet of each planned key; `marks`: by sheet;
    `surges`, `plateaus`, `asides`: those of berth days.
    """
    told = {(one.channel, one.line, one.unloaded_us): one for one in asides}
    mains = rigged_mains(site, plan, sheet_of, marks)
    single = [row for line, riggings in mains.items() for row in events_of(site, line, riggings, told, plateaus)]
    return single + surge_rows(site, surges)


def events_of(
    site: Site, line: str, riggings: Sequence[Rigged], asides: Asides, plateaus: Sequence[Plateau] = ()
) -> list[dict[str, Any]]:
    """Rows of the events table for one main line; a tail shares its main line's events."""
    by_channel: dict[str, list[Rigged]] = {}
    for rigged in riggings:
        by_channel.setdefault(rigged.rigging.channel, []).append(rigged)
    return [
        _row(line, channel, kind, event, site, found)
        for channel, found in sorted(by_channel.items())
        for cut in [[one for one in plateaus if (one.line, one.channel) == (line, channel)]]
        for kind in (*KINDS, *OF_BRAKES)
        for event in kind.found(Rope(site, line, channel, found, cut, asides))
        if kind.always or event.phase == ALL_FAST
    ]


def _marks(ledger: Ledger, made: MadeDays) -> dict[str, list[Mark]]:
    """Marks of the sheets that stand after this run, by sheet: the ledger's, and those just made."""
    marks: dict[str, list[Mark]] = {}
    for mark in index.marks(ledger, *MARK_KINDS):
        marks.setdefault(mark.sheet, []).append(mark)
    for mark in made.new_marks():
        marks.setdefault(mark.sheet, []).append(mark)
    return marks


def rigged_mains(
    site: Site, plan: Plan, sheet_of: Mapping[str, str], marks: Mapping[str, Sequence[Mark]]
) -> dict[str, list[Rigged]]:
    """Every main line's riggings, each with the marks of all its sheets and when all lines of its call were fast."""
    by_rigging: dict[Rigging, list[Mark]] = {}
    for use in plan.uses:
        if site.lines[use.rigging.line].part == "main":
            by_rigging.setdefault(use.rigging, []).extend(marks.get(sheet_of[use.key], ()))
    fast = _fast_by_ship(site)
    mains: dict[str, list[Rigged]] = {}
    for rigging, found in by_rigging.items():
        (own,) = (one for call, one in fast[site.lines[rigging.line].ship] if call.has(rigging))
        rigged = Rigged(rigging, found, own, site.policy, limit_base_kn(site, rigging.line))
        mains.setdefault(rigging.line, []).append(rigged)
    return mains


def _fast_by_ship(site: Site) -> dict[str, list[tuple[Call, Fast]]]:
    """Every call that the register knows, by ship, with when all its lines are fast."""
    ship_of = {name: row.ship for name, row in site.lines.items()}
    found: dict[str, list[tuple[Call, Fast]]] = {}
    for call in calls(site.riggings, ship_of):
        fast = fast_of(call, site.riggings, ship_of, gap_h=site.policy.mooring_gap_h)
        found.setdefault(call.ship, []).append((call, fast))
    return found


def _same(row: Mapping[str, Any], live: Event) -> bool:
    now = {**row, "payload": canonical_json(row["payload"])}
    return now == {**row_of(live), "payload": canonical_json(dict(live.payload))}


def row_of(event: Event) -> dict[str, Any]:
    """The columns of a live event, as `events_of` makes them."""
    return {
        "event": event.event,
        "kind": event.kind,
        "line": event.line,
        "channel": event.channel,
        "place": event.place,
        "from_us": event.from_us,
        "to_us": event.to_us,
        "peak_kn": event.peak_kn,
        "peak_us": event.peak_us,
        "peak_pct": event.peak_pct,
        "payload": dict(event.payload),
    }


def _row(
    line: str, channel: str, kind: Kind, event: Happening, site: Site, riggings: Sequence[Rigged]
) -> dict[str, Any]:
    return {
        "event": event_id(kind.name, line, event.from_us),
        "kind": kind.name,
        "line": line,
        "channel": channel,
        "place": site.channels[channel].place,
        "from_us": event.from_us,
        "to_us": event.to_us,
        "peak_kn": event.peak.kn,
        "peak_us": event.peak.at_us,
        "peak_pct": event.peak.kn / limit_base_kn(site, line) * 100.0,
        "payload": {
            "peak_pct_of": OF_BREAK_FORCE if site.design_mbl_kn(line) is None else OF_MBL,
            "peak_at_least": event.peak.at_least,
            "phase": event.phase,
            "severity": event.severity,
            **event.figures,
            "tails": _tails(site, channel, riggings, event.peak),
        },
    }


def _tails(site: Site, channel: str, riggings: Sequence[Rigged], peak: Top) -> list[dict[str, Any]]:
    """Tails rigged with the main line at the peak: each with the peak as percent of its own break force."""
    share_pct = next((r.rigging.share_pct for r in riggings if r.holds(peak.at_us)), riggings[0].rigging.share_pct)
    return [
        {
            "line": tail.line,
            "peak_pct": peak.kn * (tail.share_pct / share_pct) / site.break_force_kn(tail.line) * 100.0,
            "peak_pct_of": OF_BREAK_FORCE,
        }
        for tail in site.riggings
        if tail.channel == channel and site.lines[tail.line].part == "tail" and rigged_at(tail, peak.at_us)
    ]
