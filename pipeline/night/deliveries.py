"""Which raw files a run reads: new ones, those whose layout changed, those withdrawn or brought back."""

import hashlib
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.errors import RegisterError, StoreError
from pipeline.ledger.rows import Receipt
from pipeline.manifest import canonical_json
from pipeline.night.finding import Finding
from pipeline.night.inbox import look_again, look_at
from pipeline.night.intake import Delivery, Inbox, Ingested, LiveParts, reprocess_cause
from pipeline.readers import READER_VERSION, units_of
from pipeline.site import Site
from pipeline.store.raw import Kept, keep_raw
from schemas.registers import Layout

Beginnings = dict[int, set[str]]
"""SHA-256 of raw files by their size in bytes."""
_CONTINUES = re.compile(r"\bcontinues ([0-9a-f]{12})$")


def layout_digest(site: Site, layout: Layout) -> str:
    """Digest of all that decides what a layout makes of a file: itself, the channels it can feed, the site's zone."""
    fed = {name: site.channels[name] for name in units_of(layout, site.channels)}
    channels = {name: [channel.quantity, channel.place] for name, channel in fed.items()}
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


def withdrawals(site: Site, receipts: Mapping[str, Receipt], live: LiveParts, out: Ingested) -> list[Delivery]:
    """Take out the rows of files withdrawn since; bring back those withdrawn no longer."""
    back = []
    for sha256, receipt in receipts.items():
        withdrawn = receipt.op == "withdrawn"
        if sha256 in site.withdrawn and not withdrawn:
            reason = f"withdrawn: {site.withdrawn[sha256]}"
            out.drop(sha256, reason, live)
            out.receipts.append({**_receipt_row(receipt), "op": "withdrawn", "reason": reason})
        if sha256 not in site.withdrawn and withdrawn:
            layout = matching_layout(site, receipt.file)
            if layout is not None:
                back.append(again(site, receipt, layout, "withdrawn no longer"))
    return back


def rereads(site: Site, receipts: Mapping[str, Receipt], out: Ingested, reprocess: str | None = None) -> list[Delivery]:
    """Files whose layout, or the channels it feeds, changed since they were read: they replace their own rows.

    `reprocess`: why all of them are read again, changed or not.
    """
    changed = []
    digests = {name: layout_digest(site, layout) for name, layout in site.layouts.items()}
    for sha256, receipt in receipts.items():
        if receipt.op == "withdrawn" or sha256 in site.withdrawn:
            continue
        same = digests.get(receipt.layout) == receipt.layout_digest
        if same and reprocess is None:
            continue
        layout = matching_layout(site, receipt.file)
        if layout is None:
            text = f"the layout {receipt.layout!r} that read this file is gone; its rows stay as they were read"
            out.findings.append(Finding("no-layout", receipt.file, "warning", text, scope=f"layout:{sha256}"))
            continue
        reasons = [*([] if same else ["layout changed"]), *([] if reprocess is None else [reprocess_cause(reprocess)])]
        changed.append(again(site, receipt, layout, ", ".join(reasons)))
    return changed


def as_it_was(site: Site, receipt: Receipt) -> Delivery | None:
    """A file to be read again with the layout it has; None when it is withdrawn or that layout is gone."""
    layout = site.layouts.get(receipt.layout)
    if layout is None or receipt.op == "withdrawn" or receipt.sha256 in site.withdrawn:
        return None
    return again(site, receipt, layout, "")


def again(site: Site, receipt: Receipt, layout: Layout, reason: str) -> Delivery:
    continues = continued_by(receipt.reason)
    path = site.raw / receipt.sha256
    return Delivery(path, receipt.file, receipt.sha256, receipt.bytes, layout, "reread", reason, continues)


def continued_by(reason: str) -> str:
    """The beginning of the SHA-256 of the raw file that a receipt says its own continues; empty: of none."""
    found = _CONTINUES.search(reason)
    return "" if found is None else found[1]


