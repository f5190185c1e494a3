from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site folder in which no run has committed yet. Its name has what SQL and glob patterns trip over."""
    root = tmp_path / "cold quay [1]'s *"
    root.mkdir()
    return root
