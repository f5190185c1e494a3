"""A page for every line and tail: its account as a statement, what it felt, what happened, and how figures are made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any, Final

from pipeline.compare.history import History, histories
from pipeline.ledger.account import ZONES
from pipeline.night.accounts import wear_of
from pipeline.reports.berth_doing import RULES
from pipeline.reports.figures import Link, Trace, command, instant, kn
from pipeline.reports.line_account import (
    Answer,
    View,
    account_view,
    entries_table,
    life_series,
    service_view,
    share_of,
    strength_view,
)
from pipeline.reports.line_beside import (
    beside_table,
    brakes_view,
    events_view,
    explained_view,
    in_series,
    outlook_view,
)
from pipeline.reports.line_charts import (
    exceedance_chart,
    levels_chart,
    life_charts,
    matrix_chart,
    peaks_chart,
    temperature_chart,
)
from pipeline.reports.line_felt import (
    DayFelt,
    Levels,
    Storm,
    days_felt,
    felt_of,
    levels_of,
    storms,
    time_above,
)
from pipeline.reports.line_outside import LEVELS, creep_table, cycles_table, half_cycles_of, open_view
from pipeline.reports.method import spec_tables
from pipeline.reports.page import Page
from pipeline.reports.shown import constant, event_path, explain, line_path, number, register
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Column, Row, Table
from pipeline.site import Site
from pipeline.tracing.explained_account import account_of

ABOVE_PCT: Final = (5, 10, 15, 20, 25, 30, 40, 50, 60, 70)
"""Tensions, in percent of what limits are of, above which the time is told."""
MOST_PEAKS: Final = 12
"""So many of the days with the highest tension are listed. House rule."""

Facts = Mapping[tuple[str, str, date], Mapping[str, Any]]


def pages(snapshot: Snapshot) -> Iterator[Page]:
    """One page a line, in the order of the register; what all of them need is asked when the first is written."""
    shared = Shared(snapshot)
    for line in snapshot.site.lines:
        yield Page(line_path(line), f"Line {line}", "line.html.j2", partial(line_view, shared, line), line=line)


class Shared:
    """What line pages need of all lines, each asked once, when it is first wanted."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot
        self._felt: Mapping[tuple[str, str], History] | None = None
        self._facts: dict[str, dict[tuple[str, str, date], Mapping[str, Any]]] | None = None

    def felt(self, line: str) -> History | None:
        """What both zones of a line felt, by class; None where nothing was recorded."""
        if self._felt is None:
            self._felt = histories(self.snapshot.ledger)
        return felt_of([self._felt[line, zone] for zone in ZONES if (line, zone) in self._felt])

    def facts(self, line: str) -> Facts:
        """The facts of a line's wear days."""
        if self._facts is None:
            self._facts = {}
            for key, found in self.snapshot.day_facts.items():
                self._facts.setdefault(key[0], {})[key] = found
        return self._facts.get(line, {})


def line_view(shared: Shared, line: str) -> View:
    """All that the page shows, as plain mappings."""
    snapshot = shared.snapshot
    site, answer, events = snapshot.site, snapshot.statement(line), snapshot.events_of(line)
    _, account = account_of(snapshot.ledger, site, line, wear_of(site, line))
    services = [row for row in site.services if row.line == line]
    felt, by_day = shared.felt(line), days_felt(shared.facts(line))
    high = high_loads(site, events)
    spec, still_open = site.spec_of(line), half_cycles_of(account)
    worst = answer["consumed"]["worst"]
    places = {site.channels[row.channel].place for row in site.riggings if row.line == line}
    return {
        "line": line,
        "about": _about(site, answer),
        "advice": [{**said, "mark": RULES.get(said["rule"], ("",))[0]} for said in answer["advice_list"]],
        "account": account_view(answer),
        "entries": entries_table(answer),
        "service": service_view(answer, services),
        "strength": strength_view(answer),
        "outlook": outlook_view(answer),
        "high": _high_table(high, site.policy.return_gap_h),
        "events": events_view(line, events),
        "brakes": brakes_view(snapshot.brakes, places),
        "beside": beside_table(in_series(site, line), snapshot.status),
        "explained": explained_view(line, account),
        "constants": spec_tables(snapshot.ledger, site, spec.id),
        "felt": None if felt is None else _felt(site, line, felt),
        "open": open_view(answer, still_open, spec),
        "outside": [
            cycles_table(answer, still_open, spec.fatigue),
            creep_table(answer, None if felt is None else levels_of(felt)),
        ],
        "peaks": _peaks(line, by_day),
        "warmest": _warmest(line, by_day),
        "life_charts": life_charts(answer, life_series(answer), services, high, worst),
        "peaks_chart": peaks_chart(site, line, by_day, services, high),
        "temperature_chart": temperature_chart(by_day),
        "matrix_chart": None if felt is None else matrix_chart(felt, still_open),
        "exceedance_chart": None
        if felt is None
        else exceedance_chart(felt, spec.fatigue, site.break_force_kn(line), still_open),
        "levels_chart": None if felt is None else levels_chart(felt),
    }


