"""Which raw files a run reads: new ones, those whose layout changed, those withdrawn or brought back."""

import hashlib
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from pipeline.errors import RegisterError, StoreError
from pipeline.ledger.rows import Receipt
from pipeline.manifest import canonical_json
from pipeline.night.finding import Finding
from pipeline.night.intake import Delivery, Inbox, Ingested, LiveParts
from pipeline.readers import READER_VERSION, units_of
from pipeline.site import Site
from pipeline.store.files import digest_of
from pipeline.store.raw import keep_raw
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
    layouts = {path: matching_layout(site, path.name) for path in paths}
    for (path, layout), (before, sha256) in zip(layouts.items(), executor.map(_hashed, layouts), strict=True):
        name = _as_text(path.name)
        ours = path.is_relative_to(site.inbox)
        inbox = Inbox(path, sha256, before.st_size, before.st_mtime_ns) if ours else None
        if sha256 in new or sha256 in receipts:
            keep_raw(site.raw, path, sha256, ours=ours)
            out.findings.append(
                Finding("delivered-again", name, "info", "these very bytes came before", scope=f"file:{sha256}")
            )
            if inbox is not None:
                out.done_with.append(inbox)
            continue
        if layout is None:
            text = "no layout matches this file's name; it stays where it is"
            out.findings.append(Finding("no-layout", name, "warning", text, scope="inbox"))
            continue
        keep_raw(site.raw, path, sha256, ours=ours)
        after = path.stat()
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            (site.raw / sha256).unlink()
            text = "the file grew while it was read; it waits for the next night"
            out.findings.append(Finding("unsettled", name, "info", text, scope="inbox"))
            continue
        new[sha256] = Delivery(site.raw / sha256, name, sha256, before.st_size, layout, inbox=inbox)
    return list(new.values())


def _hashed(path: Path) -> tuple[os.stat_result, str]:
    """What a file was when it was looked at, and the SHA-256 of its bytes."""
    try:
        return path.stat(), digest_of(path)
    except OSError as error:
        raise StoreError(
            f"cannot read: {error.strerror}", file=path, next_step="check its permissions, then run again"
        ) from error


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
