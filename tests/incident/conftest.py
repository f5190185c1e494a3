"""One simulated incident as a site whose night has been run, once for all tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import tautlog
from pipeline.incident import make_incident
from pipeline.incident.record import Incident
from pipeline.ledger.database import Ledger, open_published
from sample_logs.scenarios import write_site
from sample_logs.scenarios.incident import IncidentCase, make_incident_case

SEED = 2
"""Two lines part, more than a minute apart; loggers at 2 and 5 Hz."""
WINDOW_MIN = 15.0


@pytest.fixture(scope="package")
def case() -> IncidentCase:
    return make_incident_case(SEED, family="tune")


@pytest.fixture(scope="package")
def site(case: IncidentCase, tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("incident") / "site"
    write_site(case.scenario, root)
    result = CliRunner().invoke(tautlog, ["nightly", str(root)], catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    return root


@pytest.fixture(scope="package")
def ledger(site: Path) -> Iterator[Ledger]:
    with open_published(site) as found:
        yield found


@pytest.fixture(scope="package")
def incident(case: IncidentCase, ledger: Ledger) -> Incident:
    lost = case.losses[0]
    return make_incident(ledger, line=lost.line, at_us=lost.unloaded_us + 5_000_000, window_min=WINDOW_MIN)
