"""What `tautlog export` prints."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.ledger.words import CAUTION


def export_text(answer: Mapping[str, Any]) -> str:
    """The answer in words."""
    rows = ", ".join(f"{name} {count}" for name, count in answer["tables"].items() if count)
    empty = [name for name, count in answer["tables"].items() if not count]
    lines = [
        f"{answer['folder']}: {answer['files']} files of {answer['run_id']}, dictionary version "
        f"{answer['dictionary_version']}",
        f"rows: {rows or 'none'}" + (f"; without any: {', '.join(empty)}" if empty else ""),
        f"SHA-256 of its manifest.json: {answer['manifest_sha256']}",
    ]
    if answer["formula_like"]:
        cells = sum(sum(columns.values()) for columns in answer["formula_like"].values())
        lines.append(
            f"{cells} texts in the CSV files begin as a formula does, and are left as they are: do not open those in a "
            "spreadsheet, but workbook.xlsx (READ-ME.txt names the columns)"
        )
    return "\n".join([*lines, CAUTION])
