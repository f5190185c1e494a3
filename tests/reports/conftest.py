"""The demo site with its nights run and its pages written, and a browser: made once for all tests of pages."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from pipeline.ledger.database import open_published
from pipeline.reports.snapshot import Snapshot
from tests.demo_site import shared_demo

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def demo_root(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """The demo site after its nights, with `pages/`. Only read it. Test processes share one."""
    return shared_demo(tmp_path_factory, worker_id)


@pytest.fixture(scope="session")
def demo_pages(demo_root: Path) -> Path:
    """The folder of the demo's pages."""
    return demo_root / "pages"


@pytest.fixture(scope="module")
def demo(demo_root: Path) -> Iterator[Snapshot]:
    """What the demo's pages are made of."""
    with Snapshot(open_published(demo_root)) as snapshot:
        yield snapshot


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium; without one a test that asks for it is skipped, and says so."""
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine: NOTHING of the pages was tried; apt-get install chromium")
    with sync_playwright() as driver:
        # As root, as in a container, Chromium has no sandbox; the pages are our own.
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"] if os.getuid() == 0 else [])
        yield chromium
        chromium.close()
