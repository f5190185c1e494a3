"""Events of lines, made from the marks that their sheets left: peak loads and rendered brakes."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.events import brake_render, peak_load
from pipeline.events.brake_render import Peak, SlipRun
from pipeline.events.ids import event_id
from pipeline.events.surge import Surge
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import Event, Mark
from pipeline.manifest import canonical_json
from pipeline.night.place_days import MadeDays
from pipeline.night.plan import Plan, limit_base_kn
from pipeline.night.surging import surge_rows
from pipeline.sheets.sheet import Excursion
from pipeline.site import Site
from schemas.registers import Rigging
from schemas.times import us_to_rfc3339

OF_MBL, OF_BREAK_FORCE = "ship design MBL", "break force"


@dataclass(frozen=True)
class Rigged:
    """A rigging, and the marks of its sheets of all days."""

    rigging: Rigging
    marks: Sequence[Mark]


def event_rows(
    site: Site, plan: Plan, made: MadeDays, ledger: Ledger, surges: Sequence[Surge] = ()
) -> list[dict[str, Any]]:
    """Rows that add the events that are new or changed, and supersede those that are no longer so.

    `surges`: marks of all berth days that stand after this run.
    """
    sheet_of = {key: place.sheet for key, place in made.places.items()}
    found = {row["event"]: row for row in event_rows_now(site, plan, sheet_of, _marks(ledger, made), surges)}
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
) -> list[dict[str, Any]]:
    """All events of a site as they should be. `sheet_of`: the sheet of each planned key; `marks`: by sheet;
    `surges`: those of berth days.
    """
    mains = _rigged_mains(site, plan, sheet_of, marks)
    single = [row for line, riggings in mains.items() for row in events_of(site, line, riggings)]
    return single + surge_rows(site, surges)


def events_of(site: Site, line: str, riggings: Sequence[Rigged]) -> list[dict[str, Any]]:
    """Rows of the events table for one main line; a tail shares its main line's events."""
    by_channel: dict[str, list[Rigged]] = {}
    for rigged in riggings:
        by_channel.setdefault(rigged.rigging.channel, []).append(rigged)
    events: list[dict[str, Any]] = []
    for channel, found in sorted(by_channel.items()):
        events += _peak_loads(site, line, channel, found)
        events += _brake_renders(site, line, channel, found)
    return events


def _peak_loads(site: Site, line: str, channel: str, riggings: Sequence[Rigged]) -> Iterator[dict[str, Any]]:
    excursions = [
        excursion
        for rigged in riggings
        for excursion in peak_load.whole(
            [_piece(mark.payload) for mark in _of_kind("excursion", [rigged])], max_gap_s=site.policy.max_gap_s
        )
    ]
    for event in peak_load.cluster(excursions, cluster_gap_s=site.policy.cluster_gap_s):
        peak = Peak(event.peak_us, event.peak_kn, event.at_least)
        extra = {
            "level_pct": site.policy.peak_load_pct,
            "excursions": event.excursions,
            "tails": _tails(site, channel, riggings, peak),
        }
        yield _row(site, line, channel, peak_load.KIND, event.first_us, event.last_us, peak, extra)


def _brake_renders(site: Site, line: str, channel: str, riggings: Sequence[Rigged]) -> Iterator[dict[str, Any]]:
    runs = [SlipRun.from_payload(mark.payload) for mark in _of_kind("slip", riggings)]
    policy = site.policy
    for event in brake_render.join(runs, join_s=policy.render_join_s, min_payout_m=policy.render_min_payout_m):
        place = site.channels[channel].place
        against = brake_render.against_setting(event, site.brake_setting(place, event.from_us))
        extra: dict[str, Any] = {
            "breakout_kn": event.breakout.kn,
            "breakout_at": us_to_rfc3339(event.breakout.at_us),
            "breakout_at_least": event.breakout.at_least,
            "render_kn": event.render_kn,
            "payout_m": event.payout_m,
            "slips": event.slips,
            "brake_set_kn": None if against is None else against.brake_set_kn,
            "breakout_pct_of_set": None if against is None else against.breakout_pct,
            "breakout_first_layer_kn": None if against is None else against.breakout_first_layer_kn,
            "layer": None if against is None else against.layer,
            "verdict": None if against is None else against.verdict,
            "tails": _tails(site, channel, riggings, event.peak),
        }
        yield _row(site, line, channel, brake_render.KIND, event.from_us, event.to_us, event.peak, extra)


