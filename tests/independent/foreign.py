"""Writers of foreign raw logs: seeded signals, dirt on purpose, a tally of what each line must become.

The tally is kept by the writer as it writes, from what it meant by each line; it does not read its own
output, so it checks the reference's reading too. No site, ship, line or logger here exists.
"""

import gzip
import math
import random
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.independent.reference_raw import checksum
from tests.independent.reference_times import to_us

S = 1_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ACTS = ("blank", "junk", "ignored", "stamp", "cell", "sentinel", "repeat", "conflict", "spoil")
Cell = tuple[str, str | None]  # channel and text; None: the layout's sentinel


def us(text: str) -> int:
    """Microseconds of an ISO stamp taken as UTC."""
    return to_us(datetime.fromisoformat(text).replace(tzinfo=UTC))


def moment(at_us: int) -> datetime:
    """The UTC datetime of an instant."""
    return EPOCH + timedelta(microseconds=at_us)


def rfc3339(at_us: int, offset_min: int = 0) -> str:
    """An RFC 3339 stamp, with milliseconds, at a fixed offset."""
    shown = moment(at_us + offset_min * 60 * S).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
    if offset_min == 0:
        return shown + "Z"
    sign = "-" if offset_min < 0 else "+"
    return f"{shown}{sign}{abs(offset_min) // 60:02d}:{abs(offset_min) % 60:02d}"


def local_clock(at_us: int, zone: ZoneInfo) -> datetime:
    """The clock on the wall at an instant."""
    return moment(at_us).astimezone(zone).replace(tzinfo=None)


def is_repeated(at_us: int, zone: ZoneInfo) -> bool:
    """Whether the wall clock at an instant shows a time that it shows twice."""
    clock = local_clock(at_us, zone)
    early = clock.replace(tzinfo=zone, fold=0).utcoffset()
    late = clock.replace(tzinfo=zone, fold=1).utcoffset()
    return early is not None and late is not None and early > late


def reads_as(text: str | None) -> float | str | None:
    """What makes two good cells the same reading: the number, or the word."""
    try:
        return None if text is None else float(text.replace(",", "."))
    except ValueError:
        return text


@dataclass
class Signal:
    """A load in the logger's unit: base, slow drift, swell, noise; `forced` instants override it."""

    rng: random.Random
    base: float
    swell: float
    noise: float
    forced: dict[int, float] = field(default_factory=dict)
    least: float = 0.0

    def __post_init__(self) -> None:
        self.phases = [self.rng.uniform(0, 2 * math.pi) for _ in range(4)]

    def at(self, at_us: int) -> float:
        if at_us in self.forced:
            return self.forced[at_us]
        seconds = at_us / S
        p = self.phases
        value = self.base * (1 + 0.25 * math.sin(seconds / 3100 + p[0]))
        value += self.swell * (math.sin(seconds / 1.7 + p[1]) + 0.6 * math.sin(seconds / 11.3 + p[2]))
        value += self.swell * 0.5 * math.sin(seconds / 97.0 + p[3]) + self.rng.gauss(0, self.noise)
        return max(self.least, value)

    def near(self, at_us: int) -> bool:
        """Whether an instant is within 5 s of a forced sample: no gap there."""
        return any(abs(at_us - forced) < 5 * S for forced in self.forced)

    def burst(self, first_us: int, step_us: int, values: Sequence[float]) -> None:
        """Force successive samples."""
        for index, value in enumerate(values):
            self.forced[first_us + index * step_us] = value


@dataclass(frozen=True)
class Row:
    """One written line after the head: its bytes and the class it must get."""

    raw: bytes
    kind: str
    bad_cells: int = 0
    cut: str = "may"  # may | never | must: whether a piece may, may not or must begin here


