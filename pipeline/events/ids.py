"""Names of events that stay the same however often, and in whatever order, a history is computed."""

from __future__ import annotations

import hashlib
import json


def event_id(kind: str, line: str, from_us: int) -> str:
    """The id of an event: 16 hexadecimal digits of the SHA-256 of its kind, line and first instant [us, UTC].

    Nothing else goes in, so that an event whose peak or end is changed by late data keeps its name.
    """
    # As JSON, so that no two different triples are written alike.
    text = json.dumps([kind, line, from_us], ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
