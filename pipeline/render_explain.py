"""The answer of `tautlog explain` as text: the largest items of each list, and what the others sum to."""

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from pipeline.render_service import over_bend
from pipeline.text import join, life, table

Row = Mapping[str, Any]
SHOWN = 20
"""How many items of a list the text shows; `--json` holds them all."""


def explain_text(answer: Row) -> str:
    """A line's account of one day, from inputs to margin, with formulas."""
    return join(
        f"Line {answer['line']} ({answer['part']}, {answer['material']}, spec {answer['spec']}), "
        f"zone {answer['zone']}, day {answer['day']}; reckoned until {answer['until'] or 'nothing yet'}",
        answer["caution"],
        _named_basis(answer),
        _unreckoned(answer),
        _inputs(answer),
        _constants(answer),
        _carried("CARRIED INTO THE DAY", answer["carried"]),
        _sheets(answer),
        _fatigue(answer["fatigue"]),
        _creep(answer["creep"]),
        _heat(answer["heat"]),
        _abrasion(answer["abrasion"]),
        _carried("LEFT TO THE NEXT DAY", answer["leaves"])
        + ("" if answer["leaves"]["agrees"] else "\nTHIS IS NOT WHAT THE LEDGER HOLDS: run `tautlog audit`"),
        _account(answer["account"]),
        _strength(answer["account"]["strength"]),
        "\n".join(f"Not reckoned, which is not zero: {name} ({why})." for name, why in answer["not_reckoned"].items()),
        "In no figure: " + ", ".join(answer["not_modelled"]) + ".",
        answer["caution"],
    )


def _named_basis(answer: Row) -> str:
    if not answer["basis_reasons"]:
        return f"Basis: {answer['basis']}"
    return (
        f"These figures are a {answer['basis']}, which ranks lines and is never a percent of life or a date: "
        + "; ".join(answer["basis_reasons"])
    )


def _unreckoned(answer: Row) -> str:
    days = answer["unreckoned_days"]
    return f"NOT RECKONED YET: samples of {days} place-days; run `tautlog nightly`." if days else ""


def _inputs(answer: Row) -> str:
    force, mbl, air, grid = answer["break_force"], answer["design_mbl"], answer["air"], answer["grid"]
    design = "unknown" if mbl["kn"] is None else f"{mbl['kn']:g} kN ({mbl['source'] or 'no source'})"
    return "\n".join(
        (
            f"Break force {force['kn']:g} kN (from {force['from']}); ship design MBL {design}",
            f"Rope: {answer['construction']}, {answer['diameter_mm']:g} mm, {answer['mass_kg_per_m']:g} kg/m",
            f"Air: {air['temperature_c']:g} °C ({air['temperature_from']}), wind {air['wind_m_s']:g} m/s "
            f"({air['wind_from']})"
            + "".join(f"; {row['channel']} read {row['quantity']} in {row['bins_read']} bins" for row in air["read"]),
            f"Grid: bins of {grid['bin_s']} s, classes of {grid['class_kn']:g} kN taken at their middle; life in whole "
            f"units of {grid['unit']}, each item rounded once; gas constant {grid['gas_constant_j_molk']} J/(mol K)",
        )
    )


def _constants(answer: Row) -> str:
    rows = []
    for name, given in answer["constants"].items():
        if given is None:
            rows.append([name, "-", "-", "not in the spec: not reckoned"])
            continue
        known = ", ".join(f"{key} = {_plain(value)}" for key, value in given["constants"].items() if value is not None)
        rows.append([name, "yes" if given["calibrated"] else "NO", given["source"], known])
    return "CONSTANTS\n" + table(["table", "calibrated", "source", "constants"], rows)


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return "; ".join(f"{key} {_plain(inner)}" for key, inner in value.items() if inner is not None)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_plain, value)) + "]"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _carried(title: str, left: Row) -> str:
    points = _points(left["residue"])
    heat, swing = left["heat"], left["swing"]
    warmth = "not known" if heat is None else f"{heat['surface_c']:.4f} °C at {heat['at']}"
    since = f" (from {left['from_day'] or 'nothing: the first day'})" if "from_day" in left else ""
    return "\n".join(
        (
            f"{title}{since}",
            f"  open turning points (residue): {points or 'none'}",
            f"  rope surface: {warmth}",
            f"  open swing: {_points(swing) or 'none'}",
        )
    )


