"""A night's figures as a Prometheus text file, also of a night that failed.

`METRICS` is all there is. What stands (rows, coverage, findings, entries) comes from the published snapshot, the last
good night from its mark and the head from the manifests, so that none of it is lost when a night fails; what is only
of the last run is left out where the run did not get so far. Only nights write it, not `ingest`.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from pipeline import manifest as manifests
from pipeline.errors import StoreError, TautlogError
from pipeline.lastnight import last_night, site_id
from pipeline.ledger.database import open_published
from pipeline.ledger.figures import FATES, Figures, figures
from pipeline.ledger.published import read_published
from pipeline.night.intake import waiting
from pipeline.nightly import Night

if TYPE_CHECKING:
    from prometheus_client.core import Metric

Samples = dict[tuple[str, ...], float]
ALL: tuple[str, ...] = ()
"""The labels of a metric that has none but `site`."""

# Name -> kind, labels beside `site`, help. Rows are lines of raw files.
METRICS: dict[str, tuple[str, tuple[str, ...], str]] = {
    "tautlog_last_run_timestamp_seconds": ("gauge", (), "When the last night ended, well or not (Unix time)."),
    "tautlog_last_run_exit_code": ("gauge", (), "What it ended with: 0 and 1 are good, see the runbook."),
    "tautlog_last_run_duration_seconds": ("gauge", (), "How long it took."),
    "tautlog_last_run_stage_seconds": ("gauge", ("stage",), "How long each stage of it took, as far as it came."),
    "tautlog_last_run_files": ("gauge", (), "Raw files it read; absent when it failed."),
    "tautlog_last_run_rows": ("gauge", ("fate",), "Rows it read, by what became of them; absent when it failed."),
    "tautlog_last_run_quarantine_ratio": (
        "gauge",
        (),
        "Rows it quarantined / rows it read without header and blank ones; absent when it read none.",
    ),
    "tautlog_last_run_entries": ("gauge", (), "Entries it posted, reversals among them; absent when it failed."),
    "tautlog_last_run_events": ("gauge", ("kind",), "Events it found or changed; absent when it failed."),
    "tautlog_last_good_run_timestamp_seconds": (
        "gauge",
        (),
        "When a night last came to its end (exit 0 or 1: all that came is read, reckoned, committed and published, "
        "also if that was nothing new); 0: never. Kept in the site, so that failed nights do not touch it.",
    ),
    "tautlog_run_number": ("gauge", (), "Number of the newest committed run, the head of the chain; 0: none."),
    "tautlog_published_run_number": ("gauge", (), "Number of the run that readers see; 0: nothing can be read."),
    "tautlog_head_info": ("gauge", ("run_id", "sha256", "program"), "1; names the head of the chain of manifests."),
    "tautlog_build_info": ("gauge", ("version",), "1; names the program that wrote this."),
    "tautlog_rows_total": (
        "counter",
        ("fate",),
        "Rows read by all runs, by what became of them; those of a file read again count again.",
    ),
    "tautlog_quarantine_ratio": (
        "gauge",
        (),
        "Rows in quarantine / rows without header and blank ones, over the newest receipt of every raw file.",
    ),
    "tautlog_raw_files": ("gauge", (), "Raw files that have a receipt."),
    "tautlog_inbox_files": ("gauge", (), "Files left in the inbox, hidden ones not counted."),
    "tautlog_unreckoned_dates": ("gauge", (), "Place-days with samples that no night has made sheets of yet."),
    "tautlog_coverage_ratio": (
        "gauge",
        ("line",),
        "Rigged time observed / rigged time elapsed, over the line's whole history; absent for a line never rigged.",
    ),
    "tautlog_entries_total": ("counter", ("kind",), "Entries ever made: postings, reversals."),
    "tautlog_live_entries": ("gauge", (), "Postings that nothing reverses."),
    "tautlog_live_events": ("gauge", ("kind",), "Events that stand."),
    "tautlog_open_findings": ("gauge", ("kind", "severity"), "Findings that stand."),
    "tautlog_silent_channels": ("gauge", (), "Channels from which nothing came for longer than is expected."),
    "tautlog_disk_free_bytes": ("gauge", (), "Bytes free on the disk of the site folder."),
}


@dataclass(frozen=True, slots=True)
class Ran:
    """How a night went. Times in Unix microseconds; `night` is None when it failed."""

    began_us: int
    ended_us: int
    exit_code: int
    stage_seconds: Mapping[str, float] = field(default_factory=dict)
    night: Night | None = None


def metrics_file(target: Path, site: str) -> Path:
    """The file to write: `target`, or one named for the site in it where it is a folder."""
    return target / f"tautlog-{quote(site, safe='')}.prom" if target.is_dir() else target


def write_metrics(site_root: Path, target: Path, ran: Ran, *, note: Callable[[str], None]) -> Path:
    """Write the text file whole or not at all; returns where. StoreError when the disk refuses.

    `note` is told what could not be read of the site; the metrics of that are then absent.
    """
    from prometheus_client import CollectorRegistry, write_to_textfile

    site = site_id(site_root)
    path = metrics_file(target, site)
    registry = CollectorRegistry()
    registry.register(_Collected(site, gather(site_root, ran, note=note)))
    try:
        write_to_textfile(str(path), registry)
    except OSError as error:
        raise StoreError(
            f"the metrics cannot be written: {error.strerror}",
            file=path,
            next_step="make the folder, or give the right to write to it; what the night committed is safe",
        ) from error
    return path


def gather(site_root: Path, ran: Ran, *, note: Callable[[str], None]) -> dict[str, Samples]:
    """Every metric that has a value now, by name; then by its labels' values, without `site`."""
    found = _of_run(ran)
    found["tautlog_build_info"] = {(version("tautlog"),): 1}
    for ask in (_of_folder, _of_last_good, _of_head, _of_ledger):
        try:
            found |= ask(site_root)
        except (TautlogError, OSError) as error:
            note(f"left out of the metrics: {error}")
    return found