def new_files(
    site: Site, files: Sequence[Path], receipts: Mapping[str, Receipt], out: Ingested, executor: Executor
) -> list[Delivery]:
    """Files not known by their bytes, each with its layout and its original kept; findings for the others.

    What is still being written to stays in the inbox; a file named by hand is taken as it is.
    """
    new: dict[str, Delivery] = {}
    paths = sorted(files, key=lambda p: (p.name, str(p)))
    # Before anything is kept: a file that two layouts match ends the run.
    layouts = {path: layout for path in paths if (layout := matching_layout(site, path.name)) is not None}
    for path in paths:
        if path not in layouts:
            text = "no layout matches this file's name; it stays where it is"
            out.findings.append(Finding("no-layout", _as_text(path.name), "warning", text, scope="inbox"))
    known_beginnings = {name: _beginnings(name, receipts) for name in {layout.name for layout in layouts.values()}}
    for path, kept in _kept_originals(site, layouts, known_beginnings, executor).items():
        if isinstance(kept, Finding):
            out.findings.append(kept)
            continue
        if kept is None:
            continue
        name, layout = _as_text(path.name), layouts[path]
        known = kept.sha256 in receipts
        inbox = Inbox(path, kept.size, kept.mtime_ns, known) if path.is_relative_to(site.inbox) else None
        if kept.sha256 in new or known:
            text = "these very bytes came before"
            if inbox is not None and not os.access(path.parent, os.W_OK | os.X_OK):
                text = "these very bytes came before, and the file cannot be taken out of the inbox"
            out.findings.append(Finding("delivered-again", name, "info", text, scope="inbox"))
            if inbox is not None:
                out.done_with.append(inbox)
            continue
        continues = _continued(kept, known_beginnings[layout.name])
        new[kept.sha256] = Delivery(
            site.raw / kept.sha256, name, kept.sha256, kept.size, layout, continues=continues, inbox=inbox
        )
    return list(new.values())


def _kept_originals(
    site: Site, layouts: Mapping[Path, Layout], known: Mapping[str, Beginnings], executor: Executor
) -> dict[Path, Kept | Finding | None]:
    """What became of each file, in the order given. Files just written are waited for while the others are copied."""
    named = [path for path in layouts if not path.is_relative_to(site.inbox)]
    first = look_at([path for path in layouts if path.is_relative_to(site.inbox)], site.policy.settle_s)
    keep = partial(_kept, site)

    def started(paths: Sequence[Path]) -> Iterator[Kept | Finding | None]:
        return executor.map(keep, paths, [tuple(known[layouts[path].name]) for path in paths])

    now = [*named, *first.settled]
    kept_now = started(now)  # runs while we wait
    second = look_again(first)
    found = dict(zip(now, kept_now, strict=True)) | dict(zip(second.settled, started(second.settled), strict=True))
    for path in (*first.unsettled, *second.unsettled):
        text = "it is still being written to; it stays in the inbox until it has settled"
        found[path] = Finding("unsettled", _as_text(path.name), "info", text, scope="inbox")
    return {path: found[path] for path in layouts if path in found}


def _beginnings(layout: str, receipts: Mapping[str, Receipt]) -> Beginnings:
    """What a longer file of this layout may continue: the raw files with rows in them."""
    found: Beginnings = {}
    for sha256, receipt in receipts.items():
        if receipt.layout == layout and receipt.stored + receipt.duplicate + receipt.quarantined > 0:
            found.setdefault(receipt.bytes, set()).add(sha256)
    return found


def _continued(kept: Kept, known: Beginnings) -> str:
    """The longest earlier raw file that this one begins with, byte for byte; empty where there is none."""
    longest = max((size for size, sha256 in kept.beginnings.items() if sha256 in known.get(size, ())), default=None)
    return "" if longest is None else kept.beginnings[longest]


def _kept(site: Site, path: Path, sizes: Sequence[int]) -> Kept | Finding | None:
    """A file's original, kept; a finding where it is not whole yet, or may not be read. None: it is gone again.

    A file named by hand that cannot be read ends the run: StoreError.
    """
    name = _as_text(path.name)
    try:
        kept = keep_raw(site.raw, path, sizes)
    except OSError as error:
        if not path.is_relative_to(site.inbox):
            raise StoreError(
                f"cannot read: {error.strerror}", file=path, next_step="check its permissions, then run again"
            ) from error
        if isinstance(error, FileNotFoundError):
            return None
        text = f"cannot be read: {error.strerror}; it stays in the inbox"
        return Finding("unreadable-file", name, "error", text, scope="inbox")
    if kept is None:
        text = "the file was written to while it was read; it waits for the next night"
        return Finding("unsettled", name, "info", text, scope="inbox")
    return kept


def _as_text(name: str) -> str:
    """A file's name as text that can be kept: bytes that are no UTF-8 as \\xNN."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _receipt_row(receipt: Receipt) -> dict[str, Any]:
    return {
        name: getattr(receipt, name)
        for name in (
            "file", "sha256", "bytes", "layout", "layout_digest", "lines", "header", "blank", "ignored", "stored",
            "duplicate", "quarantined", "cells_quarantined", "first_us", "last_us", "quarantine_path",
            "quarantine_digest",
        )
    }  # fmt: skip
