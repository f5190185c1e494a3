"""Rows of the ledger as the rest of the program sees them: frozen, JSON columns as mappings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from pipeline.manifest import canonical_json

Key = tuple[str, str, date, str]
"""What at most one live posting exists for: (line, zone, day, mechanism)."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of every line of a raw file."""

    run: int
    file: str
    sha256: str
    bytes: int
    layout: str
    layout_digest: str
    lines: int
    header: int
    blank: int
    ignored: int
    stored: int
    duplicate: int
    quarantined: int
    cells_quarantined: int
    first_us: int | None
    last_us: int | None
    quarantine_path: str | None
    quarantine_digest: str | None
    op: str
    reason: str


@dataclass(frozen=True, slots=True)
class Part:
    """A samples file: what one raw file holds of one place and day."""

    run: int
    part: str
    sha256: str
    place: str
    day: date
    rows: int
    first_us: int
    last_us: int
    digest: str
    head_digest: str
    tail_digest: str
    channels: list[str]


@dataclass(frozen=True, slots=True)
class FlagFile:
    """The flags file of one place and day."""

    run: int
    place: str
    day: date
    path: str
    digest: str
    inputs_digest: str


@dataclass(frozen=True, slots=True)
class SheetRef:
    """Where a live day sheet lies, and what it was made from."""

    run: int
    sheet: str
    path: str
    digest: str
    row: int
    place: str
    channel: str
    day: date
    from_us: int
    to_us: int
    inputs: Mapping[str, Any]
    cycles: int
    observed_us: int


@dataclass(frozen=True, slots=True)
class Mark:
    """An excursion or a slip run of a live sheet."""

    sheet: str
    channel: str
    place: str
    day: date
    from_us: int
    to_us: int
    kind: str
    payload: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class State:
    """The fold's state after one day of a line's zone, without its residue (`index.residues` has that)."""

    run: int
    line: str
    zone: str
    day: date
    sheets: list[str]
    life_units: int
    basis: Mapping[str, Any]
    postable: bool


@dataclass(frozen=True, slots=True)
class WearDay:
    """What one day of a line's zone took besides fatigue; units of 2^-100, None: not reckoned."""

    run: int
    line: str
    zone: str
    day: date
    creep_units: int | None
    abrasion_units: int | None
    carried: Mapping[str, Any]
    facts: Mapping[str, Any]
    cycle_low: list[int]
    cycle_high: list[int]
    cycle_count: list[int]
    level_class: list[int]
    level_us: list[int]


@dataclass(frozen=True, slots=True)
class AirDay:
    """Ten-minute means of one air channel's day; `quantity`: temperature [degC] or wind [m/s]."""

    channel: str
    place: str
    day: date
    quantity: str
    bins: list[int]
    means: list[float]


@dataclass(frozen=True, slots=True)
class BerthDay:
    """What all lines of a site did together on a day: `marks` by kind of event, `balance` by line."""

    day: date
    inputs_digest: str
    marks: Mapping[str, Any]
    balance: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Entry:
    """A posting, or the reversal of one (`reverses`, life negated)."""

    run: int
    entry: str
    line: str
    zone: str
    day: date
    mechanism: str
    life: Decimal
    kind: str
    reverses: str | None
    reason: str
    spec: str
    spec_digest: str
    policy_digest: str
    basis: Mapping[str, str]
    sheets: list[str]

    @property
    def key(self) -> Key:
        """What at most one live posting exists for."""
        return (self.line, self.zone, self.day, self.mechanism)

    def row(self) -> dict[str, Any]:
        """The row for the manifest table `entries`."""
        row = {name: getattr(self, name) for name in self.__slots__ if name != "run"}
        return {**row, "basis": canonical_json(dict(self.basis)), "sheets": list(self.sheets)}


@dataclass(frozen=True, slots=True)
class Event:
    """A named happening of one line."""

    run: int
    event: str
    kind: str
    line: str
    channel: str
    place: str
    from_us: int
    to_us: int
    peak_kn: float
    peak_us: int
    peak_pct: float | None
    payload: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something wrong with data, registers, sensors or brakes, with its evidence."""

    run: int
    finding: str
    kind: str
    subject: str
    severity: str
    text: str
    evidence: Mapping[str, Any]
    scope: str