def _marks(ledger: Ledger, made: MadeDays) -> dict[str, list[Mark]]:
    """Marks of the sheets that stand after this run, by sheet: the ledger's, and those just made."""
    marks: dict[str, list[Mark]] = {}
    for kind in ("excursion", "slip"):
        for mark in index.marks(ledger, kind):
            marks.setdefault(mark.sheet, []).append(mark)
    rows = {row["sheet"]: row for row in made.sheet_rows}
    for new in made.mark_rows:
        row = rows[new["sheet"]]
        mark = Mark(
            new["sheet"],
            row["channel"],
            row["place"],
            row["day"],
            row["from_us"],
            row["to_us"],
            new["kind"],
            new["payload"],
        )
        marks.setdefault(new["sheet"], []).append(mark)
    return marks


def _rigged_mains(
    site: Site, plan: Plan, sheet_of: Mapping[str, str], marks: Mapping[str, Sequence[Mark]]
) -> dict[str, list[Rigged]]:
    """Every main line's riggings, each with the marks of all its sheets."""
    by_rigging: dict[Rigging, list[Mark]] = {}
    for use in plan.uses:
        if site.lines[use.rigging.line].part == "main":
            by_rigging.setdefault(use.rigging, []).extend(marks.get(sheet_of[use.key], ()))
    mains: dict[str, list[Rigged]] = {}
    for rigging, found in by_rigging.items():
        mains.setdefault(rigging.line, []).append(Rigged(rigging, found))
    return mains


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
    site: Site, line: str, channel: str, kind: str, from_us: int, to_us: int, peak: Peak, extra: Mapping[str, Any]
) -> dict[str, Any]:
    base_kn = limit_base_kn(site, line)
    return {
        "event": event_id(kind, line, from_us),
        "kind": kind,
        "line": line,
        "channel": channel,
        "place": site.channels[channel].place,
        "from_us": from_us,
        "to_us": to_us,
        "peak_kn": peak.kn,
        "peak_us": peak.at_us,
        "peak_pct": peak.kn / base_kn * 100.0,
        "payload": {
            "peak_pct_of": OF_BREAK_FORCE if site.design_mbl_kn(line) is None else OF_MBL,
            "peak_at_least": peak.at_least,
            **extra,
        },
    }


def _tails(site: Site, channel: str, riggings: Sequence[Rigged], peak: Peak) -> list[dict[str, Any]]:
    """Tails rigged with the main line at the peak: each with the peak as percent of its own break force."""
    share_pct = next(
        (r.rigging.share_pct for r in riggings if _holds(r.rigging, peak.at_us)), riggings[0].rigging.share_pct
    )
    return [
        {
            "line": tail.line,
            "peak_pct": peak.kn * (tail.share_pct / share_pct) / site.break_force_kn(tail.line) * 100.0,
            "peak_pct_of": OF_BREAK_FORCE,
        }
        for tail in site.riggings
        if tail.channel == channel and site.lines[tail.line].part == "tail" and _holds(tail, peak.at_us)
    ]


def _holds(rigging: Rigging, at_us: int) -> bool:
    return rigging.from_us <= at_us and (rigging.to_us is None or at_us < rigging.to_us)


def _of_kind(kind: str, riggings: Sequence[Rigged]) -> Iterator[Mark]:
    return (mark for rigged in riggings for mark in rigged.marks if mark.kind == kind)


def _piece(payload: Mapping[str, Any]) -> peak_load.Piece:
    """An excursion as the ledger's JSON gives it back."""
    excursion = {name: value for name, value in payload.items() if name not in ("runs_in", "runs_on")}
    return peak_load.Piece(Excursion(**excursion), payload["runs_in"], payload["runs_on"])
