"""Raw files in, parts and receipts out: every line of every file accounted for.

Reading is done in workers; what is new and what repeats is then decided file by file, in order of file name, since
it depends on what came before. Nothing here commits: the rows go into the run's manifest.
"""

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import date
from fnmatch import fnmatchcase
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

from pipeline.errors import DataError, RegisterError, StoreError
from pipeline.ledger.index import Receipt
from pipeline.manifest import canonical_json
from pipeline.night.finding import Finding
from pipeline.readers import READER_VERSION, ReadNotes, read_log, units_of
from pipeline.site import Site
from pipeline.store.files import digest_of, unique_name
from pipeline.store.raw import keep_raw, write_quarantine
from pipeline.store.repeats import count_new_rows
from pipeline.store.samples import Part, SampleWriter
from schemas.registers import Layout

HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class Delivery:
    """A raw file to be read: where it is, the name it came under, its bytes' digest and count."""

    path: Path
    name: str
    sha256: str
    size: int
    layout: Layout
    op: str = "new"
    reason: str = ""
    inbox: Path | None = None


@dataclass
class FileRead:
    """What reading one raw file gave: its parts and the tally of its lines."""

    delivery: Delivery
    parts: list[Part]
    tally: Counter[str]
    tied: bool
    notes: ReadNotes
    reasons: Counter[str]
    quarantine: tuple[str, str] | None


class LiveParts:
    """The parts whose readings count, findable by place and day and by raw file."""

    def __init__(self, parts: Iterable[Part]) -> None:
        self._by_day: dict[tuple[str, date], dict[str, Part]] = {}
        self._by_file: dict[str, list[Part]] = {}
        self.add(parts)

    def add(self, parts: Iterable[Part]) -> None:
        for part in parts:
            self._by_day.setdefault((part.place, part.day), {})[part.part] = part
            self._by_file.setdefault(part.sha256, []).append(part)

    def drop_file(self, sha256: str) -> list[Part]:
        """Take out the parts of one raw file."""
        gone = self._by_file.pop(sha256, [])
        for part in gone:
            del self._by_day[part.place, part.day][part.part]
        return gone

    def of(self, place: str, day: date) -> list[Part]:
        """The live parts of a place and day."""
        return list(self._by_day.get((place, day), {}).values())

    def days(self) -> dict[tuple[str, date], list[Part]]:
        """All live parts by place and day."""
        return {key: list(parts.values()) for key, parts in self._by_day.items() if parts}


