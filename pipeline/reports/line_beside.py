"""What stands beside a line's account on its page: outlook, happenings, brakes, lines in series, how figures are made.

Every mapping is made from the object that the command's `--json` prints.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from pipeline.ledger.words import CALIBRATED
from pipeline.render_events import cautions, sentence
from pipeline.reports.figures import Figure, Link, Trace, command, instant, kn
from pipeline.reports.line_account import Answer, View
from pipeline.reports.shown import (
    constant,
    event_path,
    explain,
    life,
    line_path,
    number,
    percent,
    register,
    statement,
)
from pipeline.reports.shown import sentence as begun
from pipeline.reports.tables import Column, Row, Table
from pipeline.site import Site
from pipeline.wear import MECHANISMS
from schemas.times import us_to_rfc3339

MOST_EVENTS: Final = 60
"""Of a line's events above a note, the newest this many are listed; the others are counted. House rule."""
MOST_DAYS: Final = 12
"""Of the days of an account, the dearest this many are laid open. House rule."""


def outlook_view(answer: Answer) -> View:
    """Unobserved time, days to come, rare peaks, assumed shares: figures with their band, or why there are none.

    A date is there only where the account's basis is calibrated and `statement` gives one.
    """
    said = statement(answer["line"])
    return {
        "unobserved": _unobserved(answer["unobserved"], said),
        "forecast": _forecast(answer["forecast"], answer["basis"], said),
        "return_peaks": _return_peaks(answer["return_peaks"], said),
        "shares": _shares(answer["shares"], said),
    }


def _unobserved(told: Answer, said: Trace) -> View:
    view: View = {
        "reckoned": told["reckoned"],
        "why": told.get("why", ""),
        "hours": number(told["hours"], said, "h", 2) if "hours" in told else None,
        "zone": told.get("zone", ""),
    }
    if told["reckoned"]:
        view |= {name: told[name] for name in ("zone", "band", "words", "measured")}
        view |= {name: life(told[name], said) for name in ("median", "low", "high")}
        view["interval"] = percent(told["interval_pct"], said, 0)
    return view


def _forecast(told: Answer, basis: str, said: Trace) -> View:
    view: View = {"reckoned": told["reckoned"], "why": told.get("why", ""), "caution": begun(told["caution"])}
    if not told["reckoned"]:
        return view
    view |= {name: told[name] for name in ("zone", "band", "from_day", "to_day", "measured", "no_date")}
    view |= {name: life(told[name], said) for name in ("per_rigged_day", "low", "high")}
    view["reached"] = told["reached"] if basis == CALIBRATED else None
    return view


def _return_peaks(told: Answer, said: Trace) -> View:
    view: View = {"reckoned": told["reckoned"], "why": begun(told.get("why", ""))}
    if not told["reckoned"]:
        return view
    return view | {
        "level": kn(told["level_kn"], said, at_least=told["at_least"]),
        "low": kn(told["low_kn"], said),
        "high": kn(told["high_kn"], said, why="without upper end"),
        "interval": percent(told["interval_pct"], said, 0),
        "years": constant(told["years"], said, "years"),
        "threshold": kn(told["threshold_kn"], said),
        "clusters": number(told["clusters"], said, "", 0),
        "observed": number(told["observed_days"], said, "days", 0),
        "words": told["words"],
    }


def _shares(told: Answer | None, said: Trace) -> View | None:
    if told is None:
        return None
    view: View = {name: told[name] for name in ("reckoned", "zone", "unbounded", "from", "words")}
    view["why"] = told.get("why", "")
    if told["reckoned"]:
        names = ("at_share", "at_share_low", "at_share_high", "least", "most", "posted")
        view |= {name: life(told[name], said) for name in names}
    return view


