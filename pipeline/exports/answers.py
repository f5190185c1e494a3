"""Rows of the exported tables that are made of answers and registers, in the order of their columns."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Final

from pydantic import BaseModel

from pipeline.exports.source import Source
from schemas.exported_registers import REGISTER_TABLES
from schemas.times import rfc3339_us, us_to_datetime

Cells = tuple[Any, ...]
Rows = Iterator[Cells]


def _at(text: str | None) -> datetime | None:
    return None if text is None else us_to_datetime(rfc3339_us(text))


def _line_status(source: Source) -> Rows:
    for place, row in enumerate(source.status["lines"], start=1):
        line = source.site.lines[row["line"]]
        opening, coverage, service = row["opening"], row["coverage"], row["service"]
        known = isinstance(opening, dict)
        yield (
            place,
            row["line"],
            row["part"],
            line.ship,
            line.spec,
            row["basis"],
            row["advice"],
            row["zone"],
            row["used"],
            row["consumed"],
            row["unposted"],
            row["pending"],
            row["factor"],
            opening["life"] if known else None,
            opening["source"] if known else None,
            float(coverage["rigged_s"]),
            float(coverage["observed_s"]),
            coverage["share"],
            service["calls"],
            service["mooring_h"],
            service["age_years"],
            None if row["last_event"] is None else row["last_event"]["event"],
        )


def _episodes(source: Source) -> Rows:
    for one in source.episodes["episodes"]:
        first, largest = one["first"], one["largest"]
        yield (
            one["episode"],
            one["ship"],
            _at(one["from_at"]),
            _at(one["to_at"]),
            one["severity"],
            first["line"],
            first["kind"],
            largest["line"],
            largest["peak_kn"],
            _at(largest["peak_at"]),
            one["lines"],
            one["events"],
            one["sentence"],
        )


def _calls(source: Source) -> Rows:
    lines = source.site.lines
    for call in sorted(source.calls, key=lambda call: (call.from_us, call.ship)):
        own = {row.line for row in source.site.riggings if lines[row.line].ship == call.ship and call.has(row)}
        to_at = None if call.to_us is None else us_to_datetime(call.to_us)
        yield call.ship, us_to_datetime(call.from_us), to_at, sorted(own)


def _balance(source: Source) -> Rows:
    for call in source.balance["calls"]:
        for role in call["roles"]:
            for one in role["lines"]:
                yield (
                    call["ship"],
                    _at(call["from_at"]),
                    role["role"],
                    one["line"],
                    one["mean_kn"],
                    one["last_hour_kn"],
                    one["planned_kn"],
                    one["planned_by"],
                    one["pct_of_planned"],
                )


def _brakes(source: Source) -> Rows:
    for one in source.brakes["brakes"]:
        last = max(one["let_go"], key=lambda found: rfc3339_us(found["at"]), default=None)
        yield (
            one["place"],
            one["verdict"],
            one["brake_set_kn"],
            one["tested_on"],
            one["test_due"],
            len(one["let_go"]),
            *_load(last),
            *_load(one["held"]),
            *_load(one["highest"]),
        )


def _load(found: Mapping[str, Any] | None) -> Cells:
    return (None, None) if found is None else (found["kn"], _at(found["at"]))


def _specs(source: Source) -> Rows:
    for name, spec in sorted(source.site.specs.items()):
        for key, value in spec.model_dump(mode="json").items():
            if isinstance(value, dict):
                for constant, inner in value.items():
                    if constant != "source" and inner is not None:
                        yield name, key, constant, _text(inner), value.get("source")
            elif value is not None:
                yield name, "spec", key, _text(value), None


def _policy(source: Source) -> Rows:
    for name, value in source.site.policy.model_dump(mode="json").items():
        if value is not None:
            yield name, _text(value)


def _text(value: object) -> str:
    return value if isinstance(value, str) else json.dumps(value, sort_keys=True, ensure_ascii=False)


def _registered(rows: Callable[[Source], Iterable[BaseModel]], columns: Sequence[str]) -> Callable[[Source], Rows]:
    """The rows of a register by its columns. A day or an instant, where a cell may be either, is text."""

    def made(source: Source) -> Rows:
        for row in rows(source):
            yield tuple(getattr(row, name) for name in columns)

    return made


def _day_or_instant_as_text(rows: Callable[[Source], Rows], places: Sequence[int]) -> Callable[[Source], Rows]:
    def made(source: Source) -> Rows:
        for row in rows(source):
            yield tuple(_day_text(cell) if place in places else cell for place, cell in enumerate(row))

    return made


def _day_text(cell: date | datetime | None) -> str | None:
    if isinstance(cell, datetime):
        return cell.isoformat().replace("+00:00", "Z")
    return None if cell is None else cell.isoformat()


def _withdrawn(source: Source) -> Rows:
    yield from sorted(source.site.withdrawn.items())


_REGISTERED: Final[Mapping[str, Callable[[Source], Iterable[BaseModel]]]] = {
    "channels": lambda source: source.site.channels.values(),
    "calibrations": lambda source: source.site.calibrations,
    "ships": lambda source: source.site.ships.values(),
    "lines": lambda source: source.site.lines.values(),
    "rigging": lambda source: source.site.riggings,
    "winches": lambda source: source.site.winches,
    "services": lambda source: source.site.services,
    "strength_tests": lambda source: source.site.strength_tests,
}
_EITHER: Final = {"calibrations": {"due"}, "lines": {"in_service"}, "winches": {"set_on"}, "strength_tests": {"at"}}
"""Columns whose cells are a day or an instant."""


def _registers() -> dict[str, Callable[[Source], Rows]]:
    made: dict[str, Callable[[Source], Rows]] = {}
    for table in REGISTER_TABLES:
        if table.name in _REGISTERED:
            names = [column.of for column in table.columns]
            either = [place for place, name in enumerate(names) if name in _EITHER.get(table.name, set())]
            made[table.name] = _day_or_instant_as_text(_registered(_REGISTERED[table.name], names), either)
    return made


ROWS: Final[Mapping[str, Callable[[Source], Rows]]] = {
    "line_status": _line_status,
    "episodes": _episodes,
    "calls": _calls,
    "balance": _balance,
    "brakes": _brakes,
    "withdrawn": _withdrawn,
    "specs": _specs,
    "policy": _policy,
    **_registers(),
}
"""Rows of each such table."""
