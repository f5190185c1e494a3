"""What a line's account is added up from: posted life, open cycles, time rigged and observed. All exact."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Literal

from pipeline.errors import RegisterError, StoreError, nearest
from pipeline.ledger import index
from pipeline.ledger.bands import Band, bands_now, end_of, worst
from pipeline.ledger.database import Ledger
from pipeline.manifest import archived
from pipeline.site import Site, site_from_archive
from pipeline.wear import MECHANISMS
from pipeline.wear.lives import EXACT
from pipeline.wear.together import free_length
from schemas.registers import Rigging, Spec

ZONES: tuple[Literal["a", "b"], ...] = ("a", "b")
FREE_LENGTH, CONTACT = "outboard length", "contact band"
"""Where along the line life is used up: between eye and chock by fatigue and creep, where it lies on the chock by
abrasion. Eyes and splices, and the rest on the drum, are not modelled."""

_SHOWN = Context(prec=200, rounding=ROUND_HALF_EVEN)
_PLACES = Decimal(1).scaleb(-30)


@dataclass(frozen=True, slots=True)
class Unposted:
    """A day whose life is counted and not posted yet; `life` is what the mechanism takes, as things stand."""

    zone: str
    day: date
    mechanism: str
    life: Decimal


@dataclass(frozen=True, slots=True)
class Account:
    """A line's sums, no factor applied. `posted`: life by zone and mechanism, None where the mechanism is not reckoned.
    `pending`: fatigue of open cycles, by zone. `spec`: says how mechanisms go together, and the factor on fatigue.
    `contacts`: contact bands still on the rope, by zone, most worn first; `contacts_held`: with days not posted yet.
    """

    line: str
    spec: Spec
    posted: Mapping[str, Mapping[str, Decimal | None]]
    pending: Mapping[str, Decimal]
    unposted: tuple[Unposted, ...]
    rigged_us: int
    observed_us: int
    contacts: Mapping[str, tuple[Band, ...]]
    contacts_held: Mapping[str, tuple[Band, ...]]

    def bands(self, zone: str, *, unposted: bool = False, pending: bool = False) -> dict[str, Decimal]:
        """Life used in each band of a zone, the factor on fatigue applied. Bands are never added to one another.

        `unposted`, `pending`: with days that are not posted yet; with open cycles.
        """
        used = {name: [Decimal(0) if life is None else life] for name, life in self.posted[zone].items()}
        if pending:
            used["fatigue"].append(self.pending[zone])
        for row in self.unposted if unposted else ():
            if row.zone == zone:
                used[row.mechanism].append(row.life)
        lives = {name: exact_sum(found) for name, found in used.items()}
        fatigue = shown(lives["fatigue"], self.spec.fatigue.factor)
        free = free_length(self.spec.material, self.spec.fatigue.includes, fatigue, lives["creep"]).life
        contact = worst(self.contacts[zone])
        return {FREE_LENGTH: free, CONTACT: max(contact, worst(self.contacts_held[zone])) if unposted else contact}

    @property
    def together(self) -> str:
        """What stands in the figure of the worse zone's outboard length, in words."""
        posted, spec = self.posted[self.worse_zone], self.spec
        fatigue, creep = (Decimal(0) if life is None else life for life in (posted["fatigue"], posted["creep"]))
        # Constants of creep without a posting yet: it is reckoned, and has used nothing so far.
        reckoned = None if spec.creep is None else creep
        words = free_length(spec.material, spec.fatigue.includes, fatigue, reckoned).words
        return f"Outboard length: {words}. Contact band: abrasion, never added to it. A zone counts as its worse band."

    def total(self, zone: str) -> Decimal:
        """Posted life of a zone's worst band."""
        return max(self.bands(zone).values())

    def held(self, zone: str) -> Decimal:
        """What days that are not posted yet add to the zone's worst band."""
        with_them = max(self.bands(zone, unposted=True).values())
        return EXACT.subtract(with_them, self.total(zone))

    def used(self, zone: str) -> Decimal:
        """Everything counted against a zone's worst band: posted, days not posted yet, and open cycles."""
        return max(self.bands(zone, unposted=True, pending=True).values())

    @property
    def worse_zone(self) -> Literal["a", "b"]:
        """The zone with more counted against it; zone a where they are even. A line is as good as this zone."""
        return max(ZONES, key=lambda zone: (self.used(zone), zone == "a"))