def _points(points: Sequence[Row]) -> str:
    shown = ", ".join(f"{point['kn']:.6g} kN {point['at']}" for point in points[:SHOWN])
    return shown + (f" and {len(points) - SHOWN} more" if len(points) > SHOWN else "")


def _sheets(answer: Row) -> str:
    rows = [
        [
            sheet["sheet"],
            sheet["channel"],
            sheet["from"],
            sheet["to"],
            f"{sheet['share']:g}",
            "; ".join(f"zero {c['zero_kn']:g} kN, gain {c['gain']:g}" for c in sheet["calibrations"]) or "none",
            f"{sheet['path']}, SHA-256 {sheet['sha256']}",
        ]
        for sheet in answer["sheets"]
    ]
    return "SHEETS OF THE DAY\n" + table(["sheet", "channel", "from", "to", "share", "calibration", "file"], rows)


def _fatigue(told: Row) -> str:
    head = ["low kN", "high kN", "count", "R", "Lm", "N", "life of one", "life"]

    def row(item: Row) -> list[str]:
        n = "beyond all numbers" if item["N"] is None else f"{item['N']:.6e}"
        ratios = [f"{item['R']:.8f}", f"{item['Lm']:.8f}"]
        return [
            f"{item['low_kn']:.6g}", f"{item['high_kn']:.6g}", str(item["count"]), *ratios, n,
            f"{item['life_of_one']:.6e}", f"{item['life']:.6e}",
        ]  # fmt: skip

    outside = told["outside_the_curve"]
    unseen = f"; not looked at, for want of limits: {', '.join(outside['not_looked_at'])}"
    return _section(
        f"FATIGUE: {told['cycles_closed']} cycles closed; ratios over {told['strength_kn']:g} kN",
        told["formulas"],
        _largest(head, told["cycles"], row),
        f"Outside the curve: R above {outside['beyond_r']}, R below {outside['below_r']}, Lm {outside['outside_lm']}; "
        f"gone slack {outside['compressed']}{unseen if outside['not_looked_at'] else ''}. Cycles above or outside may "
        "have used more than the figure says",
        _sum(told["sum"]),
    )


def _creep(told: Row) -> str:
    head = ["bin from", "load kN", "load ratio", "core °C", "rupture s", "seconds", "life", "counted"]

    def row(item: Row) -> list[str]:
        rupture = "-" if item["rupture_s"] is None else f"{item['rupture_s']:.6e}"
        return [
            item["bin_from"], f"{item['load_kn']:g}", f"{item['load_ratio']:.8f}", f"{item['core_c']:.5f}", rupture,
            f"{item['seconds']}", "-" if item["life"] is None else f"{item['life']:.6e}", item["why"],
        ]  # fmt: skip

    limit = told["sustained_limit_kn"]
    return _section(
        f"CREEP: rule {told['rule']}" + ("" if limit is None else f", swings below {limit:g} kN stand"),
        told["formulas"],
        _largest(head, told["items"], row),
        "\n".join(f"  {seconds} s: {why}" for why, seconds in told["seconds_by_why"].items()),
        told["caution"],
        _sum(told["sum"]),
    )