@dataclass
class Ingested:
    """What an ingest adds: rows for the manifest, findings, and the inbox files that may go once it is committed."""

    receipts: list[dict[str, Any]] = field(default_factory=list)
    added: list[Part] = field(default_factory=list)
    dropped: list[tuple[Part, str]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    done_with: list[Path] = field(default_factory=list)


def ingest(
    site: Site,
    files: Sequence[Path],
    receipts: Mapping[str, Receipt],
    live: LiveParts,
    executor: Executor,
    *,
    now_us: int,
) -> Ingested:
    """Read new files, and read again those whose layout changed; say what each line became.

    `receipts`: live ones by SHA-256. `live`: all live parts; it is brought up to date. Raises RegisterError when
    two layouts match a file.
    """
    out = Ingested()
    deliveries = _withdrawals(site, receipts, live, out) + _rereads(site, receipts, live, out)
    deliveries += _new_files(site, files, receipts, out)
    for delivery, read in zip(deliveries, executor.map(partial(_read_or_explain, site), deliveries), strict=True):
        if isinstance(read, Finding):
            out.findings.append(read)
            if delivery.inbox is not None:
                # Nothing was read from it: it waits in the inbox, and raw/ holds only what has a receipt.
                delivery.path.unlink()
            continue
        _settle(site, read, live, out, now_us)
        if delivery.inbox is not None:
            out.done_with.append(delivery.inbox)
    return out


def layout_digest(site: Site, layout: Layout) -> str:
    """Digest of all that decides what a layout makes of a file: itself, the channels it can feed, the site's zone."""
    channels = {c.channel: [c.quantity, c.place] for c in site.channels.values()}
    basis = [layout.model_dump(mode="json"), channels, site.info.timezone, READER_VERSION]
    return hashlib.sha256(canonical_json(basis).encode()).hexdigest()


def matching_layout(site: Site, name: str) -> Layout | None:
    """The one layout whose pattern the file's name (without .gz or .zst) matches; RegisterError for two."""
    bare = name.removesuffix(".gz").removesuffix(".zst")
    found = [layout for layout in site.layouts.values() if fnmatchcase(bare, layout.match)]
    if len(found) > 1:
        raise RegisterError(
            "two layouts match this file",
            file=name,
            found=", ".join(f"{layout.name} ({layout.match})" for layout in found),
            expected="one",
            next_step="make their match patterns exclude each other",
        )
    return found[0] if found else None


def _withdrawals(site: Site, receipts: Mapping[str, Receipt], live: LiveParts, out: Ingested) -> list[Delivery]:
    """Take out the rows of files withdrawn since; bring back those withdrawn no longer."""
    back = []
    for sha256, receipt in receipts.items():
        withdrawn = receipt.op == "withdrawn"
        if sha256 in site.withdrawn and not withdrawn:
            reason = f"withdrawn: {site.withdrawn[sha256]}"
            _drop(sha256, reason, live, out)
            out.receipts.append({**_receipt_row(receipt), "op": "withdrawn", "reason": reason})
        if sha256 not in site.withdrawn and withdrawn:
            layout = matching_layout(site, receipt.file)
            if layout is not None:
                back.append(_again(site, receipt, layout, "withdrawn no longer"))
    return back


def _rereads(site: Site, receipts: Mapping[str, Receipt], live: LiveParts, out: Ingested) -> list[Delivery]:
    """Files whose layout, or the channels it feeds, changed since they were read: they replace their own rows."""
    again = []
    digests = {name: layout_digest(site, layout) for name, layout in site.layouts.items()}
    for sha256, receipt in receipts.items():
        if receipt.op == "withdrawn" or sha256 in site.withdrawn:
            continue
        if digests.get(receipt.layout) == receipt.layout_digest:
            continue
        layout = matching_layout(site, receipt.file)
        if layout is None:
            text = f"the layout {receipt.layout!r} that read this file is gone; its rows stay as they were read"
            out.findings.append(Finding("no-layout", receipt.file, "warning", text, scope=f"file:{sha256}"))
            continue
        if layout.name == receipt.layout or receipt.layout not in digests:
            _drop(sha256, "layout changed", live, out)
            again.append(_again(site, receipt, layout, "layout changed"))
    return again


def _again(site: Site, receipt: Receipt, layout: Layout, reason: str) -> Delivery:
    return Delivery(site.raw / receipt.sha256, receipt.file, receipt.sha256, receipt.bytes, layout, "reread", reason)


def _new_files(site: Site, files: Sequence[Path], receipts: Mapping[str, Receipt], out: Ingested) -> list[Delivery]:
    """Files not known by their bytes, each with its layout and its original kept; findings for the others."""
    new: dict[str, Delivery] = {}
    for path in sorted(files, key=lambda p: (p.name, str(p))):
        ours = path.is_relative_to(site.inbox)
        try:
            before = path.stat()
            sha256 = digest_of(path)
        except OSError as error:
            raise StoreError(
                f"cannot read: {error.strerror}", file=path, next_step="check its permissions, then run again"
            ) from error
        if sha256 in new or sha256 in receipts:
            keep_raw(site.raw, path, sha256, ours=ours)
            out.findings.append(
                Finding("delivered-again", path.name, "info", "these very bytes came before", scope=f"file:{sha256}")
            )
            if ours:
                out.done_with.append(path)
            continue
        layout = matching_layout(site, path.name)
        if layout is None:
            text = "no layout matches this file's name; it stays where it is"
            out.findings.append(Finding("no-layout", path.name, "warning", text, scope="inbox"))
            continue
        keep_raw(site.raw, path, sha256, ours=ours)
        after = path.stat()
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            (site.raw / sha256).unlink()
            text = "the file grew while it was read; it waits for the next night"
            out.findings.append(Finding("unsettled", path.name, "info", text, scope="inbox"))
            continue
        inbox = path if ours else None
        new[sha256] = Delivery(site.raw / sha256, path.name, sha256, before.st_size, layout, inbox=inbox)
    return list(new.values())


def _read_or_explain(site: Site, delivery: Delivery) -> FileRead | Finding:
    """Read one file; a file that cannot be read with its layout becomes a finding, and the night goes on."""
    try:
        return read_file(site, delivery)
    except DataError as error:
        return Finding("unreadable-file", delivery.name, "error", str(error), scope=f"file:{delivery.sha256}")


def read_file(site: Site, delivery: Delivery) -> FileRead:
    """Read one raw file into parts and a tally. Memory stays flat: the file is read in pieces."""
    units = units_of(delivery.layout, site.channels)
    writer = SampleWriter(site.store, delivery.sha256, units)
    tally: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    notes = ReadNotes()
    lines, cells = [], []
    for piece in read_log(delivery.path, delivery.layout, site.channels, site.zone, name=delivery.name, notes=notes):
        for rows in piece.rows:
            writer.add(rows)
        tally.update(lines=piece.lines, header=piece.header, blank=piece.blank, ignored=piece.ignored, good=piece.good)
        lines += piece.quarantined
        cells += piece.bad_cells
    reasons.update(q.reason for q in lines)
    tally.update(quarantined=len(lines), cells=len(cells))
    quarantine = None
    if lines or cells:
        path = site.quarantine / unique_name(delivery.sha256)
        digest, _, _ = write_quarantine(path, lines, cells)
        quarantine = (path.name, digest)
    return FileRead(delivery, writer.close(), tally, writer.tied, notes, reasons, quarantine)


def _settle(site: Site, read: FileRead, live: LiveParts, out: Ingested, now_us: int) -> None:
    """Decide what of a file's good rows is new, write its receipt, and make its parts live."""
    tally, sha256 = read.tally, read.delivery.sha256
    good = tally["good"]
    days = {(part.place, part.day) for part in read.parts}
    beside = [part for place, day in days for part in live.of(place, day)]
    stored = good if _all_new(read, beside) else count_new_rows(site.store, read.parts, beside)
    out.receipts.append(
        {
            "file": read.delivery.name,
            "sha256": sha256,
            "bytes": read.delivery.size,
            "layout": read.delivery.layout.name,
            "layout_digest": layout_digest(site, read.delivery.layout),
            "lines": tally["lines"],
            "header": tally["header"],
            "blank": tally["blank"],
            "ignored": tally["ignored"],
            "stored": stored,
            "duplicate": good - stored,
            "quarantined": tally["quarantined"],
            "cells_quarantined": tally["cells"],
            "first_us": min((part.first_us for part in read.parts), default=None),
            "last_us": max((part.last_us for part in read.parts), default=None),
            "quarantine_path": read.quarantine[0] if read.quarantine is not None else None,
            "quarantine_digest": read.quarantine[1] if read.quarantine is not None else None,
            "op": "withdrawn" if sha256 in site.withdrawn else read.delivery.op,
            "reason": f"withdrawn: {site.withdrawn[sha256]}" if sha256 in site.withdrawn else read.delivery.reason,
        }
    )
    out.findings += _findings_of(read, now_us)
    if sha256 not in site.withdrawn:
        out.added += read.parts
        live.add(read.parts)


def _all_new(read: FileRead, beside: Sequence[Part]) -> bool:
    """Whether no reading of the file can repeat another: no shared instants in the file, none beside it."""
    if read.tied:
        return False
    spans: dict[tuple[str, date], list[tuple[int, int]]] = {}
    for part in (*read.parts, *beside):
        spans.setdefault((part.place, part.day), []).append((part.first_us, part.last_us))
    for found in spans.values():
        found.sort()
        if any(later[0] <= former[1] for former, later in pairwise(found)):
            return False
    return True


def _findings_of(read: FileRead, now_us: int) -> Iterable[Finding]:
    name, scope = read.delivery.name, f"file:{read.delivery.sha256}"
    if read.reasons:
        counts = ", ".join(f"{count} {reason}" for reason, count in sorted(read.reasons.items()))
        yield Finding("quarantine", name, "warning", f"rows in quarantine: {counts}", scope=scope)
    if read.tally["cells"]:
        yield Finding("quarantine-cells", name, "info", f"{read.tally['cells']} cells could not be read", scope=scope)
    last_us = max((part.last_us for part in read.parts), default=None)
    if last_us is not None and last_us > now_us + HOUR_US:
        text = "stamps are later than the file's arrival by more than an hour: a clock or a time zone is wrong"
        yield Finding(
            "future-stamp", name, "warning", text, scope=scope, evidence={"last_us": last_us, "arrived_us": now_us}
        )
    for key, count in sorted(read.notes.unknown_keys.items()):
        text = f"{count} rows name {key!r}, of which no channel is registered; they are ignored"
        yield Finding("unregistered", name, "warning", text, scope=scope, evidence={"key": key, "rows": count})
    for text in read.notes.texts:
        yield Finding("reading-note", name, "info", text, scope=scope)


def _drop(sha256: str, reason: str, live: LiveParts, out: Ingested) -> None:
    out.dropped += [(part, reason) for part in live.drop_file(sha256)]


def _receipt_row(receipt: Receipt) -> dict[str, Any]:
    return {
        name: getattr(receipt, name)
        for name in (
            "file", "sha256", "bytes", "layout", "layout_digest", "lines", "header", "blank", "ignored", "stored",
            "duplicate", "quarantined", "cells_quarantined", "first_us", "last_us", "quarantine_path",
            "quarantine_digest",
        )
    }  # fmt: skip
