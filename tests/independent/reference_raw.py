"""Raw logs read line by line, as DESIGN.md words it and in no other way: slow, plain, stdlib only.

`read_log` gives every line of a file a class ("header", "blank", "ignored", "quarantined" or "row");
whether a row is `stored` or `duplicate` is not a property of the file: `reference_store.Store.add` decides.
The choices made where DESIGN.md leaves room are listed in reference.py.
"""

import csv
import functools
import gzip
import hashlib
import operator
import re
import tomllib
from dataclasses import dataclass, field, replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from tests.independent.reference_times import parse_epoch, parse_local, parse_rfc3339, resolve_local

_LBF_KN = Fraction(44482216152605, 10**16)  # NIST SP 811 App. B
_TF_KN = Fraction(980665, 10**5)
UNIT_FACTORS: dict[str, float] = {
    "N": float(Fraction(1, 1000)),
    "kN": 1.0,
    "MN": 1000.0,
    "tf": float(_TF_KN),
    "kgf": float(_TF_KN / 1000),
    "lbf": float(_LBF_KN),
    "kip": float(_LBF_KN * 1000),
    "long_tonf": float(_LBF_KN * 2240),
    "short_tonf": float(_LBF_KN * 2000),
    "m": 1.0,
    "mm": float(Fraction(1, 1000)),
    "ft": float(Fraction(3048, 10000)),
    "in": float(Fraction(254, 10000)),
    "1": 1.0,
}
SENTENCE_UNITS = {("N", "N"): "N", ("D", "M"): "m"}  # XDR transducer type and unit -> our unit


@dataclass(frozen=True)
class Reading:
    """One reading: `value` in kN, m or 1; None when missing (a sentinel, or a bad cell of a good row)."""

    channel: str
    at_us: int
    value: float | None


@dataclass
class RawLine:
    """One line of a raw file; `kind` is its class, `reason` says why it was quarantined."""

    line_no: int
    raw: bytes
    kind: str
    reason: str = ""
    readings: tuple[Reading, ...] = ()
    bad_cells: int = 0


@dataclass(frozen=True)
class Layout:
    """A layout's TOML, with the site's zone filled in."""

    name: str
    match: str
    spec: dict[str, Any] = field(repr=False)
    site_zone: str

    @staticmethod
    def load(path: Path, site_zone: str) -> "Layout":
        spec = tomllib.loads(path.read_text(encoding="utf-8"))
        return Layout(spec["name"], spec["match"], spec, site_zone)

    @functools.cached_property
    def text(self) -> dict[str, Any]:
        return dict(self.spec.get("text", {}))

    def __hash__(self) -> int:
        """Equal where all it says is equal."""
        return hash(repr(self.spec))


def file_bytes(path: Path) -> bytes:
    """The text of a delivered file; a .gz is opened."""
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


def file_sha256(path: Path) -> str:
    """The name a file is known by: SHA-256 of its bytes as delivered."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def split_lines(data: bytes) -> tuple[list[bytes], bool]:
    """Lines without their ends (LF or CRLF), and whether the last one was ended."""
    if not data:
        return [], True
    ended = data.endswith(b"\n")
    lines = data.split(b"\n")
    if ended:
        lines.pop()
    return [line.removesuffix(b"\r") for line in lines], ended


# ---------------------------------------------------------------------------------------------- cells

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def parse_cell(cell: str, decimal: str, words: dict[str, float]) -> float | None:
    """The number a cell holds, or None: not readable. `words` first."""
    if cell in words:
        return float(words[cell])
    if decimal != ".":
        if "." in cell:
            return None
        cell = cell.replace(decimal, ".")
    return float(cell) if _NUMBER.fullmatch(cell) else None


def checksum(body: str) -> str:
    """NMEA 0183 checksum of what stands between `$` and `*`."""
    return f"{functools.reduce(operator.xor, body.encode('ascii', 'replace'), 0):02X}"


# ---------------------------------------------------------------------------------------------- readers


@dataclass
class _Pending:
    """A row whose local time waits for the rest of the file."""

    line: RawLine
    cells: list[tuple[str, float | None]]
    moment: int | datetime


def read_log(data: bytes, layout: Layout) -> list[RawLine]:
    """Every line of a raw file, classed; rows carry readings in the order of the layout's values."""
    raws, ended = split_lines(data)
    final_newline = bool(layout.text.get("final_newline", True))
    sentences = layout.spec["reader"] == "sentences"
    head = 0 if sentences else int(layout.text["header_line"])
    encoding = layout.text.get("encoding", "utf-8")
    header: list[str] = []
    if not sentences and len(raws) >= head:
        header = _fields(raws[head - 1].decode(encoding), layout)
    lines: list[RawLine] = []
    waiting: list[_Pending] = []
    for number, raw in enumerate(raws, start=1):
        if number <= head:
            lines.append(RawLine(number, raw, "header"))
            continue
        text = raw.decode(encoding, errors="replace")
        line = RawLine(number, raw, "row")
        lines.append(line)
        row = _read_sentence(text, line, layout) if sentences else _read_delimited(text, line, layout, header)
        if number == len(raws) and not ended and final_newline and line.kind not in ("blank", "ignored"):
            line.kind, line.reason, line.bad_cells, row = "quarantined", "unterminated", 0, None
        if row is not None:
            waiting.append(row)
    _settle_times(waiting, layout)
    return lines


