"""A site whose ids, names and texts other programs would take for code, and its export."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.exports.making import write_export
from pipeline.ledger.database import open_published
from tests.cli.test_hostile_names import FORMULA, HTML, SQL, hostile_berth
from tests.night.berth import Berth

DETAILS = ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", 'say "so"; =2', "two\nlines, one comma", "{=1}", "http://x.invalid/")
LINES = (SQL, HTML, FORMULA, "@sum")


@dataclass(frozen=True)
class Exported:
    """An export, and the site that it is of."""

    berth: Berth
    folder: Path
    answer: dict[str, Any]

    def table(self, name: str) -> pl.DataFrame:
        return pl.read_parquet(self.folder / "parquet" / f"{name}.parquet")


def export(root: Path, out: Path, *names: str) -> dict[str, Any]:
    """Export a site."""
    with open_published(root) as ledger:
        return write_export(ledger, out, names, workers="serial")


@pytest.fixture(scope="session")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Exported:
    """Only read, never changed."""
    folder = tmp_path_factory.mktemp("exports")
    berth = hostile_berth(folder / "b")
    quoted = ['"' + text.replace('"', '""') + '"' for text in DETAILS]
    rows = [f'"@sum",2026-03-01T0{n}:00:00Z,inspection,{text}' for n, text in enumerate(quoted)]
    berth.write("services.csv", "line,at,action,detail\n" + "\n".join(rows) + "\n")
    berth.night(through="2026-03-03")
    return Exported(berth, folder / "out", export(berth.root, folder / "out"))
