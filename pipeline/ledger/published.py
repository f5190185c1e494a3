"""What `published/current` says of itself, without opening its database."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Published:
    """The snapshot that readers open: of which run, at which manifest, by which schema; open findings as severity ->
    kind -> count.
    """

    run: int
    run_id: str
    manifest_sha256: str
    schema_sha256: str
    findings: Mapping[str, Mapping[str, int]]


def read_published(site_root: Path) -> Published | None:
    """What is published; None when that is nothing, or not whole: unreadable is unpublished."""
    try:
        folder = site_root / "published" / "current"
        facts = json.loads((folder / "published.json").read_bytes())
        if not all((folder / name).is_file() for name in ["ledger.duckdb", *facts["files"]]):
            return None
        findings = {severity: dict(kinds) for severity, kinds in facts["findings"].items()}
        run_id, head, schema = (str(facts[name]) for name in ("run_id", "manifest_sha256", "schema_sha256"))
        return Published(int(facts["run"]), run_id, head, schema, findings)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
