"""A line's account as its page shows it: every figure of `tautlog statement`, with where it comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from pipeline.ledger.account import ZONES, exact_sum, shown
from pipeline.ledger.words import SEVERITY_INDEX
from pipeline.reports.figures import Figure, Trace, command, instant, kn
from pipeline.reports.shown import constant, life, number, percent, register, sentence, statement
from pipeline.reports.tables import Column, Row, Table
from pipeline.wear import MECHANISMS

Answer = Mapping[str, Any]
View = dict[str, Any]
INDEX_WORDS = "A severity index puts lines in an order; it is never a percent of life or a date."


def account_view(answer: Answer) -> View:
    """The account by zone and mechanism, opening and closing, and what it rests on. `answer`: of `statement`."""
    said = statement(answer["line"])
    coverage, opening = answer["coverage"], answer["opening"]
    known = not isinstance(opening, str)
    return {
        "basis": answer["basis"],
        "index_words": INDEX_WORDS if answer["basis"] == SEVERITY_INDEX else "",
        "basis_reasons": answer["basis_reasons"],
        "factor": None
        if answer["factor"] == 1.0
        else constant(answer["factor"], register(f"spec {answer['spec']}", "[fatigue] factor")),
        "opening": _opening(opening),
        "opening_source": opening["source"] if known else "service before the first record is in no figure",
        "zones": _zones(answer, said),
        "together": answer["together"],
        "scatter": _scatter(answer["fatigue_scatter"], said),
        "pieces": _pieces(answer["bands"], said),
        "unposted": _unposted(answer["unposted"], said),
        "coverage": {
            "rigged": number(coverage["rigged_s"], said, "s", 0),
            "observed": number(coverage["observed_s"], said, "s", 0),
        },
        "not_reckoned": list(answer["not_reckoned"].items()),
        "not_modelled": ", ".join(answer["not_modelled"]),
        "unreckoned": number(answer["unreckoned_days"], said, "days", 0) if answer["unreckoned_days"] else None,
        "run": answer["run"],
    }


def _opening(opening: str | Answer) -> Figure:
    trace = register("lines.csv", "opening_life")
    if isinstance(opening, str):
        return life(None, trace, why="unknown, which is not zero")
    return constant(opening["life"], trace)


def _zones(answer: Answer, said: Trace) -> Table:
    closing, worst = answer["closing"], answer["consumed"]["worst"]
    rows = []
    for zone in ZONES:
        used = answer["consumed"]["zones"][zone]
        rows.append(
            Row(
                [
                    f"{zone} (worse)" if zone == worst else zone,
                    *(life(used[name], said) for name in MECHANISMS),
                    life(used["total"], said),
                    life(answer["pending"]["zones"][zone], said),
                    life(
                        None if isinstance(closing, str) else closing["zones"][zone],
                        said,
                        why="unknown, as the opening is",
                    ),
                ]
            )
        )
    columns = [
        Column("zone", note="the end that was outboard"),
        *(Column(name, trace=said) for name in MECHANISMS),
        Column("consumed", note="of the zone's worse band", trace=said),
        Column("pending", note="what open cycles would take if they closed now; not posted", trace=said),
        Column("closing", note="opening and consumed", trace=said),
    ]
    return Table("zones", f"The account by zone: {answer['basis']}", columns, rows, few=True)


def _scatter(told: Answer | None, said: Trace) -> View | None:
    """Between what the fatigue of ropes tested alike lies; None where no scatter is known, or no fatigue."""
    if told is None:
        return None
    zones = [
        (zone, life(band["low"], said), life(band["high"], said))
        for zone, band in told["zones"].items()
        if band["high"] > 0
    ]
    if not zones:
        return None
    return {
        "share": constant(told["share"], said),
        "scatter": constant(told["scatter"], said),
        "source": told["source"],
        "zones": zones,
    }


def _pieces(pieces: Sequence[Answer], said: Trace) -> Table:
    rows = [
        Row(
            [
                piece["zone"],
                piece["where"],
                None if piece["position_m"] is None else constant(piece["position_m"], said, "m"),
                piece["from"],
                None if piece["life"] is None else life(piece["life"], said),
                piece["note"],
            ]
        )
        for piece in pieces
    ]
    columns = [
        Column("zone"),
        Column("piece"),
        Column("from the eye", unit="m"),
        Column("since"),
        Column("consumed", trace=said),
        Column("note", wide=True),
    ]
    return Table("pieces", "Piece by piece, from each eye inwards", columns, rows, few=True)


def _unposted(found: Sequence[Answer], said: Trace) -> Table:
    rows = [Row([one["day"], one["zone"], one["mechanism"], life(one["life"], said)]) for one in found]
    columns = [Column("day"), Column("zone"), Column("mechanism"), Column("as things stand", trace=said)]
    return Table("unposted", "Days that wait for a later sample", columns, rows, few=True)


def entries_table(answer: Answer) -> Table:
    """The live entries, one row a day and zone, newest first; each life with its entry, which `trace` walks back."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for row in answer["entries"]:
        found = rows.setdefault((row["day"], row["zone"]), dict.fromkeys(MECHANISMS))
        found[row["mechanism"]] = life(row["life"], command("trace", row["entry"]))
    columns = [Column("day"), Column("zone"), *(Column(name) for name in MECHANISMS)]
    made = [
        Row([day, zone, *(rows[day, zone][name] for name in MECHANISMS)]) for day, zone in sorted(rows, reverse=True)
    ]
    caption = "Live entries as posted, before any factor; each figure names the command that walks it back to raw lines"
    return Table("entries", caption, columns, made)


