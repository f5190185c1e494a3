"""Part B as it is shown."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.incident.links import Links, parts_of
from pipeline.incident.record import Days, Explanation, Figure, Incident, Life, Point, Sensitive, Spent, figures
from pipeline.incident.words import Clocks, given_text, number_text, told, unit_text

Shown = dict[str, Any]
MECHANISMS = ("fatigue", "creep", "abrasion", "open_cycles", "total")


def part_b(incident: Incident, links: Links, clocks: Clocks) -> Shown:
    """Lives, what spent them, sensitivity, error rates, explanations; each with links to its figures."""
    part = incident.part_b
    names = {file.sha256: file.file for file in incident.evidence.raw_files}
    units = {figure.number: figure.unit for one in parts_of(incident).values() for figure in figures(one)}

    def show(figure: Figure) -> Shown:
        return {**told(figure, clocks), "anchor": links.figures[figure.number]}

    return {
        "lives": [_life(life, show) for life in part.lives],
        "spent": [_spent(one, links, clocks, show) for one in part.spent],
        "sensitivity": [_sensitive(one, units, links, clocks) for one in part.sensitivity],
        "error_rates": [
            {
                "number": one.number,
                "anchor": links.things[one.number],
                "kind": one.kind.replace("-", " "),
                "rate": "" if one.rate_hz is None else f"{one.rate_hz:g} Hz",
                "recall": "not measured" if one.recall is None else f"{one.recall:.1f} %",
                "precision": "not measured" if one.precision is None else f"{one.precision:.1f} %",
                "of": "" if one.of is None else str(one.of),
                "measured_on": one.measured_on,
                "command": one.command,
                "text": one.text,
            }
            for one in part.error_rates
        ],
        "error_rates_text": part.error_rates_text,
        "explanations": [_explanation(one, links) for one in part.explanations],
        "days": [_days(days, names, links) for life in part.lives for days in life.days],
        "no_verdict": part.no_verdict,
        "caution": part.caution,
    }


def _life(life: Life, show: Any) -> Shown:
    return {
        "line": life.line,
        "part": life.part,
        "basis": life.basis,
        "basis_reasons": list(life.basis_reasons),
        "not_reckoned": list(life.not_reckoned),
        "not_modelled": list(life.not_modelled),
        "opening": show(life.opening),
        "zones": [
            {"zone": zone.zone, "outboard": zone.outboard, **{name: show(getattr(zone, name)) for name in MECHANISMS}}
            for zone in life.zones
        ],
        "rigged": show(life.rigged),
        "observed": show(life.observed),
        "strength": [show(figure) for figure in life.strength],
        "energy": [show(figure) for figure in life.energy],
    }


def _days(days: Days, names: Mapping[str, str], links: Links) -> Shown:
    return {
        "number": days.number,
        "anchor": links.things[days.number],
        "line": days.line,
        "zone": days.zone,
        "days": [
            {"day": one.day, "channel": one.channel, "files": ", ".join(names.get(sha, sha) for sha in one.sha256)}
            for one in days.days
        ],
    }


def _spent(one: Spent, links: Links, clocks: Clocks, show: Any) -> Shown:
    return {
        "number": one.number,
        "anchor": links.things[one.number],
        "kind": one.kind.replace("-", " "),
        "from": clocks.utc(one.from_us, 0),
        "to": clocks.utc(one.to_us, 0) if one.to_us > one.from_us else "",
        "text": one.text,
        "life": None if one.life is None else show(one.life),
        "figures": [show(figure) for figure in one.figures],
    }


def _sensitive(one: Sensitive, units: Mapping[str, str], links: Links, clocks: Clocks) -> Shown:
    unit = unit_text(one.unit)
    return {
        "number": one.number,
        "anchor": links.things[one.number],
        "of": links.to((one.of_figure,)),
        "constant": one.constant,
        "used": f"{number_text(one.used, one.unit)}{unit}",
        "source": one.source,
        "changed": [
            {
                "to": f"{number_text(to, one.unit)}{unit}",
                "gives": "not known" if gives is None else given_text(gives, units.get(one.of_figure, ""), clocks),
            }
            for to, gives in one.changed
        ],
        "says": one.says,
    }


def _explanation(one: Explanation, links: Links) -> Shown:
    return {
        "number": one.number,
        "anchor": links.things[one.number],
        "name": one.name,
        "shows_for": [_point(point, links) for point in one.shows_for],
        "shows_against": [_point(point, links) for point in one.shows_against],
        "cannot_show": list(one.cannot_show),
    }


def _point(point: Point, links: Links) -> Shown:
    return {"text": point.text, "figures": links.to(point.figures)}
