"""Who writes the pages: this process, or several, each with the snapshot open for itself.

The pages of a line are one job, so that its statement is asked once; it comes back without its entries for the pages
that show every line, which this process writes last.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any, Final

from pipeline.ledger.database import open_reader
from pipeline.ledger.still import held_still
from pipeline.reports.making import all_pages, common_of
from pipeline.reports.page import Page
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.writing import page_html
from pipeline.workers import SERIAL, choose
from schemas.registers import Spec

FEW: Final = 30
"""Lines and pages up to which one process is done before others would have begun. House rule, from a measurement."""
AT_ONCE: Final = 20
"""Pages of a job that belong to no line."""

Written = tuple[str, str, int]
"""A page's path, title and size in bytes."""


@dataclass(frozen=True, slots=True)
class Job:
    """Pages to write, by their place in the list of all; and the line whose statement is wanted back."""

    site_root: Path
    file: Path
    draft: Path
    candidates: tuple[Spec, ...]
    events_from_us: int | None
    pages: tuple[int, ...]
    line: str | None


def write_all(
    snapshot: Snapshot, found: Sequence[Page], draft: Path, workers: str | None, there: Set[str] = frozenset()
) -> Iterator[Written]:
    """Write every page but those `there` (paths), and tell each. In several processes where that pays."""
    many = max(len(found) - len(there), len(snapshot.site.lines)) > FEW
    if workers != SERIAL and many:
        jobs = _jobs(snapshot, found, draft, there)
        with choose(workers, draft) as hands:
            for written, summary in hands.sure(hands.each(do, jobs)):
                snapshot.know(summary)
                yield from written
        (draft / "workers.lock").unlink(missing_ok=True)
        found = [page for page in found if page.last]
    common = common_of(snapshot, all_pages(snapshot))
    for page in sorted((page for page in found if page.path not in there), key=lambda page: page.last):
        yield _write(page, common, draft)


def _jobs(snapshot: Snapshot, found: Sequence[Page], draft: Path, there: Set[str]) -> list[Job]:
    """A job for each line, worst first, and for so many of the other pages."""
    ledger = snapshot.ledger
    of_line: dict[str, list[int]] = {line: [] for line in snapshot.lines}
    rest: list[int] = []
    for i, page in enumerate(found):
        if not page.last and page.path not in there:
            (rest if page.line is None else of_line[page.line]).append(i)
    groups = [tuple(rest[i : i + AT_ONCE]) for i in range(0, len(rest), AT_ONCE)]
    asked = tuple(snapshot.candidates), snapshot.events_from_us
    job = partial(Job, ledger.root, ledger.file, draft, *asked)
    jobs = [job(pages=group, line=None) for group in groups]
    return jobs + [job(pages=tuple(own), line=line) for line, own in of_line.items()]


def do(job: Job) -> tuple[list[Written], dict[str, dict[str, Any]]]:
    """Write a job's pages; they, and the statement that was asked for."""
    snapshot, found, common = _opened(job.site_root, job.file, job.candidates, job.events_from_us)
    written = [_write(found[i], common, job.draft) for i in job.pages]
    return written, {} if job.line is None else {job.line: snapshot.summary(job.line)}


@cache
def _opened(
    site_root: Path, file: Path, candidates: tuple[Spec, ...], events_from_us: int | None
) -> tuple[Snapshot, list[Page], dict[str, Any]]:
    """The snapshot as this process has it open, until it ends."""
    ledger = held_still(open_reader(site_root, file))
    snapshot = Snapshot(ledger, candidates, events_from_us=events_from_us)
    found = all_pages(snapshot)
    return snapshot, found, common_of(snapshot, found)


def _write(page: Page, common: Mapping[str, Any], draft: Path) -> Written:
    text = page_html(page, common).encode()
    path = draft / page.path
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text)
    return page.path, page.title, len(text)
