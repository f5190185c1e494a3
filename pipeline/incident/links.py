"""Numbers and what they lead to: each part's register of figures, and under it the raw lines that they rest on.

Part A and Part B have registers of their own. Every figure shown leads to its row, and every row to its raw lines, or
says that it rests on none. A row or key of a register leads to the register in the folder's list, with its SHA-256.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pipeline.errors import Bug
from pipeline.incident.record import Figure, Happening, Incident, PartA, PartB, Ref, RegisterRow, figures, inside
from pipeline.incident.words import Clocks, told
from schemas.times import us_to_rfc3339

RawKey = tuple[str, int, str]


@dataclass(frozen=True)
class Links:
    """Anchors of everything that has a number, of every raw line cited, and of every register by path; `rows` and `raw`
    by part, "A" and "B".

    A happening may have the number of its own instant: then `things` has its row, `figures` that of the figure.
    """

    figures: Mapping[str, str]
    things: Mapping[str, str]
    registers: Mapping[str, str]
    rows: Mapping[str, list[dict[str, Any]]]
    raw: Mapping[str, list[dict[str, Any]]]

    def to(self, numbers: Sequence[str]) -> list[dict[str, str]]:
        """Links to some numbers: number and anchor, a happening's before a figure's. Bug for one that nothing has."""
        for number in numbers:
            if number not in self.things and number not in self.figures:
                raise Bug(f"a figure or sentence of the incident cites {number}, which nothing is called")
        return [{"number": number, "anchor": self.things.get(number) or self.figures[number]} for number in numbers]


def make_links(incident: Incident, clocks: Clocks) -> Links:
    """Anchors, registers of figures and tables of raw lines of both parts. Bug where two things have one number."""
    parts = parts_of(incident)
    anchors: dict[str, dict[str, str]] = {"f": {}, "n": {}}
    for part in parts.values():
        for number, kind in numbered(part):
            if number in anchors[kind]:
                raise Bug(f"two things of the incident are numbered {number}")
            anchors[kind][number] = f"{kind}-{number}"
    raw = {name: _raw_rows(name, part) for name, part in parts.items()}
    registers = {path: f"reg-{i}" for i, (path, _) in enumerate(incident.evidence.archive, start=1)}
    cited = {name: list(rows.values()) for name, rows in raw.items()}
    links = Links(anchors["f"], anchors["n"], registers, {}, cited)
    rest = {one.figure.number for part in parts.values() for one in of_the_rest(part)}
    rows = {
        name: [{**_row(f, raw[name], links, clocks), "rest": f.number in rest} for f in figures(part)]
        for name, part in parts.items()
    }
    for found in rows.values():
        # Each way of obtaining figures is told once, and named by its number.
        ways = list(dict.fromkeys(row["how"] for row in found))
        for row in found:
            row["way"] = ways.index(row["how"]) + 1
    return replace(links, rows=rows)


def anchor_of(number: str) -> str:
    """The anchor of a happening, or of all else that has a number and is no figure."""
    return f"n-{number}"


def parts_of(incident: Incident) -> dict[str, PartA | PartB]:
    """Both parts by name, without traces: a quarter of a million points that hold no number and no raw line."""
    return {"A": replace(incident.part_a, traces=()), "B": incident.part_b}


def numbered(found: Any) -> Iterator[tuple[str, str]]:
    """(number, kind of anchor) of everything in a part that has a number: figures `f`, all else `n`."""
    if isinstance(found, Figure):
        yield found.number, "f"
        return
    if hasattr(found, "number"):
        yield found.number, "n"
    for one in inside(found):
        yield from numbered(one)


def refs(found: Any) -> Iterator[Ref]:
    """Every raw line cited in a part."""
    if isinstance(found, Ref):
        yield found
    elif isinstance(found, Figure):
        yield from found.refs
    else:
        for one in inside(found):
            yield from refs(one)


def _raw_rows(part: str, found: PartA | PartB) -> dict[RawKey, dict[str, Any]]:
    cited = {_key(ref): ref for ref in refs(found)}
    rest = {one.figure.number for one in of_the_rest(found)}
    near = {_key(ref) for one in figures(found) if one.number not in rest for ref in one.refs}
    near |= {_key(ref) for doubt in (found.doubts if isinstance(found, PartA) else ()) for ref in doubt.refs}
    ordered = sorted(cited.items(), key=lambda item: (item[1].file or "", *item[0]))
    return {
        key: {
            "id": f"raw-{part}-{i}",
            "number": f"{part}{i}",
            "file": ref.file or "(name not kept)",
            "sha256": ref.sha256,
            "line": ref.line_no,
            "channel": ref.channel,
            "at": us_to_rfc3339(ref.raw_us),
            "value": "missing" if ref.value is None else repr(ref.value),
            "rest": key not in near,
        }
        for i, (key, ref) in enumerate(ordered, start=1)
    }


def of_the_rest(part: PartA | PartB) -> tuple[Happening, ...]:
    """Happenings outside of the window. On paper their raw lines stand beside them, and no register has them: a month's
    call has thousands."""
    return tuple(one for one in part.sequence if not one.in_window) if isinstance(part, PartA) else ()


def under(raw: Sequence[Ref], registers: Sequence[RegisterRow]) -> str:
    """The raw lines and rows under a figure in one text, each file named once."""
    by_file: dict[str, list[str]] = {}
    for ref in raw:
        by_file.setdefault(ref.file or ref.sha256, []).append(str(ref.line_no))
    told = [f"{file} {', '.join(dict.fromkeys(lines))}" for file, lines in by_file.items()]
    return "; ".join(told + [register_text(row) for row in registers])


def _row(figure: Figure, raw: Mapping[RawKey, dict[str, Any]], links: Links, clocks: Clocks) -> dict[str, Any]:
    return {
        **told(figure, clocks),
        "anchor": links.figures[figure.number],
        "raw": [{"number": raw[_key(ref)]["number"], "anchor": raw[_key(ref)]["id"]} for ref in figure.refs],
        "more": max((figure.of_lines or 0) - len(figure.refs), 0),
        "of": links.to(figure.of_figures),
        "registers": [_register(row, links) for row in figure.of_registers],
    }


def _register(row: RegisterRow, links: Links) -> dict[str, str]:
    """A row or key, and the anchor of its register, or none for a raw copy."""
    return {"text": register_text(row), "anchor": links.registers.get(row.path, "")}


def register_text(row: RegisterRow) -> str:
    """A row or key as it is named."""
    return f"{row.path if row.line_no is None else f'{row.path}, line {row.line_no}'} ({row.name})"


def _key(ref: Ref) -> RawKey:
    return ref.sha256, ref.line_no, ref.channel
