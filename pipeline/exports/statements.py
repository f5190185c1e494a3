"""A line's account on paper: A4, set by typst. The same account is the same bytes: no date, no fonts of the machine.

What is on it is what `tautlog statement LINE --json` answers, and the services of the register. All text comes to the
typesetter as data and is set as text. Lives are shown with six digits; all of them stand in the tables.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Context, Decimal
from importlib.resources import files
from typing import Any, Final

from pipeline.errors import Bug
from pipeline.ledger.account import exact_sum
from pipeline.ledger.words import SEVERITY_INDEX
from pipeline.site import Site
from pipeline.wear import MECHANISMS
from schemas.times import us_to_rfc3339

DIGITS: Final = 6
NOT_RECKONED: Final = "not reckoned"
_ROUNDED: Final = Context(prec=DIGITS, rounding=ROUND_HALF_EVEN)


class Typesetter:
    """Sets statements one after another; one for each thread."""

    def __init__(self) -> None:
        import typst

        self._template = (files("pipeline.exports") / "templates" / "statement.typ").read_bytes()
        self._compiler = typst.Compiler(ignore_system_fonts=True)

    def pdf(self, shown: Mapping[str, Any]) -> bytes:
        """The PDF of what `shown_of` made. Bug: the typesetter refuses our own template."""
        import typst

        try:
            told = {"shown": json.dumps(shown, sort_keys=True)}
            made = self._compiler.compile(self._template, format="pdf", sys_inputs=told, timestamp=0)
        except typst.TypstError as error:
            raise Bug(f"the PDF cannot be set: {error}") from error
        if not isinstance(made, bytes):
            raise Bug("the typesetter gave no bytes", found=type(made).__name__)
        return made


def shown_of(site: Site, account: Mapping[str, Any]) -> dict[str, Any]:
    """A statement as plain texts, ready to be laid out. `account`: as `statement` answers, with its live entries."""
    line, run = account["line"], account["run"]
    index = account["basis"] == SEVERITY_INDEX
    return {
        "title": f"{line}, {site.info.name} ({site.info.id})",
        "about": _about(site, account),
        "basis": account["basis"],
        "index_note": "A severity index is never a percent of life and never a date." if index else "",
        "basis_reasons": list(account["basis_reasons"]),
        "caution": account["caution"],
        "advice": [[one["do"], one["because"]] for one in account["advice_list"]],
        "zones": _zones(account),
        "factor": f"{account['factor']:g}",
        "together": account["together"],
        "unposted": [[one["zone"], one["day"], one["mechanism"], life(one["life"])] for one in account["unposted"]],
        "months": months(account["entries"]),
        "coverage": _coverage(account),
        "unobserved": _unobserved(account["unobserved"]),
        "bands": [
            [one["zone"], _band(one), "" if one["life"] is None else life(one["life"]), one["note"]]
            for one in account["bands"]
        ],
        "services": [
            [us_to_rfc3339(row.at_us), row.action, row.detail or ""] for row in site.services if row.line == line
        ],
        "service": [*_served(account["service"]), ["", account["service"]["no_extension"]]],
        "tests": [_test(one) for one in account["strength_tests"]],
        "strength": _strength(account["strength"]),
        "not_reckoned": [[name, why] for name, why in account["not_reckoned"].items()],
        "not_modelled": list(account["not_modelled"]),
        "run": "no run" if run is None else f"run {run['run']} ({run['run_id']})",
        "manifest": "" if run is None else run["manifest_sha256"],
    }


def life(value: Decimal | int | None) -> str:
    """A life with six digits, written out; null as what it is."""
    if value is None:
        return NOT_RECKONED
    rounded = _ROUNDED.plus(Decimal(value))
    return "0" if rounded == 0 else f"{rounded:f}"


def months(entries: Sequence[Mapping[str, Any]]) -> list[list[str]]:
    """Live entries summed exactly by UTC month and zone: month, zone, days, life by mechanism as posted."""
    lives: dict[tuple[str, str], dict[str, list[Decimal]]] = {}
    days: dict[tuple[str, str], set[str]] = {}
    for entry in entries:
        key = (entry["day"][:7], entry["zone"])
        lives.setdefault(key, {}).setdefault(entry["mechanism"], []).append(entry["life"])
        days.setdefault(key, set()).add(entry["day"])
    return [
        [*key, str(len(days[key])), *(life(exact_sum(found[name])) if name in found else "" for name in MECHANISMS)]
        for key, found in sorted(lives.items())
    ]


def _about(site: Site, account: Mapping[str, Any]) -> list[list[str]]:
    mbl = site.design_mbl_kn(account["line"])
    opening = account["opening"]
    return [
        ["Part, ship", f"{account['part']}, {account['ship']}"],
        ["Rope", account["spec"]],
        ["Break force", f"{account['break_force_kn']:g} kN (from {account['break_force_from']})"],
        ["Ship design MBL", "not known" if mbl is None else f"{mbl:g} kN"],
        ["Up to", "nothing is recorded" if account["until"] is None else f"{account['until']} (UTC)"],
        [
            "Opening balance",
            "unknown: what was used before our first record is in no figure here"
            if opening == "unknown"
            else f"{life(opening['life'])} (source: {opening['source']})",
        ],
    ]


def _zones(account: Mapping[str, Any]) -> list[list[str]]:
    closing = account["closing"]
    found = []
    for zone, lives in account["consumed"]["zones"].items():
        worse = " (worse)" if zone == account["consumed"]["worst"] else ""
        end = "unknown" if closing == "unknown" else life(closing["zones"][zone])
        posted = [life(lives[name]) for name in MECHANISMS]
        found.append([zone + worse, *posted, life(lives["total"]), end, life(account["pending"]["zones"][zone])])
    return found


def _coverage(account: Mapping[str, Any]) -> str:
    rigged_s, observed_s = float(account["coverage"]["rigged_s"]), float(account["coverage"]["observed_s"])
    if rigged_s <= 0:
        return "never rigged in our records"
    share = observed_s / rigged_s * 100.0
    return f"rigged {rigged_s / 3600:.1f} h, of which observed {observed_s / 3600:.1f} h ({share:.1f} %)"


def _unobserved(found: Mapping[str, Any]) -> str:
    if not found["reckoned"]:
        return f"no figure: {found['why']}. What was not observed is not zero."
    return (
        f"{found['hours']:.1f} h of zone {found['zone']}, {found['band']}: may have cost {life(found['median'])}, "
        f"between {life(found['low'])} and {life(found['high'])} ({found['interval_pct']} %). {found['words']}; "
        f"{found['measured']}."
    )


def _band(one: Mapping[str, Any]) -> str:
    return one["where"] if one["position_m"] is None else f"{one['where']} at {one['position_m']:g} m"


def _served(service: Mapping[str, Any]) -> list[list[str]]:
    age = service["age_years"]
    rows = [
        ["Calls", str(service["calls"])],
        ["Mooring hours", f"{service['mooring_h']:.1f} h"],
        ["In service since", service["in_service"] or "not registered"],
        ["Age", "not known" if age is None else f"{age:.2f} years"],
        ["Outside our records", service["outside_records"]["words"]],
        ["", service["outside_records"]["rigged_unobserved"]],
    ]
    reached = {True: "REACHED", False: "not reached", None: "not known whether reached"}
    for limit in service["limits"]:
        words = f"{limit['limit']} {limit['value']:g}: {reached[limit['reached']]} (source: {limit['source']})"
        rows.append([f"Limit of {limit['of']}", words])
    return rows


def _test(one: Mapping[str, Any]) -> list[str]:
    predicted = one["predicted_kn"]
    model = NOT_RECKONED if predicted is None else "; ".join(f"{band} {kn:.0f} kN" for band, kn in predicted.items())
    where = "" if one["position_m"] is None else f"{one['position_m']:g} m"
    return [
        one["at"],
        one["zone"],
        where,
        one["condition"] or "",
        f"{one['break_kn']:.0f} kN",
        model,
        one["laboratory"] or "",
    ]


def _strength(found: Mapping[str, Any]) -> dict[str, Any]:
    retirement = f"To be retired at {found['retirement_kn']:.0f} kN: {found['retirement_of']}."
    if not found["reckoned"]:
        return {"reckoned": False, "retirement": retirement, "why": found["why"], "left": [], "margin": ""}
    least = found["least_margin"]
    margin = "No day with a load is known." if least is None else _margin(least)
    new = "As if the line had been new at our first record, for its opening is unknown. " if found["as_if_new"] else ""
    return {
        "reckoned": True,
        "basis": found["basis"],
        "note": f"{new}A model of the spec (source: {found['source']}), of the rope lying straight, and no permission "
        "to use a line.",
        "retirement": retirement,
        "left": [
            [zone, band, f"{kn:.0f} kN"] for zone, bands in found["left_kn"].items() for band, kn in bands.items()
        ],
        "margin": margin,
    }


def _margin(least: Mapping[str, Any]) -> str:
    """The least margin. A rope lying over a bend has only a share of what is left of it: said beside the figure."""
    bend = least["bend"]
    over = "" if bend is None else f", of which it has {bend['strength']:.2f} over a bend of ratio {bend['ratio']:g}"
    share = least["peak_share"]
    of = "came when by the model nothing was left" if share is None else f"was {share * 100:.0f} % of what was left"
    return (
        f"Least margin: {least['margin_kn']:.0f} kN on {least['day']}, zone {least['zone']}, {least['band']}: a peak "
        f"of {least['peak_kn']:.0f} kN at {least['peak_at']} {of}: {least['left_kn']:.0f} kN{over}."
    )
