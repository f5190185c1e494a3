"""A berth after its first nights, made once; each test leads a copy of it further."""

from pathlib import Path

import pytest

from tests.night.berth import Berth, make_berth, record

DAYS = ("2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05")


@pytest.fixture(scope="session")
def four_days_made(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    riggings = ("L1,H1,2026-03-02T00:00:00Z,,a,100", "L2,H2,2026-03-02T00:00:00Z,,b,100")
    berth = make_berth(tmp_path_factory.mktemp("four-days") / "b", riggings)
    for day in DAYS:
        berth.deliver(f"hooks_{day}.csv", record(f"{day}T06:00") + record(f"{day}T06:00", hook="H2"))
    berth.night(through=DAYS[-1])
    return berth


@pytest.fixture
def four_days(four_days_made: Berth, tmp_path: Path) -> Berth:
    """L1 on H1 (zone a) and L2 on H2 (zone b), four days from 2 March, a log a day, all posted."""
    return four_days_made.copy(tmp_path / "b")
