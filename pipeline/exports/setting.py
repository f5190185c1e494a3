"""Statements of all lines, set by workers while the tables are written: each opens the snapshot for itself."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import quote

from pipeline.exports.source import Source
from pipeline.exports.statements import Typesetter, shown_of
from pipeline.ledger.database import open_reader
from pipeline.ledger.gathered import gather
from pipeline.ledger.statement import statement_of
from pipeline.workers import SERIAL, Died, Workers, choose, is_remote

FEW: Final = 8
"""Up to so many lines other processes take longer to start than their statements to set."""
LONGEST_NAME: Final = 150


@dataclass(frozen=True)
class Job:
    """Some lines of a snapshot."""

    root: str
    file: str
    lines: tuple[str, ...]


class Statements:
    """Statements that are being made."""

    def __init__(self, results: Iterator[dict[str, bytes] | Died]) -> None:
        self._results = results

    def write(self, folder: Path) -> dict[str, str]:
        """Wait for all, and write them; returns each one's path below the folder's parent. OSError, StoreError."""
        folder.mkdir()
        made: dict[str, str] = {}
        for found in Workers.sure(self._results):
            for line, pdf in found.items():
                name = file_name(line)
                (folder / name).write_bytes(pdf)
                made[line] = f"{folder.name}/{name}"
        return dict(sorted(made.items()))


@contextmanager
def statements_by(source: Source, workers: str | None) -> Iterator[Statements]:
    """Have the statements of all lines made, by `workers` as `--workers` names them, meanwhile."""
    lines = sorted(source.site.lines)
    if len(lines) <= FEW or is_remote(workers):
        workers = SERIAL  # a cluster's machines do not see the snapshot
    root, file = str(source.ledger.root), str(source.ledger.file)
    # The workers' lock lies in a folder of their own: no night need wait for an export to end.
    with tempfile.TemporaryDirectory() as scratch, choose(workers, Path(scratch)) as doing:
        chunks = [lines[first :: doing.count] for first in range(min(doing.count, len(lines)))]
        yield Statements(doing.each(set_lines, [Job(root, file, tuple(chunk)) for chunk in chunks]))


def set_lines(job: Job) -> dict[str, bytes]:
    """The PDFs of some lines. Pure but for the snapshot that it reads, which nothing changes."""
    typesetter, made = Typesetter(), {}
    with open_reader(Path(job.root), Path(job.file)) as ledger:
        gathered = gather(ledger, job.lines)
        for line in job.lines:
            made[line] = typesetter.pdf(shown_of(gathered.site, statement_of(ledger, gathered, line)))
    return made


def file_name(line: str) -> str:
    """A file's name for a line whatever it is called: percent-encoded, so that it cannot leave; a long one is cut."""
    name = quote(line, safe=" ").replace(".", "%2E")
    if len(name) > LONGEST_NAME:
        name = f"{name[:100]}~{hashlib.sha256(line.encode()).hexdigest()[:16]}"
    return f"{name}.pdf"
