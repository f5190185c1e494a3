"""Make the ledger anew from the manifests, compare it with the one there is, and put it in its place."""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass
from pathlib import Path

from pipeline import manifest as manifests
from pipeline.ledger.apply import apply_to
from pipeline.ledger.checks import ledger_differences
from pipeline.ledger.database import create, ledger_file, log_of, open_ledger, set_aside
from pipeline.ledger.publish import publish
from pipeline.store.files import sync_folder


@dataclass(frozen=True, slots=True)
class RebuildReport:
    """What a rebuild found: `agrees` when the old ledger held exactly what the manifests give."""

    agrees: bool
    differences: tuple[str, ...]
    runs: int


def rebuild(site_root: Path) -> RebuildReport:
    """Rebuild under the site's lock, with no ledger open; the snapshot is published anew too.

    The new file is whole before it replaces the old one, which is set aside as evidence where the two differ.
    Raises StoreError when the manifests themselves are broken: then the ledger is left as it is.
    """
    site_root = site_root.resolve()
    file = ledger_file(site_root)
    committed = manifests.chain(site_root)
    draft = file.with_name(f".{file.name}.{secrets.token_hex(4)}.draft")
    try:
        with create(site_root, draft) as ledger:
            for manifest in committed:
                apply_to(ledger.con, site_root, manifest)
        differences = ledger_differences(site_root)
        if differences and file.exists():
            set_aside(file)
        log_of(file).unlink(missing_ok=True)
        os.replace(draft, file)
        sync_folder(site_root)
    finally:
        draft.unlink(missing_ok=True)
        log_of(draft).unlink(missing_ok=True)
    with open_ledger(site_root) as ledger:
        publish(ledger, anew=True)
    return RebuildReport(not differences, tuple(differences), len(committed))
