"""The page of methods: every formula with its units, constants, sources, limits and cautions.

It is made of the docstrings of the functions that run (`own_words`), of the formulas by which `tautlog explain` lays a
day open, and of the specs and policy of the newest run, as they are archived: so it cannot say anything else than what
the program does. Which of them are shown is a literal table (`method_table`).
"""

from __future__ import annotations

import ast
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from importlib import import_module
from typing import Any, Final

from pydantic import BaseModel

from pipeline.ledger import index
from pipeline.ledger.advice import RULES
from pipeline.ledger.basis import unsourced
from pipeline.ledger.brakes import BRAKE_CAUTION
from pipeline.ledger.database import Ledger
from pipeline.ledger.words import AMBIENT_C, NOT_MODELLED
from pipeline.reports.figures import Trace, kn
from pipeline.reports.line_account import View
from pipeline.reports.method_table import PARTS, Of, Section
from pipeline.reports.own_words import Said, paragraphs, source_of
from pipeline.reports.page import METHOD, Page
from pipeline.reports.shown import constant, register
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Column, Row, Table
from pipeline.site import Site
from pipeline.units import UNITS
from schemas.registers import Policy, Spec

SPEC_TABLES: Final = ("fatigue", "creep", "heat", "abrasion", "bending", "strength_left", "stiffness", "limits")
"""Tables of constants that a spec may have, in the order of a page."""


def pages(snapshot: Snapshot) -> Iterator[Page]:
    """The one page."""
    yield Page(METHOD, "Method", "method.html.j2", partial(method_view, snapshot.ledger, snapshot.site))


def method_view(ledger: Ledger, site: Site) -> View:
    """All that the page shows, as plain mappings."""
    archive, files = index.head_archive(ledger), _spec_files(site)
    return {
        "parts_": [
            {"title": part.title, "sections": [_section(one, site, files, archive) for one in part.sections]}
            for part in PARTS
        ],
        "units": _units(),
        "ropes": _ropes(site, files),
        "thresholds": _policy(site.policy),
        "policy_words": paragraphs(Policy.__doc__ or ""),
        "air": _air(site),
        "rules": _rules(),
        "archive": _archive(archive),
        "not_modelled": list(NOT_MODELLED),
        "brake_caution": BRAKE_CAUTION,
    }


def spec_tables(ledger: Ledger, site: Site, spec: str) -> list[Table]:
    """Every table of constants of one spec, as the newest run's archive has it."""
    archive, files = index.head_archive(ledger), _spec_files(site)
    found = (constants_table(table, [site.specs[spec]], files, archive) for table in SPEC_TABLES)
    return [table for table in found if table.rows]


def _section(section: Section, site: Site, files: Mapping[str, str], archive: Mapping[str, str]) -> View:
    specs = list(site.specs.values())
    lacks = [(spec.id, name) for name in section.tables for spec in specs if getattr(spec, name) is None]
    return {
        "anchor": section.anchor,
        "title": section.title,
        "covers": ", ".join(section.covers),
        "modules": [_module(one) for one in section.shows],
        "formulas": _formulas(section.formulas),
        "constants": [constants_table(name, specs, files, archive) for name in section.tables],
        "without": ", ".join(f"{spec} has no [{name}]" for spec, name in lacks),
    }


def _module(one: Of) -> View:
    source = source_of(one.module)
    # Of a module of many models only what is named belongs to the section.
    words = [] if one.module.startswith("schemas.") else paragraphs(source.words)
    return {"module": one.module, "words": words, "said": [_said(source.said[name]) for name in one.names]}


def _said(said: Said) -> View:
    """A function with its signature, a model, or a constant with its value; a constant of words is its own words."""
    is_text = said.written[:1] in ("'", '"')
    words = str(ast.literal_eval(said.written)) if is_text else said.words
    return {"name": said.name, "written": "" if is_text else said.written, "words": paragraphs(words)}


def _formulas(module: str | None) -> list[tuple[str, str]]:
    """Those by which a day is laid open, by the name of what they give."""
    if module is None:
        return []
    found: Mapping[str, str] = import_module(module).FORMULAS
    return list(found.items())


def constants_table(table: str, specs: Sequence[Spec], files: Mapping[str, str], archive: Mapping[str, str]) -> Table:
    """A table of constants of some specs, a column each: what it gives, its source, and why it is not the rope's own.

    Specs that have no such table are left out.
    """
    held = [(spec, found) for spec in specs if isinstance(found := getattr(spec, table), BaseModel)]
    told = [dict(_flat(found.model_dump(mode="json"))) for _, found in held]
    names = dict.fromkeys(name for one in told for name, value in one.items() if value is not None)
    rows = [
        Row(
            [
                name,
                *(
                    _constant(one.get(name), register(files[spec.id], f"[{table}] {name}"))
                    for (spec, _), one in zip(held, told, strict=True)
                ),
            ]
        )
        for name in names
    ]
    rows.append(Row(["so the figure is", *(_called(table, one) for one in told)]))
    rows.append(Row(["archived as", *(f"{files[spec.id]} {archive.get(files[spec.id], '')}" for spec, _ in held)]))
    columns = [Column("constant"), *(Column(spec.id, wide=True) for spec, _ in held)]
    return Table(f"constants-{table}", f"[{table}] of the specs", columns, rows if held else [], few=True)