@dataclass
class RawLog:
    """A raw log as delivered; `ended` False leaves the last line without its end."""

    name: str
    head: list[bytes]
    rows: list[Row]
    newline: bytes = b"\n"
    ended: bool = True

    def data(self, rows: Sequence[Row], ended: bool) -> bytes:
        text = b"".join(line + self.newline for line in [*self.head, *(row.raw for row in rows)])
        return text if ended else text.removesuffix(self.newline)

    def tally(self, rows: Sequence[Row] | None = None) -> Counter[str]:
        """Expected receipt counts (stored and duplicate as in the order written)."""
        rows = self.rows if rows is None else rows
        tally = Counter(row.kind for row in rows)
        tally["header"] = len(self.head)
        tally["lines"] = len(self.head) + len(rows)
        tally["cells_quarantined"] = sum(row.bad_cells for row in rows)
        return tally

    def write(self, folder: Path) -> Path:
        """Write the whole log; a name that ends in .gz is compressed."""
        data = self.data(self.rows, self.ended)
        path = folder / self.name
        path.write_bytes(gzip.compress(data, mtime=0) if path.suffix == ".gz" else data)
        return path

    def pieces(self, rng: random.Random, count: int, overlap: int) -> list[tuple[Counter[str], bytes]]:
        """The log cut in pieces, each with its head, each running a few lines into the next."""
        places = [i for i in range(1, len(self.rows)) if self.rows[i].cut == "may"]
        must = [i for i in range(1, len(self.rows)) if self.rows[i].cut == "must"]
        cuts = sorted(must + rng.sample(places, min(count - 1 - len(must), len(places))))
        out = []
        for first, last in zip([0, *cuts], [*cuts, len(self.rows)], strict=True):
            rows = self.rows[first : last + rng.randint(0, overlap)]
            whole_tail = first + len(rows) >= len(self.rows)
            out.append((self.tally(rows), self.data(rows, self.ended or not whole_tail)))
        return out


@dataclass(frozen=True)
class Ideal:
    """What the logger meant: one instant, one key (long logs), its cells."""

    at_us: int
    key: str
    cells: tuple[Cell, ...]


@dataclass
class Style:
    """How a kind of log writes a row, and the dirt it is given."""

    write: Callable[[str, str, Sequence[str | None]], bytes]  # stamp, key, texts -> line
    stamp: Callable[[int], str]
    blank: Sequence[bytes] = ()
    junk: Sequence[bytes] = ()  # quarantined lines
    ignored: Sequence[bytes] = ()
    bad_cell: Sequence[str] = ("ERR",)
    bad_stamp: Sequence[str] = ("no time",)
    spoil: Callable[[random.Random, bytes], bytes] | None = None  # makes a good line a quarantined one
    calm: Callable[[int], bool] = lambda at_us: False  # no disorder or late repeats here
    clean: Callable[[int], bool] = lambda at_us: False  # no dirt at all here
    cut: Callable[[int], str] = lambda at_us: "may"
    fixed: frozenset[str] = frozenset()  # channels never given a bad or missing cell