def last_site(ledger: Ledger) -> Site:
    """The site as the newest run read it, from the archive; StoreError before the first run."""
    return ledger.once("site", lambda: _last_site(ledger))


def _last_site(ledger: Ledger) -> Site:
    digests = index.head_archive(ledger)
    if not digests:
        raise StoreError("no run has committed yet", file=ledger.file, next_step="run `tautlog nightly` on this site")
    return site_from_archive(archived(ledger.root, digests), ledger.root)


def known_line(site: Site, line: str) -> None:
    """RegisterError, with the nearest name, for a line that is not registered."""
    if line not in site.lines:
        near = nearest(line, site.lines)
        raise RegisterError(
            f"no line is called {line!r}",
            file="lines.csv",
            next_step=f"did you mean {near}?" if near is not None else "see `tautlog status` for the lines there are",
        )


def accounts(ledger: Ledger, site: Site, lines: Iterable[str]) -> dict[str, Account]:
    """The accounts of the given registered lines."""
    if ledger.kept is None:
        return _accounts(ledger, site, lines)
    # Most of the work is the same for one line as for all.
    known = ledger.once("accounts", lambda: _accounts(ledger, site, site.lines))
    return {line: known[line] for line in lines}


def _accounts(ledger: Ledger, site: Site, lines: Iterable[str]) -> dict[str, Account]:
    horizon_us = index.horizon_us(ledger)
    posted, open_kn = _posted(ledger), _open_cycles(ledger)
    unposted, observed = _unposted(ledger), _observed_us(ledger)
    abraded, known_us = _abraded(ledger), index.known_us(ledger)

    def contacts(line: str, *, held: bool) -> dict[str, tuple[Band, ...]]:
        riggings = [row for row in site.riggings if row.line == line]
        services = [row for row in site.services if row.line == line and row.at_us <= known_us]
        found: dict[str, tuple[Band, ...]] = {}
        for zone in ZONES:
            lives = dict(abraded.get((line, zone), {}))
            if held:
                of_zone = [row for row in unposted.get(line, ()) if (row.zone, row.mechanism) == (zone, "abrasion")]
                lives |= {row.day: row.life for row in of_zone}
            found[zone] = bands_now(lives, end_of(riggings, services, zone, width_m=site.policy.band_width_m))
        return found

    def account(line: str) -> Account:
        as_posted = contacts(line, held=False)
        return Account(
            line=line,
            spec=site.spec_of(line),
            posted={zone: _mechanisms(posted.get((line, zone), {})) for zone in ZONES},
            pending={zone: _pending(site, line, open_kn.get((line, zone), [])) for zone in ZONES},
            unposted=tuple(unposted.get(line, ())),
            rigged_us=rigged_us([row for row in site.riggings if row.line == line], horizon_us),
            observed_us=observed.get(line, 0),
            contacts=as_posted,
            contacts_held=contacts(line, held=True) if line in unposted else as_posted,
        )

    return {line: account(line) for line in lines}


def coverage_us(ledger: Ledger, site: Site) -> dict[str, tuple[int, int]]:
    """Time rigged and time observed of every registered line [us]."""
    horizon_us, observed = index.horizon_us(ledger), _observed_us(ledger)
    return {
        line: (rigged_us([row for row in site.riggings if row.line == line], horizon_us), observed.get(line, 0))
        for line in site.lines
    }


def rigged_us(riggings: Iterable[Rigging], horizon_us: int | None) -> int:
    """Time rigged up to the horizon: each rigging counts from its `from` to its `to` or the horizon."""
    if horizon_us is None:
        return 0
    ends = ((row.from_us, horizon_us if row.to_us is None else min(row.to_us, horizon_us)) for row in riggings)
    return sum(max(0, to_us - from_us) for from_us, to_us in ends)


