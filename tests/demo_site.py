"""The demo site after its nights, made once for all tests and test processes that only read it."""

from __future__ import annotations

import fcntl
from pathlib import Path

import pytest

from pipeline.demo import build_demo
from pipeline.reports.making import make_pages
from pipeline.watch import Silent


def shared_demo(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Its folder, with `pages/`. Only read it."""
    base = tmp_path_factory.getbasetemp()
    shared = base if worker_id == "master" else base.parent
    root = shared / "demo" / "demo-site"
    with (shared / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (root / "pages").is_dir():
            root.parent.mkdir()
            build_demo(root, Silent())
            make_pages(root, root / "pages")
    return root
