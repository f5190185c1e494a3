"""Tables of lines: worst first, by zone and mechanism, coverage, and what each has served."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.ledger.account import ZONES
from pipeline.reports import trend
from pipeline.reports.figures import Figure, Link, Trace, command, hours, instant, kn, share
from pipeline.reports.page import page_path
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.svg import bar
from pipeline.reports.tables import Cell, Column, Row, Table
from pipeline.wear import MECHANISMS


def line_link(line: str) -> Link:
    """A line's name, which leads to its page."""
    return Link(line, page_path("lines", line))


def worst_first(snapshot: Snapshot) -> Table:
    """One row a line, in the order of `status`: what is counted against it, and how sure that is."""
    said, stated = command("status"), Trace("tautlog statement SITE LINE")
    columns = (
        Column("line"),
        Column("part"),
        Column("first of all", note="the most urgent that is said of it; all of it stands above"),
        Column("counted", "", "against its worse zone: opening, posted, not posted yet, and pending", said),
        Column("of 1", "", "counted, of 1: what its constants allow; paler: pending"),
        Column("zone", "", "the worse one"),
        Column("worse band", "", "where along that zone: outboard length or contact band"),
        Column("opening", "", "life used before the first record; unknown unless a register gives it", said),
        Column("posted", "", "life that is in the ledger", said),
        Column("not posted", "", "days that no later sample has closed yet", said),
        Column("pending", "", "what open cycles would take if they closed now as half cycles", said),
        Column("unobserved", "", "price of the time rigged and not observed: median, and 90 % interval", stated),
        Column("scatter of fatigue", "", "between what the fatigue of 90 % of ropes tested alike lies", stated),
        Column("observed", "%", "of the time rigged", said),
        Column("30 days", "", "highest tension of each day, of break force"),
    )
    sparks = trend.sparks(snapshot)
    rows = [_worst(snapshot, row, said, sparks) for row in snapshot.status["lines"]]
    return Table("worst-table", _caption(snapshot), columns, rows)


def _caption(snapshot: Snapshot) -> str:
    called = sorted({row["basis"] for row in snapshot.status["lines"]})
    return (
        f"Every line, worst first: rigged and never observed, to retire, to inspect before reuse, then the others; of "
        f"each by what is counted. Life figures are {' or '.join(called) or 'none'}. Lines never rigged come last"
    )


def _worst(snapshot: Snapshot, row: Mapping[str, Any], said: Trace, sparks: Mapping[str, Cell]) -> Row:
    line, first = row["line"], row["advice_list"][0]
    stated = snapshot.summary(line)
    nothing = "never rigged" if row["coverage"]["rigged_s"] == 0 else "never observed"
    opening = row["opening"]
    life = {name: Figure(row[name], said, why=nothing) for name in ("used", "consumed", "unposted", "pending")}
    return Row(
        [
            line_link(line),
            row["part"],
            first["do"] if first["rule"] != "none" else "no rule triggered",
            life["used"],
            _bar(row),
            row["zone"],
            _band(stated),
            "unknown" if opening == "unknown" else Figure(opening["life"], said),
            life["consumed"],
            life["unposted"],
            life["pending"],
            _unobserved(stated),
            _scatter(stated),
            share(row["coverage"]["share"], said, why="not rigged"),
            sparks.get(line),
        ],
        id=f"line-{page_path('lines', line).removeprefix('lines/').removesuffix('.html')}",
        mark="alarm" if first["rule"] == "retire" else "",
    )


def _bar(row: Mapping[str, Any]) -> Cell:
    if row["used"] is None:
        return None
    used, pending = float(row["used"]), float(row["pending"])
    return bar(used - pending, extra=pending, label=f"{used:.2g} of 1")


def _band(stated: Mapping[str, Any]) -> str | None:
    """Where the worse zone's worst band lies."""
    zone = stated["consumed"]["worst"]
    lives = [(band["life"], band["where"]) for band in stated["bands"] if band["zone"] == zone and band["life"]]
    return max(lives)[1] if lives else None


def _unobserved(stated: Mapping[str, Any]) -> Cell:
    found, trace = stated["unobserved"], command("statement", stated["line"])
    if not found["reckoned"]:
        return Figure(None, trace, why="all observed" if found.get("gaps") == 0 else "not reckoned")
    low, high = Figure(found["low"], trace), Figure(found["high"], trace)
    return [Figure(found["median"], trace), "(", low, "to", high, ")"]


def _scatter(stated: Mapping[str, Any]) -> Cell:
    found, zone = stated["fatigue_scatter"], stated["consumed"]["worst"]
    trace = command("statement", stated["line"])
    if found is None or zone not in found["zones"]:
        return Figure(None, trace, why="not given")
    band = found["zones"][zone]
    return [Figure(band["low"], trace), "to", Figure(band["high"], trace)]


