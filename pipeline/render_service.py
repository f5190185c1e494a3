"""Text of what a statement says piece by piece: along the line, outside of what was fitted, and what it has served."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.text import life as _life
from pipeline.text import table as _table

Row = Mapping[str, Any]
UNITS = {"max_calls": "calls", "max_mooring_h": "h moored", "max_age_years": "years"}


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
        "beyond_r": "with a range above valid_r",
        "outside_lm": "with a mean outside valid_lm",
        "below_r": "with a range below valid_r",
        "compressed": "going slack (no life is claimed for that)",
    }
    told = [f"{cycles[name]} {text}" for name, text in words.items() if cycles[name]]
    lines = [f"Of {cycles['total']} closed cycles: {', '.join(told)}."] if told else []
    hours = {"load": "outside fitted_load", "cold": "colder than fitted_c", "hot": "hotter than fitted_c"}
    found = [
        f"{creep[f'outside_{name}'] / 3600:.2f} h {text}" for name, text in hours.items() if creep[f"outside_{name}"]
    ]
    if found:
        lines.append(f"Creep is not counted for {', '.join(found)}, which is not zero.")
    return "\n".join(lines)


def service_text(service: Row) -> str:
    """Calls, hours, age, their limits, and what no record holds."""
    age = "age not known" if service["age_years"] is None else f"{service['age_years']:.1f} years in service"
    lines = [f"Served: {service['calls']} calls, {service['mooring_h']:.1f} h moored here, {age}."]
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
