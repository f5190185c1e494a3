"""The sample world, made once for a run of these tests."""

from __future__ import annotations

from pathlib import Path

import pytest

from sample_logs.make_logs import make_logs
from sample_logs.model import Call, simulate


@pytest.fixture(scope="session")
def call() -> Call:
    """The noiseless record of the three days."""
    return simulate()


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory, call: Call) -> Path:
    """raw/ and truth/ made anew, without compression."""
    out = tmp_path_factory.mktemp("made")
    make_logs(out, call=call, packed=False)
    return out
