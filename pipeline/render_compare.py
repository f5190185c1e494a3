"""A comparison of ropes as text for people, made from the very object that `--json` prints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from pipeline.text import join, life, table

Row = Mapping[str, Any]
METHODS = (("equal_load", "load"), ("equal_motion", "motion"))
HEAD = (
    "rope", "break kN", "kg/m", "kN m/kg", "equal", "fatigue", "creep", "abrasion", "used", "peak/break"
)  # fmt: skip


def compare_text(answer: Row) -> str:
    """Line by line: ropes under equal load and equal motion, the order or why there is none; then what it rests on."""
    lines = answer["lines"]
    ropes = [rope for line in lines for rope in line["ropes"]]
    kinds = sorted({rope["basis"] for rope in ropes})
    by = "from the sheets themselves" if answer["exact"] else "by class of tension"
    return join(
        f"{answer['site']}: the recorded history run through other ropes, {by}"
        + (f"; figures are a {' or a '.join(kinds)}" if kinds else ""),
        *(_line(line, exact=answer["exact"]) for line in lines),
        _factors(ropes),
        answer["weight"],
        _notes(ropes),
        _too_weak(lines),
        "\n".join(answer["limits"]),
        "What the figures rest on\n" + _reasons(ropes) if ropes else "",
        "A severity index puts ropes in an order; it is never a percent of life or a date."
        if "severity index" in kinds
        else "",
        "In no figure: " + ", ".join(answer["not_modelled"]) + ".",
        answer["caution"],
    )


def _line(line: Row, *, exact: bool) -> str:
    if not line["ropes"]:
        return f"{line['line']}: {line['why']}"
    rows = [row for rope in line["ropes"] for row in _rows(rope)]
    return f"{line['line']}\n{table(HEAD, rows)}\n{_order(line)}\n{_errors(line['ropes'], exact=exact)}".rstrip()


def _rows(rope: Row) -> list[list[str]]:
    """A rope's two rows: under equal load, and under equal motion."""
    first = [
        f"{rope['spec']} (own)" if rope["own"] else rope["spec"],
        f"{rope['break_force_kn']:g}",
        f"{rope['mass_kg_per_m']:g}",
        f"{rope['strength_to_weight_kn_m_kg']:.0f}",
    ]
    rows = []
    for key, word in METHODS:
        found = rope[key]
        head = first if key == "equal_load" else [""] * len(first)
        if found is None:
            rows.append([*head, word, *["not reckoned"] * 4, "-"])
            continue
        named = word if key == "equal_load" else f"{word} x{found['scale']:.3f}"
        rows.append(
            [
                *head,
                named,
                life(found["fatigue"]),
                _creep(found),
                _known(found["abrasion"]),
                _used(found),
                "-" if found["peak_share"] is None else f"{found['peak_share'] * 100:.1f} %",
            ]
        )
    return rows


def _known(value: Decimal | None) -> str:
    return "not reckoned" if value is None else life(value)


def _creep(found: Row) -> str:
    bound = found["creep_at_most"]
    return _known(found["creep"]) if bound is None else f"at most {life(bound)}"


def _used(found: Row) -> str:
    least, most = found["used"], found["used_at_most"]
    return life(least) if least == most else f"{life(least)} to {life(most)}"


def _order(line: Row) -> str:
    if line["ranked"] is None:
        return f"No order: {line['why']}."
    return f"Used least under both, first: {', '.join(line['ranked'])}; an order by life used alone, of no fitness."


def _errors(ropes: Sequence[Row], *, exact: bool) -> str:
    """What classes cost, by mechanism."""
    against = "the sheets" if exact else "the line's own account"
    parts = []
    for rope in ropes:
        if rope["class_error"] is None:
            continue
        known = [f"{name} {error * 100:+.2g} %" for name, error in rope["class_error"].items() if error is not None]
        parts.append(f"{rope['spec']} {', '.join(known)}")
    return f"By class against {against}: {'; '.join(parts)}." if parts else ""


def _factors(ropes: Sequence[Row]) -> str:
    found = {rope["spec"]: rope["factor"] for rope in ropes if rope["factor"] != 1}
    return f"Figures are times the spec's factor: {', '.join(f'{k} {v:g}' for k, v in found.items())}." if found else ""


def _notes(ropes: Sequence[Row]) -> str:
    """What is not reckoned, each once, with the ropes it is for."""
    found: dict[str, list[str]] = {}
    for rope in ropes:
        for name, why in rope["not_reckoned"].items():
            found.setdefault(f"{name} ({why})", []).append(rope["spec"])
    return "\n".join(
        f"Not reckoned, which is not zero: {what}: {', '.join(dict.fromkeys(names))}." for what, names in found.items()
    )


def _too_weak(lines: Sequence[Row]) -> str:
    """Ropes whose break force is below the ship design MBL of the line they are held against."""
    found: dict[str, list[str]] = {}
    for line in lines:
        for rope in line["ropes"]:
            mbl = rope["design_mbl_kn"]
            if mbl is not None and rope["break_force_kn"] < mbl:
                found.setdefault(f"{rope['spec']}, {rope['break_force_kn']:g} kN against {mbl:g} kN", []).append(
                    line["line"]
                )
    told = "; ".join(f"{what} ({', '.join(names)})" for what, names in found.items())
    return f"BREAK FORCE BELOW SHIP DESIGN MBL: {told}: whatever it would have used." if told else ""


PREDICATES = {
    " says of its source: ": "source ",
    " has no source": "no source",
    " is not marked calibrated": "not marked calibrated",
}


def _reasons(ropes: Sequence[Row]) -> str:
    """Why figures are no more than an index: each once, with all that it is said of."""
    found: dict[str, dict[str, None]] = {}
    for why in (why for rope in ropes for why in rope["basis_reasons"]):
        told = next((words for words in PREDICATES if words in why), None)
        if told is None:
            found.setdefault(why, {})
        else:
            of, _, rest = why.partition(told)
            found.setdefault(PREDICATES[told] + rest, {})[of] = None
    lines = [f"  {why}{': ' if of else ''}{', '.join(of)}" for why, of in found.items()]
    return "\n".join(lines) or "  calibrated constants"
