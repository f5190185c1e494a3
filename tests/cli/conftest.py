"""A site with a main line, its tail, an event, a late file; one of the logs came compressed."""

import gzip
from pathlib import Path

import pytest

from tests.night.berth import Berth, log_text, make_berth, record, values


@pytest.fixture(scope="session")
def berth_asked(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Only asked, never changed."""
    riggings = [f"{line},H1,2026-03-02T00:00:00Z,,a,100" for line in ("L1", "T1")]
    berth = make_berth(tmp_path_factory.mktemp("asked") / "b", [*riggings, "L2,H2,2026-03-02T00:00:00Z,,b,50"])
    first = values("2026-03-02T05:00", [100.0, 560.0, 630.0, 90.0]) + record("2026-03-02T06:00", hook="H2")
    berth.deliver("hooks_1.csv.gz", gzip.compress(log_text(first), mtime=0))
    berth.deliver("hooks_2.csv", record("2026-03-02T06:00"))
    berth.night(through="2026-03-03")
    berth.deliver("hooks_3.csv", record("2026-03-02T07:00", 20))
    berth.night()
    return berth


@pytest.fixture(scope="session")
def site(berth_asked: Berth) -> Path:
    return berth_asked.root