@functools.lru_cache(maxsize=512)
def _read(data: bytes, layout: Layout) -> tuple[RawLine, ...]:
    return tuple(read_log(data, layout))


def read_once(data: bytes, layout: Layout) -> list[RawLine]:
    """`read_log`, done once for the same bytes and layout. Each call has lines of its own: the store marks them."""
    return [replace(line) for line in _read(data, layout)]


def _settle_times(waiting: list[_Pending], layout: Layout) -> None:
    local = [(row, row.moment) for row in waiting if isinstance(row.moment, datetime)]
    name = layout.spec["time"].get("zone", "UTC")
    zone = ZoneInfo(layout.site_zone if name == "site" else name)
    answers = iter(resolve_local([moment for _, moment in local], zone))
    for row in waiting:
        at = row.moment if isinstance(row.moment, int) else next(answers)
        if isinstance(at, str):
            row.line.kind, row.line.reason, row.line.bad_cells = "quarantined", at, 0
        else:
            row.line.readings = tuple(Reading(channel, at, value) for channel, value in row.cells)


def _fields(text: str, layout: Layout) -> list[str]:
    return next(csv.reader([text], delimiter=layout.text["separator"]), [])


def _moment(text: str, layout: Layout) -> int | datetime | None:
    form = layout.spec["time"].get("format", layout.spec["time"].get("prefix"))
    if form == "rfc3339":
        return parse_rfc3339(text)
    if form in ("epoch_s", "epoch_ms"):
        return parse_epoch(text, 1_000_000 if form == "epoch_s" else 1_000)
    return parse_local(text, form)


def _quarantine(line: RawLine, reason: str) -> _Pending | None:
    line.kind, line.reason, line.bad_cells = "quarantined", reason, 0
    return None


def _read_delimited(text: str, line: RawLine, layout: Layout, header: list[str]) -> _Pending | None:
    if all(char.isspace() or char == layout.text["separator"] for char in text):
        line.kind = "blank"
        return None
    fields = _fields(text, layout)
    if len(fields) != len(header):
        return _quarantine(line, "field-count")
    row = dict(zip(header, fields, strict=True))
    moment = _moment(row[layout.spec["time"]["column"]], layout)
    if moment is None:
        return _quarantine(line, "time")
    key = row[layout.spec["rows"]["key"]] if "rows" in layout.spec else ""
    cells: list[tuple[str, float | None]] = []
    for value in layout.spec["value"]:
        cell, channel = row[value["column"]], value["channel"].replace("{key}", key)
        if cell in layout.text.get("missing", []):
            cells.append((channel, None))
            continue
        number = parse_cell(cell, layout.text["decimal"], value.get("words", {}))
        line.bad_cells += number is None
        cells.append((channel, None if number is None else number * UNIT_FACTORS[value["unit"]]))
    if line.bad_cells == len(cells):
        return _quarantine(line, "no-readable-cell")
    return _Pending(line, cells, moment)


def _read_sentence(text: str, line: RawLine, layout: Layout) -> _Pending | None:
    if not text.strip():
        line.kind = "blank"
        return None
    found = re.fullmatch(r"(\S*)\s*\$([^*]*)\*([0-9A-Fa-f]{2})\s*", text)
    if found is None:
        return _quarantine(line, "not-a-sentence")
    stamp, body, sum_text = found.groups()
    if checksum(body) != sum_text.upper():
        return _quarantine(line, "checksum")
    moment = _moment(stamp, layout)
    if moment is None:
        return _quarantine(line, "time")
    name, *rest = body.split(",")
    asked = {value["transducer"]: value["channel"] for value in layout.spec["value"]}
    if name.endswith("XDR") and len(rest) % 4:
        return _quarantine(line, "field-count")
    if not name.endswith("XDR") or not any(t in asked for t in rest[3::4]):
        line.kind = "ignored"
        return None
    cells: list[tuple[str, float | None]] = []
    for kind, cell, unit, transducer in zip(*[iter(rest)] * 4, strict=True):
        if transducer in asked:
            number = parse_cell(cell, ".", {})
            factor = UNIT_FACTORS[SENTENCE_UNITS[kind, unit]]
            line.bad_cells += number is None
            cells.append((asked[transducer], None if number is None else number * factor))
    if line.bad_cells == len(cells):
        return _quarantine(line, "no-readable-cell")
    return _Pending(line, cells, moment)
