"""The page of candidate ropes: each main line's recorded history run through them, by class.

Candidates are the specs of the site that no line uses, and those that were named besides. An order stands only where
equal load and equal motion give the same; the caution and what figures rest on stand beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from pipeline.compare import compare
from pipeline.ledger.words import SEVERITY_INDEX
from pipeline.reports.figures import Figure, Link, Trace, command, kn
from pipeline.reports.line_account import INDEX_WORDS, View
from pipeline.reports.page import COMPARE, Page
from pipeline.reports.shown import constant, life, line_path, number, register
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Column, Row, Table
from pipeline.site import Site
from schemas.registers import Spec

METHODS = (("equal_load", "equal load"), ("equal_motion", "equal motion"))
Answer = Mapping[str, Any]


def pages(snapshot: Snapshot) -> Iterator[Page]:
    """The one page, written by the process that was told the candidates."""
    yield Page(COMPARE, "Ropes compared", "compare.html.j2", partial(ropes_view, snapshot), last=True)


def candidates_of(site: Site, named: Sequence[Spec]) -> list[Spec]:
    """Specs that no line uses, then those named besides; each once."""
    used = {line.spec for line in site.lines.values()}
    idle = [spec for spec in site.specs.values() if spec.id not in used]
    return [*idle, *(spec for spec in named if spec not in idle)]


def ropes_view(snapshot: Snapshot) -> View:
    """All that the page shows. RegisterError for a candidate with the id of another rope of the site."""
    specs = candidates_of(snapshot.site, snapshot.candidates)
    if not specs:
        return {"candidates": None, "lines": [], "answer": None}
    return compared_view(compare(snapshot.ledger, specs), specs)


def compared_view(answer: Answer, candidates: Sequence[Spec]) -> View:
    """The same of an answer of `compare`."""
    ropes = [rope for line in answer["lines"] for rope in line["ropes"]]
    return {
        "candidates": _certificates(candidates),
        "lines": [_line(nth, line) for nth, line in enumerate(answer["lines"], 1)],
        "answer": {
            "weight": answer["weight"],
            "limits": answer["limits"],
            "not_modelled": ", ".join(answer["not_modelled"]),
            "caution": answer["caution"],
            "reasons": list(dict.fromkeys(why for rope in ropes for why in rope["basis_reasons"])),
            "index_words": INDEX_WORDS if any(rope["basis"] == SEVERITY_INDEX for rope in ropes) else "",
        },
    }


def _certificates(candidates: Sequence[Spec]) -> Table:
    rows = [
        Row(
            [
                spec.id,
                spec.material,
                spec.construction,
                constant(spec.diameter_mm, register(f"spec {spec.id}", "diameter_mm"), "mm"),
                constant(spec.mass_kg_per_m, register(f"spec {spec.id}", "mass_kg_per_m"), "kg/m"),
                kn(spec.break_force_kn, register(f"spec {spec.id}", "break_force_kn")),
                spec.fatigue.source,
            ]
        )
        for spec in candidates
    ]
    columns = [Column("candidate"), Column("material"), Column("construction"), Column("diameter", unit="mm"),
               Column("mass", unit="kg/m"), Column("break force", unit="kN"),
               Column("source of its curve", wide=True)]  # fmt: skip
    return Table("candidates", "Candidates", columns, rows, few=True)


def _line(nth: int, line: Answer) -> View:
    name = line["line"]
    ropes = line["ropes"]
    return {
        "line": Link(name, line_path(name)),
        "table": _table(nth, name, ropes),
        "order": None if line["ranked"] is None else ", ".join(line["ranked"]),
        "why": line["why"],
        "errors": [(rope["spec"], _errors(rope, name)) for rope in ropes if rope["class_error"] is not None],
        "too_weak": [
            (rope["spec"], kn(rope["break_force_kn"], _of_spec(rope)), kn(rope["design_mbl_kn"], _MBL))
            for rope in ropes
            if rope["design_mbl_kn"] is not None and rope["break_force_kn"] < rope["design_mbl_kn"]
        ],
        "not_reckoned": [(rope["spec"], what, why) for rope in ropes for what, why in rope["not_reckoned"].items()],
        "factors": [(rope["spec"], constant(rope["factor"], _of_spec(rope))) for rope in ropes if rope["factor"] != 1],
    }


_MBL = register("ships.csv", "design_mbl_kn")


def _of_spec(rope: Answer) -> Trace:
    return register(f"spec {rope['spec']}", "as the newest run, or the candidate's file, has it")


def _table(nth: int, line: str, ropes: Sequence[Answer]) -> Table:
    rows = [_row(line, rope, key, words) for rope in ropes for key, words in METHODS]
    kinds = " or a ".join(sorted({rope["basis"] for rope in ropes}))
    said = command("compare", "--line", line, "--spec", "FILE")
    lives = [Column(name, trace=said) for name in ("fatigue", "creep", "abrasion", "used")]
    columns = [Column("rope"), Column("break force", unit="kN"), Column("kN m/kg", trace=said),
               Column("equal"), Column("times tension", note="about its mean, over that in its own rope", trace=said),
               *lives, Column("peak over break force", trace=said)]  # fmt: skip
    caption = f"Line {line}: its own rope first; figures are a {kinds}" if ropes else f"Line {line}"
    return Table(f"ropes-{nth}", caption, columns, rows, few=True, empty="nothing was recorded of it")


def _row(line: str, rope: Answer, key: str, words: str) -> Row:
    found, said = rope[key], command("compare", "--line", line, "--spec", "FILE")
    head = [
        f"{rope['spec']} (own)" if rope["own"] else rope["spec"],
        kn(rope["break_force_kn"], _of_spec(rope)),
        number(rope["strength_to_weight_kn_m_kg"], said, digits=0),
        words,
    ]
    if found is None:
        return Row([*head, Figure(None, said, why=f"not reckoned: {rope['equal_motion_why']}"), *[None] * 5])
    creep = life(found["creep"], said)
    if found["creep_at_most"] is not None:
        creep = life(found["creep_at_most"], said)
    used = [life(found["used"], said)]
    if found["used_at_most"] != found["used"]:
        used = [life(found["used"], said), "to", life(found["used_at_most"], said)]  # type: ignore[list-item]
    return Row(
        [
            *head,
            number(found["scale"], said, digits=3) if "scale" in found else None,
            life(found["fatigue"], said),
            ["at most", creep] if found["creep_at_most"] is not None else creep,
            life(found["abrasion"], said),
            used,
            number(found["peak_share"], said, digits=3),
        ]
    )


def _errors(rope: Answer, line: str) -> list[Any]:
    """How far classes are from the line's own account, by mechanism, relative to it."""
    said = command("compare", "--line", line, "--spec", "FILE")
    known = {name: error for name, error in rope["class_error"].items() if error is not None}
    return [part for name, error in known.items() for part in (name, number(error, said))]