def by_zone(snapshot: Snapshot) -> Table:
    """Posted life of each end of every line that was outboard, by mechanism; the zone counts as its worse band."""
    stated = Trace("tautlog statement SITE LINE")
    columns = (
        Column("line"),
        Column("zone"),
        *(Column(name, "", "posted; not reckoned where the spec gives no constants", stated) for name in MECHANISMS),
        Column("its worse band", "", "bands are never added to one another", stated),
        Column("pending", "", "fatigue of open cycles", stated),
        Column(
            "strength left, straight",
            "kN",
            "at the weakest place of the zone; less where it bends, as the advice reckons",
            stated,
        ),
    )
    rows = [row for said in snapshot.status["lines"] for row in _zones(snapshot, said)]
    return Table("zones-table", "Posted life by zone and mechanism", columns, rows)


def _zones(snapshot: Snapshot, said: Mapping[str, Any]) -> Iterator[Row]:
    stated = snapshot.summary(said["line"])
    trace = command("statement", said["line"])
    outboard = {row.outboard_end for row in snapshot.site.riggings if row.line == said["line"]}
    for zone in (zone for zone in ZONES if zone in outboard):
        lives = stated["consumed"]["zones"][zone]
        left = stated["strength"].get("left_kn")
        yield Row(
            [
                line_link(said["line"]),
                zone,
                *(Figure(lives[name], trace, why="not reckoned") for name in MECHANISMS),
                Figure(lives["total"], trace),
                Figure(stated["pending"]["zones"][zone], trace),
                kn(None if left is None else min(left[zone].values()), trace, why="not reckoned"),
            ]
        )


def coverage(snapshot: Snapshot) -> Table:
    """Time rigged and time observed, least observed first."""
    said = command("status")
    columns = (
        Column("line"),
        Column("rigged", "h", "", said),
        Column("observed", "h", "", said),
        Column("share observed", "%", "", said),
        Column("of all", "", "share observed"),
        Column("service outside our records", wide=True),
    )
    rigged = [row for row in snapshot.status["lines"] if row["coverage"]["rigged_s"] > 0]
    least = snapshot.site.policy.coverage_share
    rows = [
        Row(
            [
                line_link(row["line"]),
                hours(row["coverage"]["rigged_s"], said),
                hours(row["coverage"]["observed_s"], said),
                share(row["coverage"]["share"], said),
                bar(row["coverage"]["share"], label=f"{100 * row['coverage']['share']:.1f} % observed"),
                row["service"]["outside_records"]["words"],
            ],
            mark="warning" if row["coverage"]["share"] < least else "",
        )
        for row in sorted(rigged, key=lambda row: (row["coverage"]["share"], row["line"]))
    ]
    return Table("coverage-table", "Time rigged and time observed, least observed first", columns, rows)


def service(snapshot: Snapshot) -> Table:
    """Certificates, and lines and tails by age and mooring hours, oldest first."""
    said = command("status")
    columns = (
        Column("line"),
        Column("part"),
        Column("ship"),
        Column("spec"),
        Column("break force", "kN", "certified", command("statement", "LINE")),
        Column("said by", "", "the line's own certificate in lines.csv, or its spec"),
        Column("in service since"),
        Column("age", "years", "", said),
        Column("moored", "h", "rigged on record here", said),
        Column("calls", "", "", said),
        Column("last inspected"),
        Column("limits of service", wide=True),
    )
    rows = [_served(snapshot, row, said) for row in sorted(snapshot.status["lines"], key=_oldest_first)]
    return Table("service-table", "Lines and tails by certificate, age and mooring hours, oldest first", columns, rows)


def _oldest_first(row: Mapping[str, Any]) -> tuple[float, float, str]:
    age = row["service"]["age_years"]
    return (float("-inf") if age is None else -age, -row["service"]["mooring_h"], row["line"])


def _served(snapshot: Snapshot, row: Mapping[str, Any], said: Trace) -> Row:
    site, served, line = snapshot.site, row["service"], row["line"]
    looked = [one.at_us for one in site.services if (one.line, one.action) == (line, "inspection")]
    done = [us for us in looked if us <= snapshot.known_us]
    own = site.lines[line].break_force_kn is not None
    return Row(
        [
            line_link(line),
            row["part"],
            site.lines[line].ship,
            site.lines[line].spec,
            kn(site.break_force_kn(line), command("statement", line)),
            "lines.csv" if own else "spec",
            served["in_service"] or "not known",
            Figure(served["age_years"], said, "years", 1),
            Figure(served["mooring_h"], said, "h", 1),
            Figure(served["calls"], said, "", 0),
            instant(max(done)) if done else "never on record",
            _limits(served["limits"]),
        ]
    )


def _limits(found: list[Mapping[str, Any]]) -> str:
    words = [f"{one['limit']} {one['value']:g} ({one['of']}){': REACHED' if one['reached'] else ''}" for one in found]
    return "; ".join(words) if words else "none given"
