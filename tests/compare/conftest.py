"""The demo site after its nights, and its candidate; only asked, never changed."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import sample_logs
from pipeline.compare import compare, read_specs
from pipeline.ledger.database import Ledger, open_published
from tests.demo_site import shared_demo

CANDIDATE = Path(sample_logs.__file__).parent / "candidates" / "aramid-42.toml"


@pytest.fixture(scope="session")
def demo_site(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    return shared_demo(tmp_path_factory, worker_id)


@pytest.fixture(scope="session")
def demo_ledger(demo_site: Path) -> Iterator[Ledger]:
    with open_published(demo_site) as ledger:
        yield ledger


@pytest.fixture(scope="session")
def by_class(demo_ledger: Ledger) -> dict[str, Any]:
    return compare(demo_ledger, read_specs([CANDIDATE]))


@pytest.fixture(scope="session")
def exactly(demo_ledger: Ledger) -> dict[str, Any]:
    return compare(demo_ledger, read_specs([CANDIDATE]), exact=True, workers="serial")