def events_view(line: str, events: Sequence[Answer]) -> View:
    """A line's events above a note, newest first, each a sentence; notes counted by kind. `events`: as of `events`."""
    told = [one for one in events if one.get("severity") != "note"]
    notes: dict[str, int] = {}
    for one in events:
        if one.get("severity") == "note":
            notes[one["kind"]] = notes.get(one["kind"], 0) + 1
    newest = sorted(told, key=lambda one: (one["from_at"], one["event"]), reverse=True)
    said = command("events", "--line", line)
    columns = [Column("from"), Column("kind"), Column("severity"), Column("peak", unit="kN", trace=said),
               Column("percent", trace=said, note="of ship design MBL, or of what is said; a tail's of its own"),
               Column("what happened", wide=True)]  # fmt: skip
    rows = [_event(line, one, said) for one in newest[:MOST_EVENTS]]
    counted = Trace(f"counted in {said.words}")
    return {
        "table": Table("events", "Events above a note, newest first", columns, rows, empty="none is on record"),
        "left_out": number(len(told) - MOST_EVENTS, counted, digits=0) if len(told) > MOST_EVENTS else None,
        "notes": [(number(count, counted, digits=0), kind) for kind, count in sorted(notes.items())],
        "cautions": cautions({one["kind"] for one in told}),
    }


def _event(line: str, one: Answer, said: Trace) -> Row:
    own = next((tail for tail in one.get("tails", ()) if tail["line"] == line), one)
    path, severity = event_path(one["event"]), one.get("severity", "warning")
    return Row(
        [
            instant(one["from_at"]),
            Link(one["kind"], path),
            severity,
            kn(one["peak_kn"], said, at_least=bool(one.get("peak_at_least")), path=path),
            [number(own["peak_pct"], said, "%", 1), f"of {own['peak_pct_of']}" if own.get("peak_pct_of") else ""],
            sentence(one),
        ],
        mark=severity if severity in ("alarm", "warning") else "",
    )


def brakes_view(answer: Answer, places: Iterable[str]) -> View:
    """The winches that a line lay on, with every break-out and hold on record. `answer`: of `brakes`."""
    wanted = set(places)
    own = [one for one in answer["brakes"] if one["place"] in wanted]
    return {"tables": [_brake(nth, one) for nth, one in enumerate(own, 1)], "caution": answer["caution"] if own else ""}


def _brake(nth: int, one: Answer) -> View:
    said = command("brakes", "--place", one["place"])

    def row(what: str, found: Answer, against: str = "") -> Row:
        return Row(
            [
                instant(found["at"]),
                what,
                kn(found["judged_kn"], said, at_least=found["at_least"]),
                number(found["pct_of_set"], said, "%", 1) if "pct_of_set" in found else None,
                against,
                found["judged_is"],
            ]
        )

    rows = [row(f"let go ({out['basis']})", out, out["against"] or "") for out in one["let_go"]]
    rows += [row("held", one["held"])] if one["held"] is not None else []
    rows += [row("highest load on record", one["highest"])] if one["highest"] is not None else []
    columns = [Column("at"), Column("what"), Column("load", unit="kN", trace=said), Column("of setting", trace=said),
               Column("verdict"), Column("the load is", wide=True)]  # fmt: skip
    return {
        "place": one["place"],
        "verdict": one["verdict"],
        "set": kn(one["brake_set_kn"], register("winches.csv", "brake_set_kn"), why="not registered"),
        "tested_on": one["tested_on"],
        "test_due": one["test_due"],
        "layer": one["layer"],
        "reeling": one["reeling"],
        "table": Table(f"brake-{nth}", f"Brake of {one['place']}, newest setting on", columns, rows,
                       few=True, empty="nothing is on record since its newest setting"),
    }  # fmt: skip


def in_series(site: Site, line: str) -> list[tuple[str, str, int]]:
    """Lines of the other part rigged on one channel with it at one time: (line, channel, since when the last time)."""
    own, part = [row for row in site.riggings if row.line == line], site.lines[line].part
    found: dict[str, tuple[str, str, int]] = {}
    for row in site.riggings:
        for mine in own if site.lines[row.line].part != part else ():
            begin_us = max(row.from_us, mine.from_us)
            ends_us = [end_us for end_us in (row.to_us, mine.to_us) if end_us is not None]
            if row.channel == mine.channel and begin_us < min(ends_us, default=begin_us + 1):
                found[row.line] = (row.line, row.channel, begin_us)
    return list(found.values())


