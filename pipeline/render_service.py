"""Text of what a statement says piece by piece: along the line, what was not fitted, strength, service, what to do."""

from collections.abc import Mapping, Sequence
from math import floor
from typing import Any

from pipeline.text import life as _life
from pipeline.text import table as _table

Row = Mapping[str, Any]
UNITS = {"max_calls": "calls", "max_mooring_h": "h moored", "max_age_years": "years"}


def scatter_text(told: Row | None) -> str:
    """The band that the scatter of tests gives fatigue; nothing where no scatter is known, or no fatigue."""
    if told is None:
        return ""
    zones = ", ".join(
        f"zone {zone} {band['low']:.3e} to {band['high']:.3e}"
        for zone, band in told["zones"].items()
        if band["high"] > 0
    )
    if not zones:
        return ""
    return (
        f"Fatigue scatters among ropes tested alike (log10 N by {told['scatter']:g}; source: {told['source']}): "
        f"{100 * told['share']:.0f} % of them would have used {zones}, and half of the rest more. Errors of "
        "loads and of the curve come on top."
    )


def along_text(pieces: Sequence[Row]) -> str:
    """The pieces of each end, from the eye inwards."""
    rows = [
        [
            piece["zone"],
            piece["where"],
            "-" if piece["position_m"] is None else f"{piece['position_m']:g}",
            piece["from"] or "-",
            "-" if piece["life"] is None else _life(piece["life"]),
            piece["note"],
        ]
        for piece in pieces
    ]
    return _table(["zone", "piece", "m from the eye", "from", "consumed", "note"], rows)


def outside_text(outside: Row) -> str:
    """Cycles and creep time outside of what the constants were fitted to; nothing where there are none."""
    cycles, creep = outside["cycles"], outside["creep_s"]
    words = {
        "beyond_r": "with a range above valid_r (0.5 where the spec has none)",
        "outside_lm": "with a mean outside valid_lm",
        "below_r": "with a range below valid_r",
        "compressed": "going slack (no life is claimed for that)",
    }
    told = [f"{cycles[name]} {text}" for name, text in words.items() if cycles[name]]
    lines = [f"Of {cycles['total']} closed cycles: {', '.join(told)}."] if told else []
    if cycles["beyond_r"] or cycles["outside_lm"]:
        lines.append("Those above valid_r or outside valid_lm may have used more than the figures say.")
    hours = {"load": "outside fitted_load", "cold": "colder than fitted_c", "hot": "hotter than fitted_c"}
    found = [
        f"{creep[f'outside_{name}'] / 3600:.2f} h {text}" for name, text in hours.items() if creep[f"outside_{name}"]
    ]
    if found:
        lines.append(
            f"Creep is not counted for {', '.join(found)}, which is not zero: above the upper ends it is faster."
        )
    return "\n".join(lines)


def strength_text(told: Row, tests: Sequence[Row]) -> str:
    """Strength left, the retirement line, the least margin, and break tests against the model."""
    retire = f"retirement line {told['retirement_kn']:.0f} kN ({told['retirement_of']})"
    if not told["reckoned"]:
        return "\n".join([f"Strength left: not reckoned: {told['why']}; {retire}.", *map(_test, tests)])
    left = "; ".join(
        f"zone {zone}: " + ", ".join(f"{band} {floor(kn)} kN" for band, kn in found.items())
        for zone, found in told["left_kn"].items()
    )
    new = "Strength left, had the line been new at its first record" if told["as_if_new"] else "Strength left"
    lines = [
        f"{new} ({told['basis']}; source: {told['source']}): {left}; {retire}.",
        "No day with readings, so no margin.",
    ]
    least = told["least_margin"]
    if least is not None:
        share = "nothing was left"
        if least["peak_share"] is not None:
            share = f"the peak was {100 * least['peak_share']:.0f} % of it"
        lines[1] = (
            f"Least margin: a peak of {least['peak_kn']:.0f} kN at {least['peak_at']}, zone {least['zone']}, "
            f"{least['band']}, against {floor(least['left_kn'])} kN left then{over_bend(least['bend'])}: "
            f"{floor(least['margin_kn'])} kN between them; {share}."
        )
    return "\n".join(
        [*lines, *map(_test, tests), "A model, not a break test: no figure here is a reason to keep a line."]
    )


def over_bend(bend: Row | None) -> str:
    """What a bend leaves of strength, and whether that may be too much; for whatever strength stands before."""
    if bend is None:
        return " (straight: no bend is reckoned)"
    beyond = ", a smaller bend than its source serves, so that less may be left" if bend["outside"] else ""
    return f", times {bend['strength']:.6g} over a bend of D/d {bend['ratio']:g}{beyond}"


def _test(row: Row) -> str:
    """One break test, with what the model says of that day."""
    model = "the model says nothing"
    if row["predicted_kn"] is not None:
        model = "the model said " + ", ".join(f"{band} {kn:.0f} kN" for band, kn in row["predicted_kn"].items())
    where = "" if row["position_m"] is None else f"{row['position_m']:g} m from the eye"
    said = [row["at"], f"zone {row['zone']}", where, row["condition"], row["laboratory"]]
    return f"Break test of {', '.join(part for part in said if part)}: {row['break_kn']:.0f} kN; {model}."


def advice_text(advice: Sequence[Row]) -> str:
    """What to do with the line, most urgent first."""
    told = [f"  {said['do']}: {said['because']}" if said["because"] else f"  {said['do']}" for said in advice]
    return "\n".join(["What to do, by the rules of the policy", *told])


def service_text(service: Row) -> str:
    """Calls, hours, age, their limits, and what no record holds."""
    age = "age not known" if service["age_years"] is None else f"{service['age_years']:.1f} years in service"
    made = "1 call" if service["calls"] == 1 else f"{service['calls']} calls"
    lines = [f"Served: {made}, {service['mooring_h']:.1f} h moored here, {age}."]
    for row in service["limits"]:
        state = {None: "NOT KNOWN", True: "REACHED", False: "not reached"}[row["reached"]]
        lines.append(f"Limit of the {row['of']}: {row['value']:g} {UNITS[row['limit']]}, {state} ({row['source']}).")
    outside = service["outside_records"]
    lines += [
        f"{outside['words'].capitalize()}; {outside['rigged_unobserved']}.",
        f"{service['no_extension'].capitalize()}.",
    ]
    return "\n".join(lines)


def served(service: Row) -> str:
    """Calls, mooring hours and age of a line, in short."""
    age = service["age_years"]
    return f"{service['calls']}/{service['mooring_h']:.0f}/{'-' if age is None else f'{age:.1f}'}"
