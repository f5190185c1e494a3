"""The shape of the export's dictionary as it was last agreed on. `python -m tests.exports.golden` writes it anew."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from pipeline.exports.frames import TABLES
from schemas.exported import shape

GOLDEN = Path(__file__).with_name("golden.json")


def shape_now() -> dict[str, Any]:
    """Tables, columns, kinds, units and nullability, as JSON would have them."""
    found: dict[str, Any] = json.loads(json.dumps(shape(list(TABLES.values()))))
    return found


def digest_of(found: dict[str, Any]) -> str:
    """SHA-256 of a shape."""
    return hashlib.sha256(json.dumps(found, separators=(",", ":")).encode()).hexdigest()


if __name__ == "__main__":
    GOLDEN.write_text(json.dumps(shape_now(), indent=1) + "\n", encoding="utf-8")
    print(f"shape: {digest_of(shape_now())}")