def _called(table: str, told: Mapping[str, Any]) -> str:
    """Why a figure that rests on a table is no more than an index; limits are nobody's estimate."""
    if table == "limits":
        return ""
    why = unsourced(told["source"]) or ("" if told["calibrated"] else "is not marked calibrated")
    return f"a severity index: the table {why}" if why else "calibrated"


def _constant(value: Any, trace: Trace) -> Any:
    """A number as a figure, a row of numbers as figures, and words as words."""
    if value is None or isinstance(value, list):
        return None if value is None else [_constant(one, trace) for one in value]
    if isinstance(value, bool):
        return "yes" if value else "NO"
    return constant(value, trace) if isinstance(value, int | float) else str(value)


def _units() -> Table:
    said = Trace("pipeline/units.py: NIST SP 811")
    rows = [
        Row([name, constant(unit.factor, said), constant(unit.offset, said), unit.canonical])
        for name, unit in UNITS.items()
    ]
    columns = [Column("unit of a log"), Column("times", trace=said), Column("plus", trace=said), Column("gives")]
    return Table("unit-factors", "What one of each unit is in the unit that is kept", columns, rows, few=True)


def _ropes(site: Site, files: Mapping[str, str]) -> Table:
    rows = []
    for spec in site.specs.values():
        file = files[spec.id]
        rows.append(
            Row(
                [
                    spec.id,
                    spec.material,
                    spec.construction,
                    constant(spec.diameter_mm, register(file, "diameter_mm"), "mm"),
                    constant(spec.mass_kg_per_m, register(file, "mass_kg_per_m"), "kg/m"),
                    kn(spec.break_force_kn, register(file, "break_force_kn")),
                    file,
                ]
            )
        )
    columns = [Column("spec"), Column("material"), Column("construction"), Column("diameter", unit="mm"),
               Column("mass", unit="kg/m"), Column("break force", unit="kN"), Column("file")]  # fmt: skip
    return Table("ropes", "Ropes of the site, as the newest run's archive has them", columns, rows, few=True)


def _air(site: Site) -> View:
    given = site.info.ambient_c
    return {
        "ambient": constant(AMBIENT_C if given is None else given, register("site.toml", "ambient_c"), "°C"),
        "from": "house rule, as site.toml gives none" if given is None else "site.toml",
    }


def _policy(policy: Policy) -> Table:
    """Every threshold: what holds at this site, what it is by itself, and who says so."""
    itself, written = dict(_flat(Policy().model_dump(mode="json"))), set(_written(policy))
    rows = [
        Row(
            [
                name,
                _constant(value, register("site.toml", f"[policy] {name}")),
                _constant(itself[name], Trace("schemas/documents.py")) if name in itself else None,
                "site.toml" if name in written else "house rule, no published source",
            ]
        )
        for name, value in _flat(policy.model_dump(mode="json"))
        if value is not None
    ]
    columns = [Column("threshold"), Column("here"), Column("by itself"), Column("who says so")]
    return Table("policy", "Thresholds of the policy", columns, rows)


def _rules() -> Table:
    rows = [
        Row([str(nth), rule.name, rule.do, "only of a line that stays in use" if rule.reuses else ""])
        for nth, rule in enumerate(RULES, 1)
    ]
    columns = [Column("order"), Column("rule"), Column("says"), Column("note")]
    return Table("rules", "Rules of advice, most urgent first", columns, rows, few=True)


def _archive(archive: Mapping[str, str]) -> Table:
    rows = [Row([name, sha256]) for name, sha256 in sorted(archive.items())]
    return Table("archive", "Registers, specs, layouts and policy of the newest run, by content",
                 [Column("file"), Column("SHA-256", wide=True)], rows)  # fmt: skip


def _spec_files(site: Site) -> dict[str, str]:
    """In which archived file each spec stands."""
    files = [name for name in site.archive if name.startswith("specs/") and name.endswith(".toml")]
    return {str(tomllib.loads(site.archive[name].decode("utf-8"))["id"]).strip(): name for name in files}


def _written(model: BaseModel, before: str = "") -> Iterator[str]:
    """The keys that a document gives itself, nested ones with dots."""
    for name in model.model_fields_set:
        value = getattr(model, name)
        if isinstance(value, BaseModel):
            yield from _written(value, f"{before}{name}.")
        else:
            yield f"{before}{name}"


def _flat(given: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in given.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{before}{name}.")
        else:
            yield f"{before}{name}", value
