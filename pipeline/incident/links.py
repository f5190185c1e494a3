"""Numbers and what they lead to: each part's register of figures, and under it the raw lines that they rest on.

Part A and Part B have registers of their own. Every figure shown leads to its row, and every row to its raw lines, or
says that it rests on none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

from pipeline.errors import Bug
from pipeline.incident.record import Figure, Incident, PartA, PartB, Ref, figures
from pipeline.incident.words import Clocks, told
from schemas.times import us_to_rfc3339

RawKey = tuple[str, int, str]


@dataclass(frozen=True)
class Links:
    """Anchors of everything that has a number, and of every raw line cited; `rows` and `raw` by part, "A" and "B".

    A happening may have the number of its own instant: then `things` has its row, `figures` that of the figure.
    """

    figures: Mapping[str, str]
    things: Mapping[str, str]
    rows: Mapping[str, list[dict[str, Any]]]
    raw: Mapping[str, list[dict[str, Any]]]

    def to(self, numbers: Sequence[str]) -> list[dict[str, str]]:
        """Links to some numbers: number and anchor, a happening's before a figure's. Bug for one that nothing has."""
        anchors = {**self.figures, **self.things}
        for number in numbers:
            if number not in anchors:
                raise Bug(f"a figure or sentence of the incident cites {number}, which nothing is called")
        return [{"number": number, "anchor": anchors[number]} for number in numbers]


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
    links = Links(anchors["f"], anchors["n"], {}, {name: list(rows.values()) for name, rows in raw.items()})
    rows = {name: [_row(f, raw[name], links, clocks) for f in figures(part)] for name, part in parts.items()}
    owners = dict(owner for part in parts.values() for owner in _owners(part, ""))
    for row in (row for found in rows.values() for row in found):
        # A figure of a happening that names nothing of its own rests on what the happening rests on.
        owner = owners[row["number"]]
        bare = not row["raw"] and not row["of"] and owner not in ("", row["number"])
        row["see"] = links.to((owner,)) if bare else []
    for found in rows.values():
        # On paper each way of obtaining figures is told once, and named by its number.
        ways = list(dict.fromkeys(row["how"] for row in found))
        for row in found:
            row["way"] = ways.index(row["how"]) + 1
    return Links(links.figures, links.things, rows, links.raw)


def _owners(found: Any, owner: str) -> Iterator[tuple[str, str]]:
    """(number of a figure, number of the happening, doubt or other thing it stands in, or empty)."""
    if isinstance(found, Figure):
        yield found.number, owner
    elif is_dataclass(found) and not isinstance(found, type):
        inside = getattr(found, "number", owner)
        for field in fields(found):
            yield from _owners(getattr(found, field.name), inside)
    elif isinstance(found, tuple):
        for one in found:
            yield from _owners(one, owner)


def parts_of(incident: Incident) -> dict[str, PartA | PartB]:
    """Both parts by name, without traces: a quarter of a million points that hold no number and no raw line."""
    return {"A": replace(incident.part_a, traces=()), "B": incident.part_b}


def numbered(found: Any) -> Iterator[tuple[str, str]]:
    """(number, kind of anchor) of everything in a part that has a number: figures `f`, all else `n`."""
    if isinstance(found, Figure):
        yield found.number, "f"
    elif is_dataclass(found) and not isinstance(found, type):
        if hasattr(found, "number"):
            yield found.number, "n"
        for field in fields(found):
            yield from numbered(getattr(found, field.name))
    elif isinstance(found, tuple):
        for one in found:
            yield from numbered(one)


def refs(found: Any) -> Iterator[Ref]:
    """Every raw line cited in a part."""
    if isinstance(found, Ref):
        yield found
    elif is_dataclass(found) and not isinstance(found, type):
        for field in fields(found):
            yield from refs(getattr(found, field.name))
    elif isinstance(found, tuple):
        for one in found:
            yield from refs(one)


def _raw_rows(part: str, found: PartA | PartB) -> dict[RawKey, dict[str, Any]]:
    cited = {_key(ref): ref for ref in refs(found)}
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
        }
        for i, (key, ref) in enumerate(ordered, start=1)
    }


def _row(figure: Figure, raw: Mapping[RawKey, dict[str, Any]], links: Links, clocks: Clocks) -> dict[str, Any]:
    return {
        **told(figure, clocks),
        "anchor": links.figures[figure.number],
        "raw": [{"number": raw[_key(ref)]["number"], "anchor": raw[_key(ref)]["id"]} for ref in figure.refs],
        "more": max((figure.of_lines or 0) - len(figure.refs), 0),
        "of": links.to(figure.of_figures),
    }


def _key(ref: Ref) -> RawKey:
    return ref.sha256, ref.line_no, ref.channel