class _Collected:
    """What prometheus_client asks for the metrics of one site."""

    def __init__(self, site: str, found: Mapping[str, Samples]) -> None:
        self._site, self._found = site, found

    def collect(self) -> Iterator[Metric]:
        from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

        for name, (kind, labels, help_) in METRICS.items():
            if not self._found.get(name):
                continue
            family = (CounterMetricFamily if kind == "counter" else GaugeMetricFamily)(
                name, help_, labels=("site", *labels)
            )
            for values, value in sorted(self._found[name].items()):
                family.add_metric((self._site, *values), value)
            yield family


def _of_run(ran: Ran) -> dict[str, Samples]:
    found: dict[str, Samples] = {
        "tautlog_last_run_timestamp_seconds": {ALL: ran.ended_us / 1e6},
        "tautlog_last_run_exit_code": {ALL: ran.exit_code},
        "tautlog_last_run_duration_seconds": {ALL: (ran.ended_us - ran.began_us) / 1e6},
        "tautlog_last_run_stage_seconds": {(stage,): seconds for stage, seconds in ran.stage_seconds.items()},
    }
    if ran.night is None:
        return found
    rows = {fate: sum(getattr(receipt, fate) for receipt in ran.night.receipts) for fate in FATES}
    found |= {
        "tautlog_last_run_files": {ALL: len(ran.night.receipts)},
        "tautlog_last_run_rows": {(fate,): count for fate, count in rows.items()},
        "tautlog_last_run_quarantine_ratio": _ratio(rows["quarantined"], _told(rows)),
        "tautlog_last_run_entries": {ALL: ran.night.entries_posted},
        "tautlog_last_run_events": _tally(event.kind for event in ran.night.events),
    }
    return found


def _of_folder(site_root: Path) -> dict[str, Samples]:
    found: dict[str, Samples] = {"tautlog_inbox_files": {ALL: float(len(waiting(site_root / "inbox")))}}
    if site_root.is_dir():
        found["tautlog_disk_free_bytes"] = {ALL: float(shutil.disk_usage(site_root).free)}
    return found


def _of_last_good(site_root: Path) -> dict[str, Samples]:
    night = last_night(site_root)
    return {"tautlog_last_good_run_timestamp_seconds": {ALL: 0.0 if night is None else night.ended_us / 1e6}}


def _of_head(site_root: Path) -> dict[str, Samples]:
    head, published = manifests.head(site_root), read_published(site_root)
    found: dict[str, Samples] = {
        "tautlog_run_number": {ALL: 0 if head is None else head.run},
        "tautlog_published_run_number": {ALL: 0 if published is None else published.run},
    }
    if head is not None:
        found["tautlog_head_info"] = {(head.run_id, head.sha256, head.program): 1}
    return found


def _of_ledger(site_root: Path) -> dict[str, Samples]:
    if read_published(site_root) is None:
        return {}  # tautlog_published_run_number says so
    with open_published(site_root) as ledger:
        stands: Figures = figures(ledger)
    silent = sum(count for (kind, _), count in stands.findings.items() if kind == "silent-channel")
    return {
        "tautlog_rows_total": {(fate,): count for fate, count in stands.rows.items()},
        "tautlog_quarantine_ratio": _ratio(stands.live_rows["quarantined"], _told(stands.live_rows)),
        "tautlog_raw_files": {ALL: stands.raw_files},
        "tautlog_unreckoned_dates": {ALL: stands.unreckoned},
        "tautlog_coverage_ratio": {
            (line,): observed_us / rigged_us
            for line, (rigged_us, observed_us) in stands.coverage.items()
            if rigged_us > 0
        },
        "tautlog_entries_total": {(kind,): count for kind, count in stands.entries.items()},
        "tautlog_live_entries": {ALL: stands.live_entries},
        "tautlog_live_events": {(kind,): count for kind, count in stands.live_events.items()},
        "tautlog_open_findings": {key: count for key, count in stands.findings.items()},
        "tautlog_silent_channels": {ALL: silent},
    }


def _told(rows: Mapping[str, int]) -> int:
    """Rows that should have been readings."""
    return sum(rows.values()) - rows["header"] - rows["blank"]


def _ratio(part: int, whole: int) -> Samples:
    return {ALL: part / whole} if whole > 0 else {}


def _tally(words: Iterable[str]) -> Samples:
    counts: Samples = {}
    for word in words:
        counts[(word,)] = counts.get((word,), 0) + 1
    return counts
