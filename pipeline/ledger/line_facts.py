"""What the rules of advice look at, gathered for each line from its account, events, findings and registers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from pipeline.ledger import index
from pipeline.ledger.account import CONTACT, FREE_LENGTH, ZONES, Account, exact_sum
from pipeline.ledger.advice import LineFacts, Peak, Weakest, ZoneUse, advise, last_looked_us
from pipeline.ledger.basis import basis_of, strength_basis_of
from pipeline.ledger.database import Ledger
from pipeline.ledger.queries import lines_of
from pipeline.ledger.rows import Event, Finding
from pipeline.ledger.strength import bend_at, left_now, retirement_line
from pipeline.site import Site
from schemas.registers import Rigging
from schemas.times import DAY_US, day_start_us

SILENT, SILENT_SITE = "silent-channel", "silent-site"


@dataclass(frozen=True)
class Evidence:
    """What the ledger holds of all lines, read once. `peaks`: by line, (zone, kN, us) of each day."""

    events: Mapping[str, Sequence[Event]]
    findings: Sequence[Finding]
    peaks: Mapping[str, Sequence[tuple[str, float, int]]]
    horizon_us: int | None
    known_us: int


def evidence_of(ledger: Ledger) -> Evidence:
    """Live events by line, open findings, and the highest tension of every day."""
    return ledger.once("evidence", lambda: _evidence_of(ledger))


def _evidence_of(ledger: Ledger) -> Evidence:
    events: dict[str, list[Event]] = defaultdict(list)
    for event in index.events(ledger).values():
        for line in lines_of(event):
            events[line].append(event)
    peaks: dict[str, list[tuple[str, float, int]]] = defaultdict(list)
    for (line, zone, _), found in index.day_facts(ledger).items():
        if "peak_kn" in found:
            peaks[line].append((zone, found["peak_kn"], found["peak_us"]))
    return Evidence(
        events, list(index.findings(ledger).values()), peaks, index.horizon_us(ledger), index.known_us(ledger)
    )


def advice_of(
    site: Site, account: Account, evidence: Evidence, limits: Sequence[Mapping[str, Any]]
) -> list[dict[str, str]]:
    """What to do with a line, most urgent first: the rule, what it asks for, and the reason with its figure."""
    found = advise(facts_of(site, account, evidence, limits))
    return [{"rule": said.rule, "do": said.do, "because": said.because} for said in found]


def facts_of(site: Site, account: Account, evidence: Evidence, limits: Sequence[Mapping[str, Any]]) -> LineFacts:
    """The facts of one line. Services, settings and calibrations count once they are done, not while only planned."""
    line = account.line
    opening = site.lines[line].opening_life
    services = [row for row in site.services if row.line == line and row.at_us <= evidence.known_us]
    events = list(evidence.events.get(line, ()))
    own = [row for row in site.riggings if row.line == line]
    left = left_now(site, account)
    return LineFacts(
        events=events,
        services=services,
        rigged_us=account.rigged_us,
        observed_us=account.observed_us,
        used=exact_sum((account.used(account.worse_zone), Decimal(0) if opening is None else opening)),
        basis=basis_of(site, line)[0],
        strength_basis=strength_basis_of(site, line)[0],
        policy=site.policy,
        zones={zone: _use(account, zone) for zone in ZONES},
        limits=limits,
        weakest=None if left is None else _weakest(site, line, left),
        retirement=retirement_line(site, line),
        tests=[row for row in site.strength_tests if row.line == line and row.at_us <= evidence.known_us],
        peak=None if left is None else _peak(own, account, evidence, left, last_looked_us(services)),
        renders=[event for event in events if _unanswered("brake-render", site, line, event, evidence.known_us)],
        held=[event for event in events if _unanswered("brake-held", site, line, event, evidence.known_us)],
        findings=[found for found in evidence.findings if _of_its_sensors(site, own, found, evidence)],
        clipped=[
            event
            for event in events
            if event.payload.get("peak_at_least") and not _calibrated_since(site, event.channel, event.to_us, evidence)
        ],
    )


def _use(account: Account, zone: str) -> ZoneUse:
    free = account.bands(zone, unposted=True, pending=True)[FREE_LENGTH]
    bands = account.contacts_held[zone]
    return ZoneUse(free, bands[0] if bands else None)


def _weakest(site: Site, line: str, left: Mapping[str, Mapping[str, float]]) -> Weakest:
    kn, zone, band = min((kn, zone, band) for zone, bands in left.items() for band, kn in bands.items())
    return Weakest(kn, zone, band, *retirement_line(site, line), site.lines[line].opening_life is None)


def _peak(
    own: Sequence[Rigging],
    account: Account,
    evidence: Evidence,
    left: Mapping[str, Mapping[str, float]],
    looked_us: int | None,
) -> Peak | None:
    """The peak since the last inspection that comes nearest to what is left now, which is no more than was left then.

    Over a bend the contact band has only its share of strength.
    """
    found = []
    for zone, kn, at_us in evidence.peaks.get(account.line, ()):
        if looked_us is not None and at_us <= looked_us:
            continue
        bend = bend_at(own, account, zone, at_us)
        at_contact = left[zone][CONTACT] * (1.0 if bend is None else bend["strength"])
        found.append(Peak(kn, at_us, zone, min(left[zone][FREE_LENGTH], at_contact)))
    return max(found, key=lambda peak: (peak.share, -peak.at_us), default=None)


def _unanswered(kind: str, site: Site, line: str, event: Event, known_us: int) -> bool:
    """An event of a brake under this main line, which was not set anew since (a setting counts from its `set_on`)."""
    if event.kind != kind or event.line != line:
        return False
    settings = [row.set_on_us for row in site.winches if row.place == event.place and row.set_on_us is not None]
    return not any(event.to_us < set_us <= known_us for set_us in settings)


def _of_its_sensors(site: Site, riggings: Sequence[Rigging], found: Finding, evidence: Evidence) -> bool:
    """Whether a finding is about a sensor that the line lay on then, or lies on now where it is silent.

    Those of severity info (single readings that jump) are left to `findings`; a later calibration answers a day's.
    """
    if found.severity == "info":
        return False
    if found.kind == SILENT_SITE:
        return any(_rigged_at(row, evidence.horizon_us) for row in riggings)
    own = [row for row in riggings if row.channel == found.subject]
    if found.kind == SILENT:
        return any(_rigged_at(row, evidence.horizon_us) for row in own)
    if not found.scope.startswith("day:"):
        return False
    day_us = day_start_us(date.fromisoformat(found.scope.rsplit(":", 1)[1]))
    lay = any(row.from_us < day_us + DAY_US and (row.to_us is None or row.to_us > day_us) for row in own)
    return lay and not _calibrated_since(site, found.subject, day_us + DAY_US, evidence)


def _calibrated_since(site: Site, channel: str, at_us: int, evidence: Evidence) -> bool:
    return any(at_us <= row.from_us <= evidence.known_us for row in site.calibrations_of(channel))


def _rigged_at(row: Rigging, at_us: int | None) -> bool:
    return at_us is not None and row.from_us <= at_us and (row.to_us is None or at_us < row.to_us)
