"""An object store as the site's memory: its manifests brought into the folder, and all of it held against them.

For a site without a URL both do nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from pipeline import manifest as manifests
from pipeline.errors import StoreError
from pipeline.manifest import Manifest
from pipeline.store import bucket
from pipeline.store.depot import Depot

FOLDERS = ("raw", "store", "quarantine", "manifests")
"""What of a site's folder lies in its object store."""
AT_ONCE = 8
"""Objects fetched or hashed at once: it is the network's work, and none is held in memory whole."""


def fetch_manifests(depot: Depot) -> int:
    """Bring into the folder every committed run that only the object store has; returns how many there were.

    A run's tables and registers come before its manifest: so what the folder has of the chain it has whole, wherever
    this is killed. Call it under the site's lock, before the chain is read. Raises StoreError when the folder has runs
    that the object store lacks, or other ones: then one of the two is not this site's.
    """
    if depot.url is None:
        return 0
    there = {f"manifests/{name}" for name in bucket.listed(f"{depot.url}/manifests")}
    last = manifests.head(depot.folder)
    if last is not None:
        _same_chain(depot, last, there)
    fetched = 0
    for run in sorted(run for name in there if (run := manifests.run_of(name)) is not None):
        fetched += _fetch_run(depot, run, there)
    return fetched


def bucket_differences(depot: Depot, named: Mapping[str, str]) -> list[str]:
    """How the object store differs from what the manifests name (SHA-256 by name below the site): every object read.

    `named` holds the manifests' own files too. Objects of runs that never committed a manifest, below `manifests/`,
    are no difference: they do not exist for anyone.
    """
    if depot.url is None:
        return []
    there = {
        f"{folder}/{name}": put_at
        for folder in FOLDERS
        for name, put_at in bucket.listed(f"{depot.url}/{folder}").items()
    }
    with ThreadPoolExecutor(AT_ONCE) as readers:
        found = readers.map(partial(bucket.digest, depot.url), sorted(named))
        differences = [
            f"{depot.at(name)}: missing from the object store"
            if digest is None
            else f"{depot.at(name)}: altered; found SHA-256 {digest}, expected {named[name]}"
            for name, digest in zip(sorted(named), found, strict=True)
            if digest != named[name]
        ]
    folders = {name.rpartition("/")[0] for name in named}
    added = (name for name in sorted(there.keys() - named.keys()) if not _of_no_run(name, folders))
    return differences + [
        f"{depot.at(name)}: no manifest names it (put {there[name]:%Y-%m-%dT%H:%M:%SZ}; a run under way elsewhere may)"
        for name in added
    ]


def _same_chain(depot: Depot, last: Manifest, there: Collection[str]) -> None:
    """StoreError unless the object store has the very run that the folder's chain ends with."""
    name = manifests.manifest_name(last.run)
    if name not in there:
        raise StoreError(
            f"the folder holds run {last.run}, which the object store lacks",
            file=depot.at(name),
            next_step="check `store` in site.toml; to move a site into an object store, first copy its "
            f"{', '.join(FOLDERS)} there, the manifests last",
        )
    digest = bucket.digest(depot.url or "", name)
    if digest != last.sha256:
        raise StoreError(
            f"the folder's run {last.run} is not the object store's",
            file=depot.at(name),
            found=str(digest),
            expected=last.sha256,
            next_step="check `store` in site.toml; where the URL is right, set manifests/ and ledger.duckdb aside and "
            "run `tautlog rebuild`",
        )


def _fetch_run(depot: Depot, run: int, there: Collection[str]) -> bool:
    """Bring what the folder lacks of one run; whether its manifest was among it."""
    own = manifests.manifest_name(run)
    known = (depot / own).exists()
    if known:
        manifest = manifests.read(depot.folder, run)
    else:
        manifest = manifests.manifest_of(b"".join(bucket.chunks(depot.url or "", own)), run, depot.at(own))
    lacking = [name for name in manifests.named_files(manifest) if name != own and not (depot / name).exists()]
    with ThreadPoolExecutor(AT_ONCE) as fetchers:
        # A file that both lack is told by whoever reads it next, and by the audit.
        list(fetchers.map(depot.local, [name for name in lacking if name in there]))
    if not known:
        depot.local(own)
    return not known


def _of_no_run(name: str, folders: Collection[str]) -> bool:
    """Whether an object that is not named may be of a run that never committed: a table of its own, or a register."""
    folder = name.rpartition("/")[0]
    return name.startswith("manifests/") and (folder not in folders or manifests.is_archived(name))
