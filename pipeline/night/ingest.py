"""Raw files in, parts and receipts out: every line of every file accounted for.

Reading is done in workers; what is new and what repeats is then decided file by file, in order of file name, since
it depends on what came before. Nothing here commits: the rows go into the run's manifest.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from functools import partial
from importlib import import_module
from itertools import pairwise
from pathlib import Path

from pipeline.ledger.rows import Receipt
from pipeline.night.deliveries import as_it_was, continued_by, layout_digest, new_files, rereads, withdrawals
from pipeline.night.finding import Finding
from pipeline.night.intake import Delivery, Ingested, LiveParts
from pipeline.night.neighbours import fold_by_neighbours
from pipeline.night.reading import FileRead, cpu_limit_s, read_job, read_or_explain
from pipeline.night.warm import load_flag_kernels
from pipeline.site import Site
from pipeline.store.repeats import count_new_rows
from pipeline.store.samples import Part
from pipeline.workers import Died, Workers
from schemas.registers import Layout

HOUR_US = 3_600_000_000
COPIERS = 2
"""Originals copied and hashed at once, in threads: it is the disk's work, and the inbox is the coordinator's alone."""
UNDECIDED = "ambiguous-hour"
"""Kind of the finding that a file has rows of a repeated hour which nothing settles yet."""


def ingest(
    site: Site,
    files: Sequence[Path],
    receipts: Mapping[str, Receipt],
    live: LiveParts,
    workers: Workers,
    *,
    undecided: Collection[str],
    now_us: int,
    reprocess: str | None = None,
) -> Ingested:
    """Read new files, and read again those whose layout changed; say what each line became.

    `receipts`: live ones by SHA-256. `live`: all live parts; it is brought up to date. `undecided`: raw files of
    earlier runs with rows of a repeated hour in quarantine. `reprocess`: why all files are read again.
    Raises RegisterError when two layouts match a file.
    """
    out = Ingested()
    deliveries = withdrawals(site, receipts, live, out) + rereads(site, receipts, out, reprocess)
    with ThreadPoolExecutor(COPIERS) as copiers:
        if files or deliveries:
            copiers.submit(import_module, "polars")  # for the manifest: while the fork server loads, a core is free
            workers.start()
        deliveries += new_files(site, files, receipts, out, copiers)
    waiting = {sha256: as_it_was(site, receipts[sha256]) for sha256 in undecided if sha256 in receipts}
    reads = list(_read(site, deliveries, workers))
    workers.meanwhile(load_flag_kernels)  # while what is new is being decided here
    for read in reads:
        if isinstance(read, FileRead) and read.delivery.op == "reread":
            # All before any is settled: else two files that overlap would both be called the other's duplicate.
            out.drop(read.delivery.sha256, read.delivery.reason, live)
    for delivery, read in zip(deliveries, reads, strict=True):
        if isinstance(read, Finding):
            out.findings.append(read)
            if delivery.op == "new":
                # Nothing was read from it: it waits where it is, and raw/ holds only what has a receipt.
                site.raw.remove(delivery.sha256)
            continue
        _settle(site, read, live, out, now_us)
        out.findings += _lost_all(read, receipts.get(delivery.sha256))
        waiting.pop(delivery.sha256, None)
        if read.reasons[UNDECIDED] and delivery.sha256 not in site.withdrawn:
            waiting[delivery.sha256] = delivery
        if delivery.inbox is not None:
            out.done_with.append(delivery.inbox)
    if out.added:
        # Only what came since can settle what an earlier run left open, and what this run read may lie beside it.
        open_ = [delivery for delivery in waiting.values() if delivery is not None]
        _settle_by_neighbours(site, open_, live, out, workers, now_us)
    _settle_beginnings(receipts, out)
    return out


def _settle_beginnings(receipts: Mapping[str, Receipt], out: Ingested) -> None:
    """Where a file came again longer, what the shorter one broke off in is told by the longer one."""
    now = {row["sha256"]: (row["file"], row["op"], row["reason"]) for row in out.receipts}
    known = {sha256: (r.file, r.op, r.reason) for sha256, r in receipts.items()} | now
    longer = {
        begins: sha256 for sha256, (_, op, why) in known.items() if op != "withdrawn" and (begins := continued_by(why))
    }
    for sha256, (name, *_) in known.items():
        if sha256[:12] in longer:
            broken_off = _quarantine_finding(name, sha256, {"unterminated": 1}).id
            out.findings = [found for found in out.findings if found.id != broken_off]
            out.settled_by[broken_off] = f"came again longer, as {longer[sha256[:12]][:12]}"


def _settle_by_neighbours(
    site: Site, waiting: list[Delivery], live: LiveParts, out: Ingested, workers: Workers, now_us: int
) -> None:
    """Read files again whose repeated hour a neighbouring file has settled; one settled may settle the next."""
    while waiting:
        folds = workers.all(partial(fold_by_neighbours, site, live), waiting)
        settled = [(delivery, fold) for delivery, fold in zip(waiting, folds, strict=True) if fold is not None]
        again = [_with_fold(site, delivery, fold) for delivery, fold in settled]
        for (known, _), read in zip(settled, _read(site, again, workers), strict=True):
            waiting.remove(known)
            if isinstance(read, Finding):
                out.findings.append(read)
            else:
                _settle(site, read, live, out, now_us, known_as=known.layout)
        if not settled:
            return


def _with_fold(site: Site, delivery: Delivery, fold: int) -> Delivery:
    """A delivery to be read again with a pass given for its repeated hour."""
    time_rules = delivery.layout.time.model_copy(update={"fold": fold})
    layout = delivery.layout.model_copy(update={"time": time_rules})
    settled_by = f"repeated hour settled by a neighbour: {('first', 'second')[fold]} pass"
    reason = f"{delivery.reason}, {settled_by}" if delivery.reason else settled_by
    return replace(delivery, path=site.raw / delivery.sha256, layout=layout, op="reread", reason=reason)


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


def _read(site: Site, deliveries: Sequence[Delivery], workers: Workers) -> Iterator[FileRead | Finding]:
    """Every delivery read; a file that cannot be read with its layout becomes a finding, and the night goes on."""
    jobs = [read_job(site, delivery) for delivery in deliveries]
    for delivery, read in zip(deliveries, workers.each(read_or_explain, jobs, cpu_limit_s=cpu_limit_s), strict=True):
        if isinstance(read, FileRead):
            yield read
            continue
        text = f"the process that read it died, twice: {read.how}" if isinstance(read, Died) else read
        scope = "inbox" if delivery.op == "new" else f"layout:{delivery.sha256}"
        yield Finding("unreadable-file", delivery.name, "error", text, scope=scope)


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
            "reason": f"withdrawn: {site.withdrawn[sha256]}" if sha256 in site.withdrawn else read.delivery.account,
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


def _quarantine_finding(name: str, sha256: str, reasons: Mapping[str, int]) -> Finding:
    counts = ", ".join(f"{count} {reason}" for reason, count in sorted(reasons.items()))
    return Finding("quarantine", name, "warning", f"rows in quarantine: {counts}", scope=f"file:{sha256}")


def _findings_of(read: FileRead, now_us: int) -> Iterable[Finding]:
    name, scope = read.delivery.name, f"file:{read.delivery.sha256}"
    if read.reasons:
        yield _quarantine_finding(name, read.delivery.sha256, read.reasons)
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