def life_series(answer: Answer) -> dict[str, dict[str, list[tuple[date, Decimal]]]]:
    """Life consumed up to the end of each posted day, by zone and mechanism, as shown: the last of each is that of the
    account, to the last digit.
    """
    series: dict[str, dict[str, list[tuple[date, Decimal]]]] = {zone: {} for zone in ZONES}
    for row in answer["entries"]:
        found = series[row["zone"]].setdefault(row["mechanism"], [])
        before = found[-1][1] if found else Decimal(0)
        found.append((date.fromisoformat(row["day"]), exact_sum((before, row["life"]))))
    fatigue = answer["factor"]
    return {
        zone: {
            name: [(day, shown(used, fatigue if name == "fatigue" else 1.0)) for day, used in points]
            for name, points in of_zone.items()
        }
        for zone, of_zone in series.items()
    }


LIMITS = {"max_calls": "calls", "max_mooring_h": "h", "max_age_years": "years"}
REACHED = {None: "not known", True: "REACHED", False: "not reached"}


def service_view(answer: Answer, services: Sequence[Any]) -> View:
    """What the line has served, the limits on that, and what was done to it. `services`: its rows of services.csv."""
    served, said = answer["service"], statement(answer["line"])
    outside = served["outside_records"]
    limits = [
        Row(
            [
                row["limit"].removeprefix("max_").replace("_", " "),
                row["of"],
                constant(row["value"], register(row["of"], f"[limits] {row['limit']}"), LIMITS[row["limit"]]),
                number(row["now"], said, LIMITS[row["limit"]], 1),
                REACHED[row["reached"]],
                row["source"],
            ],
            mark="alarm" if row["reached"] else "",
        )
        for row in served["limits"]
    ]
    columns = [Column("limit"), Column("whose"), Column("value"), Column("now", trace=said), Column("state"),
               Column("source", wide=True)]  # fmt: skip
    done = [Row([instant(row.at_us), row.action, row.detail or ""]) for row in reversed(services)]
    return {
        "calls": number(served["calls"], said, digits=0),
        "mooring": number(served["mooring_h"], said, "h", 1),
        "age": number(served["age_years"], said, "years", 1),
        "in_service": served["in_service"],
        "unobserved": number(outside["rigged_unobserved_h"], said, "h", 2),
        "outside": sentence(outside["words"]),
        "no_extension": sentence(served["no_extension"]),
        "limits": Table("limits", "Limits of the maker or the company", columns, limits, few=True,
                        empty="no spec and no policy gives one here; the maker's and the calendar's hold all the same"),
        "done": Table("services", "What was done to it (services.csv)",
                      [Column("at"), Column("action"), Column("detail", wide=True)], done, few=True,
                      empty="no service is registered"),
    }  # fmt: skip


def strength_view(answer: Answer) -> View:
    """Strength left, the retirement line, the least margin and break tests, as `statement` tells them."""
    told, said = answer["strength"], statement(answer["line"])
    view: View = {
        "reckoned": told["reckoned"],
        "why": told.get("why", ""),
        "retirement": kn(told["retirement_kn"], said),
        "retirement_of": told["retirement_of"],
        "tests": _tests(answer["strength_tests"], said),
    }
    if not told["reckoned"]:
        return view
    left = [
        Row([zone, band, kn(left_kn, said)])
        for zone, found in told["left_kn"].items()
        for band, left_kn in found.items()
    ]
    least = told["least_margin"]
    return view | {
        "as_if_new": told["as_if_new"],
        "source": told["source"],
        "basis": told["basis"],
        "basis_reasons": told["basis_reasons"],
        "left": Table("left", f"Strength left by the spec's model, straight, no bend taken off: {told['basis']}",
                      [Column("zone"), Column("band"), Column("left", unit="kN", trace=said)], left, few=True),
        "least": None if least is None else _least(least, said),
    }  # fmt: skip


def _least(least: Answer, said: Trace) -> View:
    bend = least["bend"]
    return {
        **{name: least[name] for name in ("zone", "band", "day")},
        "peak_at": instant(least["peak_at"]),
        "peak": kn(least["peak_kn"], said),
        "left": kn(least["left_kn"], said),
        "margin": kn(least["margin_kn"], said),
        "share": number(least["peak_share"], said, digits=3),
        "bend": None
        if bend is None
        else {
            "ratio": constant(bend["ratio"], said),
            "strength": number(bend["strength"], said),
            "left": kn(bend["left_kn"], said),
            "outside": bend["outside"],
            "source": bend["source"],
        },
    }


def _tests(tests: Sequence[Answer], said: Trace) -> Table:
    rows = [
        Row(
            [
                row["at"],
                row["zone"],
                None if row["position_m"] is None else constant(row["position_m"], said, "m"),
                row["condition"],
                kn(row["break_kn"], register("strength_tests.csv", "break_kn")),
                "not reckoned"
                if row["predicted_kn"] is None
                else [part for band, left in row["predicted_kn"].items() for part in (f"{band}:", kn(left, said))],
                row["laboratory"],
            ]
        )
        for row in tests
    ]
    columns = [Column("at"), Column("zone"), Column("from the eye", unit="m"), Column("condition"),
               Column("broke at"), Column("the model said", trace=said), Column("laboratory", wide=True)]  # fmt: skip
    return Table("tests", "Break tests of its pieces: a test outranks the model", columns, rows, few=True,
                 empty="none is registered")  # fmt: skip


def share_of(part: Any, whole: Any, trace: Trace, digits: int = 1) -> Any:
    """A part of a whole in percent; None without a whole."""
    return None if not whole else percent(float(100 * part / whole), trace, digits)