def _heat(told: Row) -> str:
    if not told["reckoned"]:
        return f"HEAT: not reckoned: {told['why']}"
    head = [
        "from",
        "air °C",
        "wind m/s",
        "range² kN²",
        "power W/m",
        "begin °C",
        "film W/(m²K)",
        "surface °C",
        "core °C",
    ]

    def row(item: Row) -> list[str]:
        film = item["film_w_m2k"]
        span = f"{min(film):.4f} to {max(film):.4f}" if film else "-"
        return [
            item["from"], f"{item['air_c']:.4g}", f"{item['wind_m_s']:.4g}", f"{item['range2_kn2']:.8g}",
            f"{item['power_w_m']:.6e}", f"{item['begin_c']:.5f}", span,
            f"{item['surface_c']:.5f}", f"{item['core_c']:.5f}",
        ]  # fmt: skip

    section = ", ".join(f"{name} = {value:.10g}" for name, value in told["section"].items())
    rested = [
        f"Unswung from {found['from']} ({found['begin_c']:.4f} °C) to {found['to']} ({found['end_c']:.4f} °C)"
        for found in told["relaxed"]
    ]
    warmest = sorted(told["bins"], key=lambda item: -item["core_c"])
    more = len(warmest) - SHOWN
    return _section(
        "HEAT: no life of its own; core temperatures enter creep",
        told["formulas"],
        section,
        "\n".join(rested),
        table(head, [row(item) for item in warmest[:SHOWN]]) if warmest else "No bins.",
        f"and {more} more, the warmest core of them {warmest[SHOWN]['core_c']:.5f} °C (all with --json)"
        if more > 0
        else "",
    )


def _abrasion(told: Row) -> str:
    contacts = []
    for contact in told["contacts"]:
        text = f"  {contact['sheet']}: {contact['says']}"
        if "E" in contact:
            text += (
                f"; E = {contact['E']:.8f}, give {contact['give_m_per_kn']:.6e} m/kN, "
                f"allowable work {contact['allowable_work_kj']:g} kJ"
            )
        contacts.append(text)
    swings = ["bin from", "low kN", "high kN", "count", "slip m", "rising kJ", "falling kJ", "work kJ", "life"]
    travel = ["tension kN", "metres", "work kJ", "life"]

    def swing(item: Row) -> list[str]:
        works = [f"{item[name]:.6e}" for name in ("slip_m", "rising_kj", "falling_kj", "work_kj", "life")]
        return [item["bin_from"], f"{item['low_kn']:.6g}", f"{item['high_kn']:.6g}", str(item["count"]), *works]

    def move(item: Row) -> list[str]:
        return [f"{item['tension_kn']:g}", f"{item['metres']:.6g}", f"{item['work_kj']:.6e}", f"{item['life']:.6e}"]

    return _section(
        "ABRASION: at the contact, in no sum with the outboard length",
        told["formulas"],
        "\n".join(contacts),
        "Swings:\n" + _largest(swings, told["swings"], swing),
        "Travel:\n" + _largest(travel, told["travel"], move),
        _sum(told["sum"]),
    )


