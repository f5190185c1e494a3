"""Quarantine as a page shows it: how many rows and cells by layout and reason, with examples. Reads the quarantine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from pipeline.ledger.rows import Receipt
from pipeline.reports.figures import Figure, Trace, command
from pipeline.site import Site
from pipeline.store.raw import Quarantined, read_quarantine

EXAMPLES: Final = 3
"""So many examples of each reason are shown; the newest files first."""
FILES: Final = 400
"""Of so many files, the newest, the reasons are counted; of older ones it is told how much they hold. House rule."""
SHOWN_BYTES: Final = 160
TRACE: Final = Trace("quarantine/, a file for each raw file")


def quarantine_view(site: Site, receipts: Sequence[Receipt]) -> dict[str, Any]:
    """Rows and cells in quarantine by layout and reason, most first, and sums that agree with the receipts'.

    `receipts`: the newest of each raw file, oldest first.
    """
    held = [one for one in reversed(receipts) if one.quarantine_path is not None and one.op != "withdrawn"]
    groups: dict[tuple[str, str, str], dict[str, Any]] = {}
    for receipt in held[:FILES]:
        for row in read_quarantine(site.quarantine, str(receipt.quarantine_path)):
            group = groups.setdefault(
                (receipt.layout, row.what, row.reason), {"count": 0, "files": set(), "examples": []}
            )
            group["count"] += 1
            group["files"].add(receipt.sha256)
            if len(group["examples"]) < EXAMPLES:
                group["examples"].append(_example(receipt, row))
    reasons = [
        {
            "layout": layout,
            "what": what,
            "reason": reason,
            "count": Figure(group["count"], TRACE, "", 0),
            "files": Figure(len(group["files"]), TRACE, "", 0),
            "examples": group["examples"],
        }
        for (layout, what, reason), group in sorted(groups.items(), key=lambda item: (-item[1]["count"], item[0]))
    ]
    older = held[FILES:]
    return {
        "reasons": reasons,
        "rows": Figure(_counted(groups, "row"), TRACE, "", 0),
        "cells": Figure(_counted(groups, "cell"), TRACE, "", 0),
        "older_files": len(older),
        "older_rows": Figure(sum(one.quarantined for one in older), command("receipts"), "", 0),
        "older_cells": Figure(sum(one.cells_quarantined for one in older), command("receipts"), "", 0),
    }


def _counted(groups: Mapping[tuple[str, str, str], Mapping[str, Any]], what: str) -> int:
    return sum(int(group["count"]) for key, group in groups.items() if key[1] == what)


def _example(receipt: Receipt, row: Quarantined) -> dict[str, Any]:
    return {
        "file": receipt.file,
        "sha256": receipt.sha256,
        "line": row.line_no,
        "column": row.column,
        "detail": row.detail,
        "bytes": bytes_text(row.raw),
        "cut": max(len(row.raw) - SHOWN_BYTES, 0),
    }


def bytes_text(raw: bytes) -> str:
    """The first bytes of a row as text that no terminal or browser obeys: what is not plain ASCII as `\\xNN`."""
    return "".join(chr(byte) if 32 <= byte < 127 and byte != 92 else f"\\x{byte:02x}" for byte in raw[:SHOWN_BYTES])