def beside_table(found: Sequence[tuple[str, str, int]], status: Answer) -> Table:
    """What is rigged in series with a line, each with its own account. `status`: the answer of `status`."""
    rows = {row["line"]: row for row in status["lines"]}
    said = command("status")

    def used(one: Answer, name: str) -> Figure:
        return life(one[name], said, why="never observed")

    made = [
        Row(
            [
                Link(line, line_path(line)),
                channel,
                instant(us_to_rfc3339(since_us)),
                rows[line]["zone"],
                used(rows[line], "consumed"),
                used(rows[line], "pending"),
                used(rows[line], "used"),
                rows[line]["basis"],
                rows[line]["advice"],
            ]
        )
        for line, channel, since_us in found
    ]
    columns = [Column("line"), Column("channel"), Column("together since"), Column("zone"),
               Column("consumed", trace=said), Column("pending", trace=said),
               Column("all counted", note="opening, consumed, days not posted and pending", trace=said),
               Column("the figure is a"), Column("what to do", wide=True)]  # fmt: skip
    return Table("beside", "Rigged in series with it: each feels the same load and has its own account", columns, made,
                 few=True, empty="nothing is registered on its channels with it")  # fmt: skip


def explained_view(line: str, account: Answer) -> View:
    """How the account's figures are made. `account`: `account` of the answer of `explain`."""
    said = explain(line)
    return {
        "formulas": list(account["formulas"].items()),
        "rule": account["rule"],
        "sums": _sums(account["zones"], said),
        "bands": _bands(account["zones"], said),
        "half_cycles": _half_cycles(account["zones"], said),
        "days": _days(line, account["days"]),
        "days_in_all": len(account["days"]),
    }


def _sums(zones: Answer, said: Trace) -> Table:
    rows = [
        Row(
            [
                f"zone {zone}, {name}",
                life(found["sum"][name], said),
                life(found["not_posted"][name], said),
                life(found["pending"]["life"], said) if name == "fatigue" else None,
            ]
        )
        for zone, found in zones.items()
        for name in MECHANISMS
    ]
    columns = [Column("of"), Column("sum of posted days", trace=said), Column("not posted yet", trace=said),
               Column("pending", trace=said)]  # fmt: skip
    return Table("sums", "Sums by zone and mechanism, before any factor", columns, rows, few=True)


def _bands(zones: Answer, said: Trace) -> Table:
    rows = [
        Row([f"zone {zone}, {band}", life(posted, said), life(used, said)])
        for zone, found in zones.items()
        for (band, posted), used in zip(found["bands_posted"].items(), found["bands_used"].values(), strict=True)
    ]
    columns = [Column("band"), Column("posted", trace=said),
               Column("all counted", note="days not posted yet and open cycles with it", trace=said)]  # fmt: skip
    return Table("bands", "What each band has used, factor and rule applied; never added up", columns, rows, few=True)


def _half_cycles(zones: Answer, said: Trace) -> Table:
    found = [(zone, row) for zone, one in zones.items() for row in one["pending"]["half_cycles"]]
    dearest = sorted(found, key=lambda item: item[1]["life"], reverse=True)[:MOST_DAYS]
    rows = [
        Row(
            [
                zone,
                kn(row["low_kn"], said),
                kn(row["high_kn"], said),
                number(row["R"], said),
                number(row["Lm"], said),
                number(row["N"], said),
                life(row["life"], said),
            ]
        )
        for zone, row in dearest
    ]
    columns = [Column("zone"), Column("low", unit="kN", trace=said), Column("high", unit="kN", trace=said),
               Column("R", trace=said), Column("Lm", trace=said), Column("N", trace=said),
               Column("half a cycle takes", trace=said)]  # fmt: skip
    caption = f"Open cycles, the dearest {len(dearest)} of {len(found)} half cycles"
    return Table("open-cycles", caption, columns, rows, few=True, empty="none is open")


def _days(line: str, days: Sequence[Answer]) -> Table:
    """Days by the largest life that any mechanism took; mechanisms are not added up here."""
    dearest = sorted(days, key=lambda row: max(row[name] or 0 for name in MECHANISMS), reverse=True)[:MOST_DAYS]
    rows = []
    for row in dearest:
        said = explain(line, row["day"], row["zone"])
        rows.append(
            Row(
                [
                    row["day"],
                    row["zone"],
                    *(life(row[name], said) for name in MECHANISMS),
                    kn(row["peak_kn"], said),
                    instant(row["peak_at"]),
                ]
            )
        )
    columns = [Column("day"), Column("zone"), *(Column(name) for name in MECHANISMS), Column("highest", unit="kN"),
               Column("at")]  # fmt: skip
    caption = f"The dearest {len(dearest)} of {len(days)} days; each figure names the command that lays its day open"
    return Table("dearest", caption, columns, rows, few=True, empty="no day is reckoned")
