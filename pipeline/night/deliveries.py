"""Which raw files a run reads: new ones, those whose layout changed, those withdrawn or brought back."""

import hashlib
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.errors import RegisterError, StoreError
from pipeline.ledger.rows import Receipt
from pipeline.manifest import canonical_json
from pipeline.night.finding import Finding
from pipeline.night.intake import Delivery, Inbox, Ingested, LiveParts
from pipeline.readers import READER_VERSION, units_of
from pipeline.site import Site
from pipeline.store.raw import Kept, keep_raw
from schemas.registers import Layout


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


def rereads(site: Site, receipts: Mapping[str, Receipt], out: Ingested) -> list[Delivery]:
    """Files whose layout, or the channels it feeds, changed since they were read: they replace their own rows."""
    changed = []
    digests = {name: layout_digest(site, layout) for name, layout in site.layouts.items()}
    for sha256, receipt in receipts.items():
        if receipt.op == "withdrawn" or sha256 in site.withdrawn:
            continue
        if digests.get(receipt.layout) == receipt.layout_digest:
            continue
        layout = matching_layout(site, receipt.file)
        if layout is None:
            text = f"the layout {receipt.layout!r} that read this file is gone; its rows stay as they were read"
            out.findings.append(Finding("no-layout", receipt.file, "warning", text, scope=f"layout:{sha256}"))
            continue
        changed.append(again(site, receipt, layout, "layout changed"))
    return changed


def as_it_was(site: Site, receipt: Receipt) -> Delivery | None:
    """A file to be read again with the layout it has; None when it is withdrawn or that layout is gone."""
    layout = site.layouts.get(receipt.layout)
    if layout is None or receipt.op == "withdrawn" or receipt.sha256 in site.withdrawn:
        return None
    return again(site, receipt, layout, "")


def again(site: Site, receipt: Receipt, layout: Layout, reason: str) -> Delivery:
    return Delivery(site.raw / receipt.sha256, receipt.file, receipt.sha256, receipt.bytes, layout, "reread", reason)


def new_files(
    site: Site, files: Sequence[Path], receipts: Mapping[str, Receipt], out: Ingested, executor: Executor
) -> list[Delivery]:
    """Files not known by their bytes, each with its layout and its original kept; findings for the others."""
    new: dict[str, Delivery] = {}
    paths = sorted(files, key=lambda p: (p.name, str(p)))
    # Before anything is kept: a file that two layouts match ends the run.
    layouts = {path: layout for path in paths if (layout := matching_layout(site, path.name)) is not None}
    for path in paths:
        if path not in layouts:
            text = "no layout matches this file's name; it stays where it is"
            out.findings.append(Finding("no-layout", _as_text(path.name), "warning", text, scope="inbox"))
    for (path, layout), kept in zip(layouts.items(), executor.map(partial(_kept, site), layouts), strict=True):
        if isinstance(kept, Finding):
            out.findings.append(kept)
            continue
        if kept is None:
            continue
        name = _as_text(path.name)
        inbox = Inbox(path, kept.size, kept.mtime_ns) if path.is_relative_to(site.inbox) else None
        if kept.sha256 in new or kept.sha256 in receipts:
            text = "these very bytes came before"
            out.findings.append(Finding("delivered-again", name, "info", text, scope=f"file:{kept.sha256}"))
            if inbox is not None:
                out.done_with.append(inbox)
            continue
        new[kept.sha256] = Delivery(site.raw / kept.sha256, name, kept.sha256, kept.size, layout, inbox=inbox)
    return list(new.values())


def _kept(site: Site, path: Path) -> Kept | Finding | None:
    """A file's original, kept; a finding where it is not whole yet, or may not be read. None: it is gone again.

    A file named by hand that cannot be read ends the run: StoreError.
    """
    name = _as_text(path.name)
    try:
        kept = keep_raw(site.raw, path)
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