@dataclass
class Writer:
    """Turns ideal rows into written lines with dirt, and remembers every reading written by the site."""

    rng: random.Random
    seen: dict[tuple[str, int], set[float | str | None]]
    style: Style
    dirt: float = 0.01
    acts: Sequence[str] = ACTS
    rows: list[Row] = field(default_factory=list)

    def emit(self, ideal: Ideal, texts: Sequence[str | None], stored_as: Sequence[str | None]) -> None:
        """Write a good row; `stored_as` is what each cell reads as (None: missing)."""
        kind = "duplicate"
        for (channel, _), value in zip(ideal.cells, stored_as, strict=True):
            known = self.seen.setdefault((channel, ideal.at_us), set())
            if reads_as(value) not in known:
                kind = "stored"
                known.add(reads_as(value))
        bad = sum(1 for text, value in zip(texts, stored_as, strict=True) if text is not None and value is None)
        raw = self.style.write(self.style.stamp(ideal.at_us), ideal.key, texts)
        self.rows.append(Row(raw, kind, bad, self.style.cut(ideal.at_us)))

    def other(self, raw: bytes, kind: str, at_us: int) -> None:
        self.rows.append(Row(raw, kind, 0, self.style.cut(at_us)))

    def good(self, ideal: Ideal) -> None:
        texts = [text for _, text in ideal.cells]
        self.emit(ideal, texts, texts)

    def run(self, ideals: Iterable[Ideal]) -> list[Row]:
        """Write all rows in order, with dirt at the rate `dirt`."""
        rows = list(ideals)
        for i in range(len(rows) - 1):
            if self.rng.random() < self.dirt and not self.style.calm(rows[i].at_us):
                rows[i], rows[i + 1] = rows[i + 1], rows[i]
        recent: list[Ideal] = []
        for ideal in rows:
            if self.rng.random() < self.dirt and not self.style.clean(ideal.at_us):
                self._dirty(ideal, recent)
            else:
                self.good(ideal)
                recent = [*recent[-30:], ideal]
        return self.rows

    def _dirty(self, ideal: Ideal, recent: list[Ideal]) -> None:
        rng, style = self.rng, self.style
        act = rng.choice(self.acts)
        if act == "blank" and style.blank:
            self.other(rng.choice(style.blank), "blank", ideal.at_us)
        elif act == "junk" and style.junk:
            self.other(rng.choice(style.junk), "quarantined", ideal.at_us)
        elif act == "ignored" and style.ignored:
            self.other(rng.choice(style.ignored), "ignored", ideal.at_us)
        elif act == "stamp":
            raw = style.write(rng.choice(style.bad_stamp), ideal.key, [text for _, text in ideal.cells])
            return self.other(raw, "quarantined", ideal.at_us)
        elif act == "cell":
            return self._bad_cells(ideal)
        elif act == "sentinel":
            return self._sentinels(ideal)
        elif act == "repeat" and recent and not style.calm(ideal.at_us):
            self.good(rng.choice(recent))
        elif act == "conflict":
            self._conflict(ideal)
        elif act == "spoil" and style.spoil is not None:
            raw = style.write(style.stamp(ideal.at_us), ideal.key, [text for _, text in ideal.cells])
            return self.other(style.spoil(rng, raw), "quarantined", ideal.at_us)
        self.good(ideal)
        return None

    def _bad_cells(self, ideal: Ideal) -> None:
        """One bad cell in a good row, or (one time in three, if all may be) no readable cell at all."""
        texts = [text for _, text in ideal.cells]
        free = [i for i, (channel, _) in enumerate(ideal.cells) if channel not in self.style.fixed]
        if len(free) == len(texts) and (len(texts) == 1 or self.rng.random() < 0.33):
            bad: list[str | None] = [self.rng.choice(self.style.bad_cell) for _ in texts]
            raw = self.style.write(self.style.stamp(ideal.at_us), ideal.key, bad)
            return self.other(raw, "quarantined", ideal.at_us)
        index = self.rng.choice(free)
        values = list(texts)
        texts[index], values[index] = self.rng.choice(self.style.bad_cell), None
        return self.emit(ideal, texts, values)

    def _sentinels(self, ideal: Ideal) -> None:
        texts = [
            text if channel in self.style.fixed or self.rng.random() < 0.4 else None for channel, text in ideal.cells
        ]
        self.emit(ideal, texts, texts)

    def _conflict(self, ideal: Ideal) -> None:
        """The same instant with another value in one cell, before the true row."""
        texts = [text for _, text in ideal.cells]
        free = [i for i, (c, t) in enumerate(ideal.cells) if c not in self.style.fixed and t is not None]
        if free:
            index = self.rng.choice(free)
            texts[index] = self.rng.choice(["2.5", "0.0", "41.5"]).replace(".", self._decimal(texts[index]))
            self.emit(ideal, texts, texts)

    @staticmethod
    def _decimal(text: str | None) -> str:
        return "," if text is not None and "," in text else "."


def delimited(
    separator: str, sentinel: str, encoding: str, keyed: bool = False, extra: Callable[[], str] | None = None
) -> Callable[[str, str, Sequence[str | None]], bytes]:
    """A row writer: stamp, key (long logs), cells, and a column that no layout asks for."""

    def write(stamp: str, key: str, texts: Sequence[str | None]) -> bytes:
        fields = [stamp, *([key] if keyed else []), *(sentinel if t is None else t for t in texts)]
        if extra is not None:
            fields.append(extra())
        return separator.join(fields).encode(encoding)

    return write


def csv_text(columns: str, *rows: str) -> str:
    """A register: header and rows, each a line."""
    return "\n".join([columns, *rows]) + "\n"


def sentence(body: str) -> str:
    """An NMEA 0183 sentence with its checksum."""
    return f"${body}*{checksum(body)}"
