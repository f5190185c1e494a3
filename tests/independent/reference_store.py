"""Registers, the store of readings, and the tension of a line, from DESIGN.md alone."""

import bisect
import csv
import fnmatch
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tests.independent.reference_raw import Layout, RawLine, file_bytes, file_sha256, read_once
from tests.independent.reference_times import parse_rfc3339

Samples = list[tuple[int, float]]  # (at_us, kN or m), in time order
DAY_US = 86_400_000_000
IMPOSSIBLE_KN = 1e6  # where no capacity is registered (DEVELOPERS.md, "Flag 4")


def stamp_us(text: str) -> int:
    """A register's RFC 3339 time."""
    at_us = parse_rfc3339(text)
    if at_us is None:
        raise ValueError(f"register time {text!r} is not RFC 3339")
    return at_us


@dataclass(frozen=True)
class Rigging:
    """One line on one tension channel, [from, to); `to_us` None: still rigged."""

    line: str
    channel: str
    from_us: int
    to_us: int | None
    zone: str
    share: float

    def holds(self, at_us: int) -> bool:
        return self.from_us <= at_us and (self.to_us is None or at_us < self.to_us)


@dataclass
class Store:
    """Every reading of every file: channel -> at -> [(value or None, sha256 of the file)]."""

    readings: dict[str, dict[int, list[tuple[float | None, str]]]] = field(default_factory=dict)

    def add(self, lines: list[RawLine], sha256: str) -> None:
        """Take a file's rows; class each row as stored or duplicate."""
        for line in lines:
            if line.kind != "row":
                continue
            line.kind = "duplicate"
            for reading in line.readings:
                known = self.readings.setdefault(reading.channel, {}).setdefault(reading.at_us, [])
                if all(value != reading.value for value, _ in known):
                    line.kind = "stored"
                known.append((reading.value, sha256))

    def live(self, channel: str, withdrawn: frozenset[str]) -> list[tuple[int, float | None]]:
        """Live readings in time order: the larger signed value, and a value beats a missing one."""
        out: list[tuple[int, float | None]] = []
        for at_us, known in sorted(self.readings.get(channel, {}).items()):
            standing = [value for value, sha in known if sha not in withdrawn]
            if standing:
                out.append((at_us, max((v for v in standing if v is not None), default=None)))
        return out