def _account(told: Row) -> str:
    names = ("fatigue", "creep", "abrasion")
    days = [
        [row["zone"], row["day"], *(_life(row[name], "not posted") for name in names), _peak(row)]
        for row in sorted(told["days"], key=lambda row: row["day"], reverse=True)[:SHOWN]
    ]
    more = len(told["days"]) - len(days)
    zones = []
    for zone, row in told["zones"].items():
        zones.append([zone, "sum of days posted", *(_life(row["sum"][name]) for name in names)])
        zones.append([zone, "not posted yet", *(_life(row["not_posted"][name]) for name in names)])
        odd = "" if row["pending_agrees"] else " NOT AS THE ACCOUNT HAS IT: run `tautlog audit`"
        zones.append([zone, "pending (open cycles)", _life(row["pending"]["life"]) + odd, "-", "-"])
    bands = [
        [zone, band, life(used), life(row["bands_used"][band])]
        for zone, row in told["zones"].items()
        for band, used in row["bands_posted"].items()
    ]
    contacts = [
        [
            zone,
            "not known" if band["position_m"] is None else f"{band['position_m']:g}",
            band["since"],
            life(band["life"]),
        ]
        for zone, row in told["zones"].items()
        for band in row["contacts"]
    ]
    opening, pending = told["opening"], told["zones"][told["worse_zone"]]["pending"]["half_cycles"]
    ranges = [
        [f"{item['low_kn']:.6g}", f"{item['high_kn']:.6g}", f"{item['R']:.8f}", f"{item['life']:.6e}"]
        for item in sorted(pending, key=lambda item: -item["life"])[:SHOWN]
    ]
    return _section(
        "ACCOUNT",
        told["formulas"],
        "Opening: unknown" if opening == "unknown" else f"Opening: {life(opening['life'])} ({opening['source']})",
        table(["zone", "day", *names, "highest tension"], days)
        + (f"\nand {more} earlier days, in the sums below (all with --json)" if more > 0 else ""),
        table(["zone", "what", *names], zones),
        f"Open half cycles of zone {told['worse_zone']}:\n"
        + table(["low kN", "high kN", "R", "life (half)"], ranges)
        + (f"\nand {len(pending) - SHOWN} more" if len(pending) > SHOWN else ""),
        f"Fatigue times the spec's factor {told['factor_on_fatigue']:g}; rule {told['rule']}. {told['together']}",
        "Contact bands still on the rope:\n" + table(["zone", "m from the eye", "since", "life"], contacts)
        if contacts
        else "",
        table(["zone", "band", "posted", "with what is not posted, and pending"], bands),
    )


def _strength(told: Row) -> str:
    line = f"retirement line {told['retirement_kn']:.6g} kN ({told['retirement_of']})"
    if not told["reckoned"]:
        return f"STRENGTH LEFT: not reckoned: {told['why']}; {line}"
    left = "\n".join(
        f"  zone {zone}, {band}: {kn:.6f} kN" for zone, found in told["left_kn"].items() for band, kn in found.items()
    )
    found = told["least_margin"]
    margin = "No day with readings."
    if found is not None:
        margin = (
            f"Least margin: zone {found['zone']}, {found['band']}, {found['day']}: peak {found['peak_kn']:.6g} kN at "
            f"{found['peak_at']} against {found['left_kn']:.6f} kN left{over_bend(found['bend'])}: "
            f"{found['margin_kn']:.6f} kN between them"
        )
    new = " of a line that was new at the first record: its opening is unknown" if told["as_if_new"] else ""
    basis = told["basis"] + "".join(f"; {why}" for why in told["basis_reasons"])
    return (
        f"STRENGTH LEFT{new} (source: {told['source']}); {line}\nBasis: {basis}\n{left}\n{margin}\n"
        "A model, not a break test: no figure here is a reason to keep a line."
    )


def _peak(row: Row) -> str:
    return "-" if row["peak_kn"] is None else f"{row['peak_kn']:.6g} kN {row['peak_at']}"


def _life(value: Decimal | None, without: str = "not reckoned") -> str:
    return without if value is None else life(value)


def _section(title: str, formulas: Row, *parts: str) -> str:
    told = "\n".join(f"  {name} = {text}" for name, text in formulas.items())
    return join(f"{title}\n{told}", *parts)


def _largest(head: Sequence[str], items: Sequence[Row], row: Callable[[Row], list[str]]) -> str:
    """A table of the items with most life, which come first, and how many more there are and what they sum to."""
    if not items:
        return "No items."
    rest = items[SHOWN:]
    text = table(head, [row(item) for item in items[:SHOWN]])
    if not rest:
        return text
    together = life(sum((item["life"] for item in rest if item["life"] is not None), Decimal(0)))
    unclaimed = sum(item["life"] is None for item in rest)
    but = f"; for {unclaimed} of them no life is claimed, which is not zero" if unclaimed else ""
    return f"{text}\nand {len(rest)} more, together {together}{but} (all with --json)"


def _sum(told: Row) -> str:
    return f"Sum: {told['says']}." if told["life"] is None else f"Sum: {told['life']:f}; {told['says']}."