def exact_sum(lives: Iterable[Decimal]) -> Decimal:
    """The sum of lives, to the last digit."""
    total = Decimal(0)
    for life in lives:
        total = EXACT.add(total, life)
    return total


def shown(life: Decimal, factor: float) -> Decimal:
    """A life as shown: times the spec's factor on life, half-even to 30 places; a factor of 1 is exact."""
    if factor == 1.0:
        return life
    return _SHOWN.quantize(_SHOWN.multiply(life, Decimal(repr(factor))), _PLACES)


def seconds(duration_us: int) -> int | Decimal:
    """Microseconds as seconds, exactly."""
    whole, rest = divmod(duration_us, 1_000_000)
    return whole if rest == 0 else Decimal(duration_us).scaleb(-6).normalize()


def _mechanisms(lives: Mapping[str, Decimal]) -> dict[str, Decimal | None]:
    """What is posted by mechanism: without any posting, fatigue has used nothing, and the others are not reckoned."""
    return {name: lives.get(name, Decimal(0) if name == "fatigue" else None) for name in MECHANISMS}


def _posted(ledger: Ledger) -> dict[tuple[str, str], dict[str, Decimal]]:
    found = ledger.rows("SELECT line, zone, mechanism, sum(life) FROM live_entries GROUP BY ALL ORDER BY ALL")
    posted: dict[tuple[str, str], dict[str, Decimal]] = {}
    for line, zone, mechanism, life in found:
        posted.setdefault((line, zone), {})[mechanism] = life
    return posted


def _abraded(ledger: Ledger) -> dict[tuple[str, str], dict[date, Decimal]]:
    """Posted abrasion of each line's zone by day."""
    abraded: dict[tuple[str, str], dict[date, Decimal]] = {}
    for line, zone, day, life in ledger.rows(
        "SELECT line, zone, day, life FROM live_entries WHERE mechanism = 'abrasion' ORDER BY ALL"
    ):
        abraded.setdefault((line, zone), {})[day] = life
    return abraded


def _open_cycles(ledger: Ledger) -> dict[tuple[str, str], list[float]]:
    """The residue of each line's zone after its last day [kN]."""
    found = ledger.rows("SELECT line, zone, arg_max(residue_kn, day) FROM live_states GROUP BY line, zone")
    return {(line, zone): residue for line, zone, residue in found}


def _pending(site: Site, line: str, residue_kn: list[float]) -> Decimal:
    if len(residue_kn) < 2:
        return Decimal(0)
    import numpy as np

    from pipeline.wear.fatigue import UNIT_EXPONENT, pending_units, to_decimal

    units = pending_units(
        np.array(residue_kn, np.float64),
        break_force_kn=site.break_force_kn(line),
        curve=site.spec_of(line).fatigue,
    )
    return to_decimal(units, UNIT_EXPONENT + 1)


def _unposted(ledger: Ledger) -> dict[str, list[Unposted]]:
    found = ledger.rows(
        """
        SELECT s.line, s.zone, s.day, s.life_units, w.creep_units, w.abrasion_units
        FROM live_states AS s LEFT JOIN live_wear_days AS w USING (line, zone, day)
        WHERE NOT s.postable ORDER BY s.line, s.zone, s.day
        """
    )
    from pipeline.wear.fatigue import to_decimal

    unposted: dict[str, list[Unposted]] = {}
    for line, zone, day, *lives in found:
        for mechanism, units in zip(MECHANISMS, lives, strict=True):
            if units is not None:
                unposted.setdefault(line, []).append(Unposted(zone, day, mechanism, to_decimal(int(units))))
    return unposted


def _observed_us(ledger: Ledger) -> dict[str, int]:
    """Time observed of each line: of the live sheets that its live states rest on, each counted once."""
    found = ledger.rows(
        """
        SELECT used.line, sum(sheets.observed_us)::BIGINT
        FROM (SELECT DISTINCT line, unnest(sheets) AS sheet FROM live_states) AS used
        JOIN live_sheets AS sheets ON used.sheet = sheets.sheet
        GROUP BY used.line
        """
    )
    return dict(found)
