"""A figure of an incident, and what it rests on: raw lines, rows of registers, other figures. Plain values alone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

Value = float | int | str | bool


@dataclass(frozen=True, slots=True)
class Ref:
    """One line of a raw file: SHA-256 of the file, its name as delivered, line number (1-based), and what it
    says there: channel, instant as stamped, value as stored (canonical unit, before calibration; None: missing)."""

    sha256: str
    file: str | None
    line_no: int
    channel: str
    raw_us: int
    value: float | None


@dataclass(frozen=True, slots=True)
class RegisterRow:
    """One row of a register, or one key of a document, as the newest run read them.

    `path`: as in `Evidence.archive`, which has its SHA-256; the copy lies in the folder under that path. Of a CSV
    register `line_no` (1-based) is the line on which the row starts, and `name` stands in one of its cells; of a
    document (TOML) `name` is the key with its tables, parted by dots, and `line_no` is None. Of a count of what could
    not be read, `path` is that of the raw copy, and `name` its name as delivered.
    """

    path: str
    line_no: int | None
    name: str


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. `key`: the same for the same figure in every incident, but for names of lines and channels in it.

    `value` is None where it is not known, and `not_known` says why. `low`, `high`: its interval, in the same unit; None
    where there is none. `at_least`: it is a lower bound. Of an instant `unit` is "us UTC". `how`: how it was obtained,
    with its constants and their sources. What it rests on, of which every known figure has one at least: `refs`, raw
    lines, at most `REFS_SHOWN` of them (`of_lines`: of how many in all; None where it rests on none itself);
    `of_figures`, numbers of other figures, happenings and days; `of_registers`, rows and keys.
    """

    number: str
    key: str
    what: str
    value: Value | None
    unit: str
    how: str
    low: float | int | None = None
    high: float | int | None = None
    at_least: bool = False
    not_known: str | None = None
    refs: tuple[Ref, ...] = ()
    of_lines: int | None = None
    of_figures: tuple[str, ...] = ()
    of_registers: tuple[RegisterRow, ...] = ()


REFS_SHOWN = 6


PLAIN = frozenset({str, int, float, bool, type(None)})


def names_of(found: Any) -> tuple[str, ...] | None:
    """Names of the fields of a dataclass's instance, in their order; None of anything else."""
    own = getattr(type(found), "__dataclass_fields__", None)  # `dataclasses.fields` takes ten times as long
    return None if own is None else tuple(own)


def as_json(found: Any) -> Any:
    """Dataclasses as plain mappings, tuples as lists, for JSON; keys in the order of the fields."""
    names = names_of(found)
    if names is not None:
        return {name: as_json(getattr(found, name)) for name in names}
    if isinstance(found, tuple | list):
        return [one if type(one) in PLAIN else as_json(one) for one in found]
    if isinstance(found, Mapping):
        return {key: as_json(value) for key, value in found.items()}
    return found


def inside(found: Any) -> Iterator[Any]:
    """What a dataclass or a tuple holds, in its order, but for plain values: a record has a million of those."""
    names = names_of(found)
    held = found if names is None else [getattr(found, name) for name in names]
    if names is not None or isinstance(found, tuple | list):
        yield from (one for one in held if type(one) not in PLAIN)


def figures(found: Any) -> Iterator[Figure]:
    """Every figure in a part, a section or a whole incident, in the order in which it stands there."""
    if isinstance(found, Figure):
        yield found
    else:
        for one in inside(found):
            yield from figures(one)
