"""A small site, and an incident file of it with a made-up record: for what does not depend on the analysis."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.incident.evidence import write_incident
from pipeline.incident.record import Evidence, Incident, RawFile
from pipeline.ledger import index
from pipeline.ledger.account import last_site
from pipeline.ledger.database import Ledger, open_published
from tests.incident_file.made import made_incident
from tests.night.berth import Berth, make_berth, record

FROM = "2026-10-25T00:30"


@pytest.fixture(scope="session")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Two hooks with readings around the made-up incident; only asked, never changed."""
    riggings = [f"L{n},H{n},2026-10-24T00:00:00Z,,a,100" for n in (1, 2)]
    made = make_berth(tmp_path_factory.mktemp("incident") / "b", riggings)
    made.deliver("hooks_1.csv", record(FROM, 120))
    made.deliver("hooks_2.csv", record(FROM, 120, hook="H2"))
    made.night()
    return made


def incident_of(ledger: Ledger) -> Incident:
    """The made-up record, with the evidence of a real site."""
    site, receipts = last_site(ledger), index.receipts(ledger)
    raw_files = tuple(
        RawFile(r.sha256, r.file, r.bytes, r.layout, r.lines, r.quarantined, r.first_us, r.last_us, ("call",))
        for r in sorted(receipts.values(), key=lambda r: (r.file, r.sha256))
    )
    archive = tuple((name, hashlib.sha256(content).hexdigest()) for name, content in sorted(site.archive.items()))
    places = tuple(sorted({channel.place for channel in site.channels.values()}))
    evidence = Evidence(raw_files, places, "2026-10-25", "2026-10-25", tuple(sorted(site.channels)), archive)
    return replace(made_incident(), evidence=evidence)


def write(root: Path, out: Path) -> str:
    """An incident file of a site; returns its manifest's digest."""
    with open_published(root) as ledger:
        return str(write_incident(ledger, last_site(ledger), incident_of(ledger), out)["manifest_sha256"])


@pytest.fixture(scope="session")
def folder(berth: Berth, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An incident file; whoever changes a byte of it puts the byte back."""
    out = tmp_path_factory.mktemp("file") / "incident"
    write(berth.root, out)
    return out


@pytest.fixture(scope="session")
def berth_root(berth: Berth) -> Path:
    """The site's folder."""
    return berth.root
