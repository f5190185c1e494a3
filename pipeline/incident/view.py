"""An incident as it is shown: every text and figure ready, for the page and for the PDF alike.

Plain mappings, lists and texts, so that a template can do nothing but lay them out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.incident.forms import CHECKLIST, CUSTODY
from pipeline.incident.links import Links, make_links, under
from pipeline.incident.record import (
    BerthLine,
    Clock,
    Doubt,
    Figure,
    Happening,
    Incident,
    Order,
    PartA,
)
from pipeline.incident.view_b import part_b
from pipeline.incident.words import Clocks, duration_text, sentence, told
from pipeline.ledger.words import CAUTION
from schemas.times import day_of

Shown = dict[str, Any]
KEEP_CLEAR = (
    "Lines under tension kill: keep clear. Nothing in this file says where it is safe to stand, and no figure of it is "
    "a reason to keep a line, a tail, a winch or a hook in use."
)


@dataclass(frozen=True)
class Made:
    """What a page says of the folder it lies in: digests by name, and versions by program."""

    digests: Mapping[str, str]
    versions: Mapping[str, str]


def view(incident: Incident, zone: ZoneInfo, made: Made) -> Shown:
    """All that page and PDF show. Bug: a number that is cited and not there, or there twice."""
    clocks = Clocks(zone)
    links = make_links(incident, clocks)
    asked, call = incident.asked, incident.call
    return {
        "title": f"{asked.line} at {incident.site_name}, {clocks.utc(asked.at_us, 0)} UTC",
        "line": asked.line,
        "site": incident.site_name,
        "asked": {**_at(asked.at_us, clocks), "window": f"{asked.window_min:g} min to each side"},
        "zone": str(zone),
        "ship": call.ship,
        "call": {
            "from": _at(call.from_us, clocks),
            "to": None if call.to_us is None else _at(call.to_us, clocks),
            "until": _at(call.until_us, clocks),
            "all_fast": _at(call.all_fast_us, clocks),
            "first_let_go": None if call.first_let_go_us is None else _at(call.first_let_go_us, clocks),
            "window_from": _at(call.window_from_us, clocks),
            "window_to": _at(call.window_to_us, clocks),
            "lasted": duration_text((call.to_us or call.until_us) - call.from_us),
            "lines": list(call.lines),
            "design_mbl": "not registered" if call.design_mbl_kn is None else f"{call.design_mbl_kn:g} kN",
        },
        "reference_logger": incident.reference_logger,
        "caution": CAUTION,
        "keep_clear": KEEP_CLEAR,
        "a": _part_a(incident.part_a, links, clocks),
        "b": part_b(incident, links, clocks),
        "rows": dict(links.rows),
        "raw": dict(links.raw),
        "files": [_file(file, clocks) for file in incident.evidence.raw_files],
        "registers": [
            {"name": name, "sha256": sha256, "anchor": links.registers[name]}
            for name, sha256 in incident.evidence.archive
        ],
        "digests": [{"name": name, "sha256": sha256} for name, sha256 in sorted(made.digests.items())],
        "versions": [{"name": name, "version": version} for name, version in made.versions.items()],
        "checklist": CHECKLIST,
        "custody": CUSTODY,
    }


def _at(at_us: int, clocks: Clocks) -> Shown:
    return {"utc": clocks.utc(at_us, 1), "local": clocks.local(at_us)}


def _file(file: Any, clocks: Clocks) -> Shown:
    ends = [("first", file.first_us), ("last", file.last_us)]
    return {
        "file": file.file,
        "sha256": file.sha256,
        "bytes": f"{file.bytes:,}",
        "layout": file.layout,
        "lines": f"{file.lines:,}",
        "quarantined": file.quarantined,
        "why": " and ".join(file.why),
        **{name: "" if at_us is None else clocks.utc(at_us, 0) for name, at_us in ends},
    }


def _part_a(part: PartA, links: Links, clocks: Clocks) -> Shown:
    def show(figure: Figure) -> Shown:
        return {**told(figure, clocks), "anchor": links.figures[figure.number]}

    by_number = {one.number: one for one in part.sequence}
    sequence = [_happening(one, part.loss, links, clocks, show) for one in part.sequence]
    load, residual = part.load, part.load.residual
    return {
        "loss_text": sentence(part.loss_text),
        "first_to_go": part.first_to_go,
        "first_text": sentence(part.first_text),
        "instant": show(part.instant),
        "clock_method": sentence(part.clock_method[:1].upper() + part.clock_method[1:]),
        "clocks": [_clock(clock, clocks, show) for clock in part.clocks],
        "sequence": [one for one in sequence if one["in_window"]],
        "whole_call": [
            {**one, **_brief(told, one)}
            for one, told in zip(sequence, part.sequence, strict=True)
            if not told.in_window
        ],
        "orders": [_order(one, by_number, links, show) for one in part.orders],
        "loads": [_figures_of(line, show, "line", "lost", "role") for line in load.lines],
        "sharing": [_figures_of(share, show, "line", "role", "lost", "stands_out") for share in load.sharing],
        "residual": _figures_of(residual, show, "possible", "why"),
        "berth": [_berth_line(line, show) for line in part.berth],
        "schematic": any(line.chock_ahead_m is None for line in part.berth),
        "doubts": [_doubt(doubt, links, show) for doubt in part.doubts],
        # Not twice on one page: the caution that stands above everything says the same.
        "caution": KEEP_CLEAR if part.caution == CAUTION else part.caution,
    }


def _figures_of(found: Any, show: Any, *plain: str) -> Shown:
    """A row of figures: some plain fields as they are, every figure shown."""
    names = found.__dataclass_fields__
    figures = {name: getattr(found, name) for name in names if isinstance(getattr(found, name), Figure)}
    return {**{name: getattr(found, name) for name in plain}, **{name: show(one) for name, one in figures.items()}}


def _clock(clock: Clock, clocks: Clocks, show: Any) -> Shown:
    return {
        "logger": clock.logger,
        "channels": ", ".join(clock.channels),
        "is_reference": clock.is_reference,
        "offset": show(clock.offset),
        "drift": show(clock.drift),
        "method": clock.method,
        "windows": len(clock.windows),
        "kept": sum(window.kept for window in clock.windows),
        "stretches": [
            {
                "middle": clocks.utc(window.middle_us, 0),
                "offset": f"{window.offset_s:.3f}",
                "uncertainty": f"{window.uncertainty_s:.3f}",
                "shared": f"{window.shared:.2f}",
                "kept": window.kept,
            }
            for window in clock.windows
        ],
        "instants": [
            {
                "what": one.what,
                "line": one.line,
                "reference": clocks.utc(one.reference_raw_us),
                "raw": clocks.utc(one.raw_us),
                "low": "open" if one.low_s is None else f"{one.low_s:.3f}",
                "high": "open" if one.high_s is None else f"{one.high_s:.3f}",
                "used": "used" if one.used else "held against it",
                "agrees": {None: "not told", True: "agrees", False: "disagrees"}[one.agrees],
            }
            for one in clock.instants
        ],
    }


def _happening(one: Happening, loss: str | None, links: Links, clocks: Clocks, show: Any) -> Shown:
    known = one.from_us is not None
    same_day = one.from_us is not None and day_of(one.from_us) == day_of(one.raw_from_us)
    between = ""
    if one.low_us is not None and one.high_us is not None:
        between = f"{clocks.utc_time(one.low_us, 2)} to {clocks.utc_time(one.high_us, 2)}"
    return {
        "number": one.number,
        "anchor": links.things[one.number],
        "kind": one.kind.replace("-", " "),
        "is_loss": one.number == loss,
        "line": one.line or "",
        "place": one.place or "",
        "logger": one.logger or "",
        "text": one.text,
        "raw": clocks.utc(one.raw_from_us, 2),
        "raw_short": clocks.utc_time(one.raw_from_us, 2) if same_day else clocks.utc(one.raw_from_us, 2),
        "at": clocks.utc(one.from_us, 2) if one.from_us is not None else "not known",
        "local": clocks.local_time(one.from_us) if one.from_us is not None else "",
        "known": known,
        "lasted": duration_text(one.raw_to_us - one.raw_from_us) if one.raw_to_us > one.raw_from_us else "",
        "between": between,
        "is_interval": one.is_interval,
        "in_window": one.in_window,
        "event": one.event or "",
        "loss_class": one.loss_class or "",
        "figure": show(one.figure),
        "figures": [show(figure) for figure in one.figures],
    }


def _brief(one: Happening, shown: Shown) -> Shown:
    """A happening in one line, and what is under it, as paper has those outside of the window."""
    at = shown["at"] if shown["known"] else f"[{shown['raw']}]"
    kind = shown["kind"] + (f" ({one.loss_class})" if one.loss_class else "")
    lasted = f", lasted {shown['lasted']}" if shown["lasted"] else ""
    line = "" if shown["line"] in one.text else f" {shown['line']}"
    return {
        "brief": f"{at}{line} {kind}: {one.text}{lasted}.",
        "under": under(one.figure.refs, one.figure.of_registers),
    }


def _order(one: Order, by_number: Mapping[str, Happening], links: Links, show: Any) -> Shown:
    ends = [by_number.get(number) for number in (one.first, one.second)]
    names = [number if end is None else f"{end.line or ''} {end.kind.replace('-', ' ')}".strip()
             for number, end in zip((one.first, one.second), ends, strict=True)]  # fmt: skip
    return {
        "number": one.number,
        "anchor": links.things[one.number],
        "links": links.to((one.first, one.second)),
        "names": names,
        "known": one.known,
        "text": one.text,
        "apart": show(one.apart),
    }


def _berth_line(line: BerthLine, show: Any) -> Shown:
    registered = line.chock_ahead_m is not None
    return {
        **_figures_of(line, show, "line", "role", "place", "lost", "state"),
        "tails": ", ".join(line.tails),
        "brake_set": "" if line.brake_set_kn is None else f"{line.brake_set_kn:g} kN",
        "limit": "" if line.limit_kn is None else f"{line.limit_kn:g} kN",
        "chock": f"{line.chock_ahead_m:+.1f} m" if registered else "not registered",
        "lead": "not registered" if line.lead_deg is None else f"{line.lead_deg:.0f}°",
    }


def _doubt(doubt: Doubt, links: Links, show: Any) -> Shown:
    return {
        "number": doubt.number,
        "anchor": links.things[doubt.number],
        "kind": doubt.kind.replace("-", " "),
        "subject": doubt.subject,
        "text": doubt.text,
        "effect": doubt.effect,
        "weight": doubt.weight,
        "figures": links.to(doubt.figures),
        "figure": None if doubt.figure is None else show(doubt.figure),
        "raw": [_raw_link(ref, links.raw["A"]) for ref in doubt.refs],
    }


def _raw_link(ref: Any, rows: Sequence[Shown]) -> Shown:
    for row in rows:
        if (row["sha256"], row["line"], row["channel"]) == (ref.sha256, ref.line_no, ref.channel):
            return {"number": row["number"], "anchor": row["id"]}
    return {"number": f"line {ref.line_no}", "anchor": ""}
