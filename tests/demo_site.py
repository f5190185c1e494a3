"""The demo site as `tautlog demo` leaves it, made once for all tests and test processes that only read it."""

from __future__ import annotations

import fcntl
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import tautlog


def shared_demo(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Its folder, with `pages/`. Only read it."""
    base = tmp_path_factory.getbasetemp()
    shared = base if worker_id == "master" else base.parent
    root = shared / "demo" / "demo-site"
    with (shared / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (root / "pages").is_dir():
            root.parent.mkdir()
            result = CliRunner().invoke(tautlog, ["demo", str(root)], catch_exceptions=False)
            assert result.exit_code in (0, 1), result.output
    return root