def read_register(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV register; an absent optional register has none."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


@dataclass
class Site:
    """A site folder's registers, and the raw files taken in so far."""

    root: Path
    store: Store = field(default_factory=Store)
    taken: dict[str, str] = field(default_factory=dict)  # sha256 -> first file name
    receipts: dict[str, Counter[str]] = field(default_factory=dict)
    quarantine: dict[str, Counter[str]] = field(default_factory=dict)
    spans: dict[str, tuple[int, int]] = field(default_factory=dict)  # first and last instant of readings

    def __post_init__(self) -> None:
        self.config = tomllib.loads((self.root / "site.toml").read_text(encoding="utf-8"))
        zone = self.config["site"]["timezone"]
        self.layouts = [Layout.load(path, zone) for path in sorted((self.root / "layouts").glob("*.toml"))]
        self.channels = {row["channel"]: row for row in read_register(self.root / "channels.csv")}
        self.lines = {row["line"]: row for row in read_register(self.root / "lines.csv")}
        self.ships = {row["ship"]: row for row in read_register(self.root / "ships.csv")}
        self.specs = {}
        for path in sorted((self.root / "specs").glob("*.toml")):
            spec = tomllib.loads(path.read_text(encoding="utf-8"))
            self.specs[spec["id"]] = spec
        self.withdrawn = frozenset(row["sha256"] for row in read_register(self.root / "withdrawn.csv"))
        self.brake_set_kn = {
            row["place"]: float(row["brake_set_kn"]) for row in read_register(self.root / "winches.csv")
        }
        self.riggings = sorted(
            (self._rigging(row) for row in read_register(self.root / "rigging.csv")), key=lambda r: r.from_us
        )
        self._live: dict[str, list[tuple[int, float | None]]] = {}
        self._calibrations: dict[str, list[tuple[int, float, float]]] = {}
        for row in read_register(self.root / "calibrations.csv"):
            entry = (stamp_us(row["from"]), float(row["zero_kn"]), float(row["gain"]))
            self._calibrations.setdefault(row["channel"], []).append(entry)

    @staticmethod
    def _rigging(row: dict[str, str]) -> Rigging:
        to_us = stamp_us(row["to"]) if row["to"] else None
        share = float(row["share_pct"]) / 100.0
        return Rigging(row["line"], row["channel"], stamp_us(row["from"]), to_us, row["outboard_end"], share)

    def policy(self, key: str, default: float) -> float:
        return float(self.config.get("policy", {}).get(key, default))

    def take(self, path: Path) -> None:
        """Read one delivered file into the store; the same bytes again are only noted."""
        sha256 = file_sha256(path)
        if sha256 not in self.taken:
            self.add(path.name, sha256, read_once(file_bytes(path), self.layout_of(path.name)))

    def layout_of(self, name: str) -> Layout:
        """The one layout that a file's name matches."""
        (layout,) = (one for one in self.layouts if fnmatch.fnmatchcase(name, one.match))
        return layout

    def add(self, name: str, sha256: str, lines: list[RawLine]) -> None:
        """Take the classed lines of a file that is not known yet into the store, and write its receipt."""
        self.taken[sha256] = name
        self.store.add(lines, sha256)
        tally: Counter[str] = Counter(line.kind for line in lines)
        tally["lines"] = len(lines)
        tally["cells_quarantined"] = sum(line.bad_cells for line in lines)
        self.receipts[name] = tally
        instants = [reading.at_us for line in lines for reading in line.readings]
        if instants:
            self.spans[name] = (min(instants), max(instants))
        self.quarantine[name] = Counter(line.reason for line in lines if line.kind == "quarantined")

    def live(self, channel: str) -> list[tuple[int, float | None]]:
        """Live readings of a channel (read once all files are taken)."""
        if channel not in self._live:
            self._live[channel] = self.store.live(channel, self.withdrawn)
        return self._live[channel]

    def latest_us(self) -> int:
        """The site's latest sample, of any channel."""
        return max(samples[-1][0] for samples in map(self.live, self.channels) if samples)

    def at_place(self, channel: str, quantity: str) -> str | None:
        """The channel of another quantity at the same place."""
        place = self.channels[channel]["place"]
        found = [n for n, c in self.channels.items() if c["place"] == place and c["quantity"] == quantity]
        return found[0] if found else None

    def calibrated(self, channel: str, at_us: int, value: float) -> float:
        """kN after the calibration in force at that instant: (value - zero) * gain."""
        in_force = [entry for entry in self._calibrations.get(channel, []) if entry[0] <= at_us]
        if not in_force:
            return value
        _, zero_kn, gain = max(in_force)
        return (value - zero_kn) * gain

    def possible(self, channel: str, value: float) -> bool:
        """Whether a reading, before calibration, is one that its sensor could give (else it is flagged 4)."""
        text = self.channels[channel]["capacity"]
        if not text:
            return -IMPOSSIBLE_KN <= value <= IMPOSSIBLE_KN
        return -0.25 * float(text) <= value <= 2.0 * float(text)

    def clipped(self, channel: str, value: float) -> bool:
        """Whether a reading, before calibration, stands at its sensor's capacity or above."""
        text = self.channels[channel]["capacity"]
        return bool(text) and value >= float(text)

    def brake_states(self, channel: str) -> Samples:
        """Readable brake readings of the channel's place."""
        brake = self.at_place(channel, "brake")
        return [] if brake is None else [(at, value) for at, value in self.live(brake) if value is not None]


def brake_open(states: Samples, at_us: int) -> bool:
    """Whether the latest brake state says open (0); one from before the day before is unknown."""
    index = bisect.bisect_right(states, (at_us, float("inf"))) - 1
    if index < 0 or states[index][0] // DAY_US < at_us // DAY_US - 1:
        return False
    return states[index][1] == 0.0


@dataclass(frozen=True)
class Felt:
    """What one rigging felt: usable tension [kN], with how long each sample's channel waited for its next.

    `clipped_us`: instants of usable samples at capacity.
    """

    rigging: Rigging
    tension: Samples
    next_us: list[int | None]
    clipped_us: frozenset[int] = frozenset()


def felt(site: Site, rigging: Rigging) -> Felt:
    """Tension of a line while rigged, without samples flagged 4 (impossible; a winch gauge, brake open) or 9."""
    channel = rigging.channel
    live = site.live(channel)
    states = site.brake_states(channel) if site.channels[channel]["kind"] == "winch-brake" else []
    tension: Samples = []
    next_us: list[int | None] = []
    clipped: set[int] = set()
    for index, (at_us, value) in enumerate(live):
        if value is None or not rigging.holds(at_us) or not site.possible(channel, value):
            continue
        if states and brake_open(states, at_us):
            continue
        tension.append((at_us, site.calibrated(channel, at_us, value) * rigging.share))
        next_us.append(live[index + 1][0] if index + 1 < len(live) else None)
        if site.clipped(channel, value):
            clipped.add(at_us)
    return Felt(rigging, tension, next_us, frozenset(clipped))