def high_loads(site: Site, events: Sequence[Answer]) -> list[Storm]:
    """The peak-loads of a line, those that one cannot doubt, put together as those of rare peaks are."""
    own = [event for event in events if event["kind"] == "peak-load" and event.get("doubtful") is None]
    return storms(own, round(site.policy.return_gap_h * 3.6e9))


def _high_table(high: Sequence[Storm], gap_h: float) -> Table:
    said = Trace("peak-load events of the line, below")
    rows = [
        Row(
            [
                instant(one.from_us),
                instant(one.to_us),
                kn(one.peak_kn, said),
                [Link(event, event_path(event)) for event in one.events[:8]],
                number(len(one.events), said, digits=0),
            ]
        )
        for one in sorted(high, key=lambda one: one.peak_kn, reverse=True)
    ]
    columns = [Column("from"), Column("to"), Column("highest", unit="kN", trace=said),
               Column("peak-loads (the first eight)", wide=True), Column("how many", trace=said)]  # fmt: skip
    caption = (
        f"Stretches of high load: peak-loads less than {gap_h:g} h apart, as storms make them and other things do. "
        "Tension tells of loads, not of weather"
    )
    return Table("high", caption, columns, rows, few=True, empty="no peak-load is on record")


def _about(site: Site, answer: Answer) -> View:
    line, spec, ship = answer["line"], site.specs[answer["spec"]], site.ships[answer["ship"]]
    now = [row for row in site.riggings if row.line == line]
    last = max(now, key=lambda row: row.from_us, default=None)
    return {
        "part": answer["part"],
        "ship": answer["ship"],
        "spec": answer["spec"],
        "rope": f"{spec.material}, {spec.construction}",
        "diameter": constant(spec.diameter_mm, register(f"spec {spec.id}", "diameter_mm"), "mm"),
        "force": kn(answer["break_force_kn"], register(answer["break_force_from"], "break_force_kn")),
        "mbl": kn(
            ship.design_mbl_kn,
            register("ships.csv", f"design_mbl_kn, {ship.source or 'no source'}"),
            why="unknown: limits are percent of break force",
        ),
        "rigged": None
        if last is None
        else {
            "channel": last.channel,
            "role": last.role or "",
            "end": last.outboard_end,
            "from": instant(last.from_us),
            "to": instant(last.to_us),
        },
    }


def _felt(site: Site, line: str, felt: History) -> View:
    """Time above shares of what limits are of."""
    mbl = site.design_mbl_kn(line)
    base_kn, base = (site.break_force_kn(line), "break force") if mbl is None else (mbl, "ship design MBL")
    levels = levels_of(felt)
    said = LEVELS
    rows = [_above(pct, pct / 100 * base_kn, levels, said) for pct in ABOVE_PCT]
    columns = [Column(f"% of {base}"), Column("from", unit="kN", trace=said), Column("time", unit="s", trace=said),
               Column("of observed", unit="%", trace=said)]  # fmt: skip
    caption = "Time in 5 kN classes that lie wholly above a tension, both ends"
    return {
        "above": Table("above", caption, columns, rows, few=True),
        "cycles": number(int(felt.count.sum()), command("statement", line), "cycles", 0),
        "observed": number(levels.total_s, said, "s", 0),
    }


def _above(pct: int, level_kn: float, levels: Levels, said: Trace) -> Row:
    time_s = time_above(levels, level_kn)
    share = share_of(time_s, levels.total_s, said, 3)
    return Row([str(pct), kn(level_kn, said), number(time_s, said, "s", 0), share])


def _peaks(line: str, by_day: Sequence[DayFelt]) -> Table:
    found = sorted(((one.peak_kn, one) for one in by_day if one.peak_kn is not None), key=lambda item: -item[0])
    rows = [
        Row([one.day.isoformat(), one.zone, kn(peak_kn, _day(line, one)), instant(one.peak_us)])
        for peak_kn, one in found[:MOST_PEAKS]
    ]
    columns = [Column("day"), Column("zone"), Column("highest", unit="kN"), Column("at")]
    caption = f"Days with the highest tension, {len(rows)} of {len(found)}"
    return Table("peak-days", caption, columns, rows, few=True, empty="none is reckoned")


def _warmest(line: str, by_day: Sequence[DayFelt]) -> View | None:
    warm = [(one.core_c, one) for one in by_day if one.core_c is not None]
    if not warm:
        return None
    core_c, one = max(warm, key=lambda item: item[0])
    return {"core": number(core_c, _day(line, one), "°C", 1), "day": one.day.isoformat()}


def _day(line: str, one: DayFelt) -> Trace:
    return explain(line, one.day.isoformat(), one.zone)
