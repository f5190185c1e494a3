"""Reading one raw file into parts and a tally: a worker's job. It writes files of its own and commits nothing."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from pipeline.errors import DataError
from pipeline.night.intake import Delivery
from pipeline.readers import ReadNotes, read_log, units_of
from pipeline.site import Site
from pipeline.store.depot import Depot
from pipeline.store.raw import QuarantineWriter
from pipeline.store.samples import Part, SampleWriter
from schemas.registers import Channel

CPU_LEAST_S = 300.0
CPU_S_PER_MB = 10.0
"""What reading a file may take [CPU seconds], house rule: more than any log met here needs (the slowest of the tests,
stamps all over the calendar, some 3 s a MB). Compressed files are bounded by what they may unpack to."""


@dataclass(frozen=True)
class ReadJob:
    """All that a worker needs to read one raw file."""

    delivery: Delivery
    raw: Depot
    store: Depot
    quarantine: Depot
    channels: Mapping[str, Channel]
    zone: ZoneInfo


@dataclass(frozen=True)
class FileRead:
    """What reading one raw file gave: its parts and the tally of its lines."""

    delivery: Delivery
    parts: list[Part]
    tally: Counter[str]
    tied: bool
    notes: ReadNotes
    reasons: Counter[str]
    quarantine: tuple[str, str] | None


def read_job(site: Site, delivery: Delivery) -> ReadJob:
    """The job of reading one raw file of a site."""
    return ReadJob(delivery, site.raw, site.store, site.quarantine, site.channels, site.zone)


def cpu_limit_s(job: ReadJob) -> float:
    """The CPU time that reading a file may take [s]."""
    return CPU_LEAST_S + CPU_S_PER_MB * job.delivery.size / 1e6


def read_or_explain(job: ReadJob) -> FileRead | str:
    """Read one file; in words why it cannot be read with its layout."""
    try:
        return read_file(job)
    except DataError as error:
        return str(error)
    except MemoryError as error:
        return f"reading it takes more memory than a worker may have: {error}"


def read_file(job: ReadJob) -> FileRead:
    """Read one raw file into parts and a tally. Memory stays flat: the file is read in pieces."""
    delivery = job.delivery
    units = units_of(delivery.layout, job.channels)
    tally: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    notes = ReadNotes()
    path = job.raw.local(delivery.sha256)
    pieces = read_log(path, delivery.layout, job.channels, job.zone, name=delivery.name, notes=notes)
    with (
        SampleWriter(job.store, delivery.sha256, units) as writer,
        QuarantineWriter(job.quarantine, delivery.sha256) as quarantine,
    ):
        for piece in pieces:
            for rows in piece.rows:
                writer.add(rows)
            quarantine.add(piece.quarantined, piece.bad_cells)
            reasons.update(line.reason for line in piece.quarantined)
            tally.update(
                lines=piece.lines,
                header=piece.header,
                blank=piece.blank,
                ignored=piece.ignored,
                good=piece.good,
                quarantined=len(piece.quarantined),
                cells=len(piece.bad_cells),
            )
        return FileRead(delivery, writer.close(), tally, writer.tied, notes, reasons, quarantine.close())
