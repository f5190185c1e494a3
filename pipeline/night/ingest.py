"""Raw files in, parts and receipts out: every line of every file accounted for.

Reading is done in workers; what is new and what repeats is then decided file by file, in order of file name, since
it depends on what came before. Nothing here commits: the rows go into the run's manifest.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from itertools import pairwise
from pathlib import Path

from pipeline.errors import DataError
from pipeline.ledger.rows import Receipt
from pipeline.night.deliveries import as_it_was, layout_digest, new_files, rereads, withdrawals
from pipeline.night.finding import Finding
from pipeline.night.intake import Delivery, Ingested, LiveParts
from pipeline.night.neighbours import fold_by_neighbours
from pipeline.readers import ReadNotes, read_log, units_of
from pipeline.site import Site
from pipeline.store.raw import QuarantineWriter
from pipeline.store.repeats import count_new_rows
from pipeline.store.samples import Part, SampleWriter
from schemas.registers import Layout

HOUR_US = 3_600_000_000
UNDECIDED = "ambiguous-hour"
"""Kind of the finding that a file has rows of a repeated hour which nothing settles yet."""


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


def ingest(
    site: Site,
    files: Sequence[Path],
    receipts: Mapping[str, Receipt],
    live: LiveParts,
    executor: Executor,
    *,
    undecided: Collection[str],
    now_us: int,
) -> Ingested:
    """Read new files, and read again those whose layout changed; say what each line became.

    `receipts`: live ones by SHA-256. `live`: all live parts; it is brought up to date. `undecided`: raw files of
    earlier runs with rows of a repeated hour in quarantine. Raises RegisterError when two layouts match a file.
    """
    out = Ingested()
    deliveries = withdrawals(site, receipts, live, out) + rereads(site, receipts, out)
    deliveries += new_files(site, files, receipts, out, executor)
    waiting = {sha256: as_it_was(site, receipts[sha256]) for sha256 in undecided if sha256 in receipts}
    reads = list(executor.map(partial(_read_or_explain, site), deliveries))
    for read in reads:
        if isinstance(read, FileRead) and read.delivery.op == "reread":
            # All before any is settled: else two files that overlap would both be called the other's duplicate.
            out.drop(read.delivery.sha256, read.delivery.reason, live)
    for delivery, read in zip(deliveries, reads, strict=True):
        if isinstance(read, Finding):
            out.findings.append(read)
            if delivery.op == "new":
                # Nothing was read from it: it waits where it is, and raw/ holds only what has a receipt.
                delivery.path.unlink()
            continue
        _settle(site, read, live, out, now_us)
        out.findings += _lost_all(read, receipts.get(delivery.sha256))
        waiting.pop(delivery.sha256, None)
        if delivery.inbox is not None:
            out.done_with.append(delivery.inbox)
    if out.added:
        # Only what came since can settle what an earlier run left open.
        _settle_by_neighbours(site, [d for d in waiting.values() if d is not None], live, out, now_us)
    return out


def _settle_by_neighbours(site: Site, waiting: list[Delivery], live: LiveParts, out: Ingested, now_us: int) -> None:
    """Read files again whose repeated hour a neighbouring file has settled; one settled may settle the next."""
    while True:
        settled = [
            (delivery, fold) for delivery in waiting if (fold := fold_by_neighbours(site, delivery, live)) is not None
        ]
        if not settled:
            return
        for delivery, fold in settled:
            waiting.remove(delivery)
            time_rules = delivery.layout.time.model_copy(update={"fold": fold})
            layout = delivery.layout.model_copy(update={"time": time_rules})
            reason = f"repeated hour settled by a neighbour: {('first', 'second')[fold]} pass"
            again = replace(delivery, path=site.raw / delivery.sha256, layout=layout, op="reread", reason=reason)
            _settle(site, read_file(site, again), live, out, now_us, known_as=delivery.layout)


def _lost_all(read: FileRead, before: Receipt | None) -> Iterable[Finding]:
    """That a file read again has no row any more: more likely the layout is wrong than the log."""
    rows = 0 if before is None else before.stored + before.duplicate
    if read.delivery.op != "reread" or read.tally["good"] > 0 or rows == 0:
        return
    text = (
        f"read again ({read.delivery.reason}), none of its {rows} rows is one any more, and what they had posted is "
        f"reversed; unless that is meant, mend the layout {read.delivery.layout.name!r}: the next night reads it again"
    )
    yield Finding("rows-lost", read.delivery.name, "error", text, scope=f"file:{read.delivery.sha256}")


def _read_or_explain(site: Site, delivery: Delivery) -> FileRead | Finding:
    """Read one file; a file that cannot be read with its layout becomes a finding, and the night goes on."""
    try:
        return read_file(site, delivery)
    except DataError as error:
        scope = "inbox" if delivery.op == "new" else f"layout:{delivery.sha256}"
        return Finding("unreadable-file", delivery.name, "error", str(error), scope=scope)


def read_file(site: Site, delivery: Delivery) -> FileRead:
    """Read one raw file into parts and a tally. Memory stays flat: the file is read in pieces."""
    units = units_of(delivery.layout, site.channels)
    tally: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    notes = ReadNotes()
    pieces = read_log(delivery.path, delivery.layout, site.channels, site.zone, name=delivery.name, notes=notes)
    with (
        SampleWriter(site.store, delivery.sha256, units) as writer,
        QuarantineWriter(site.quarantine, delivery.sha256) as quarantine,
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


def _settle(
    site: Site, read: FileRead, live: LiveParts, out: Ingested, now_us: int, *, known_as: Layout | None = None
) -> None:
    """Decide what of a file's good rows is new, write its receipt, and make its parts live.

    A file read again gives up its former rows first. `known_as`: the site's layout, where it was read with another
    answer to the repeated hour.
    """
    tally, sha256 = read.tally, read.delivery.sha256
    if read.delivery.op == "reread":
        out.forget_findings(f"file:{sha256}")
        out.drop(sha256, read.delivery.reason, live)
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
            "layout_digest": layout_digest(site, known_as if known_as is not None else read.delivery.layout),
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
    out.added += read.parts
    live.add(read.parts)
    if sha256 in site.withdrawn:
        out.drop(sha256, f"withdrawn: {site.withdrawn[sha256]}", live)


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
    if read.tally["good"] == 0 and not read.reasons:
        text = f"none of its {read.tally['lines']} lines is a row that the layout asks for"
        yield Finding("nothing-read", name, "warning", text, scope=scope)
    if read.reasons["ambiguous-hour"]:
        text = (
            f"{read.reasons['ambiguous-hour']} rows lie in an hour that the clock showed twice, and nothing tells in "
            "which pass; a neighbouring file may settle it, or `fold` in the layout's [time]"
        )
        yield Finding(UNDECIDED, name, "warning", text, scope=scope)
    if read.tally["cells"]:
        yield Finding("quarantine-cells", name, "info", f"{read.tally['cells']} cells could not be read", scope=scope)
    last_us = max((part.last_us for part in read.parts), default=None)
    if last_us is not None and last_us > now_us + HOUR_US:
        text = "stamps are later than the file's arrival by more than an hour: a clock or a time zone is wrong"
        yield Finding(
            "future-stamp", name, "warning", text, scope=scope, evidence={"last_us": last_us, "arrived_us": now_us}
        )
    unknown = read.notes.unknown_keys
    for key, count in sorted(unknown.by_name.items()):
        text = f"{count} rows name {key!r}, of which no channel is registered; they are ignored"
        yield Finding("unregistered", name, "warning", text, scope=scope, evidence={"key": key, "rows": count})
    if unknown.others > 0:
        text = f"{unknown.others} rows name still other keys, of which no channel is registered; they are ignored"
        yield Finding("unregistered", name, "warning", text, scope=scope, evidence={"rows": unknown.others})
    for text in read.notes.texts:
        yield Finding("reading-note", name, "info", text, scope=scope)
