"""Berths whose store is a URL, and objects reached past the program."""

import hashlib
import shutil
from pathlib import Path

from obstore.store import S3Store

from pipeline.remote import FOLDERS
from tests.night.berth import Berth, make_berth

PROGRAMS = (*FOLDERS, "ledger.duckdb", "published")
"""What the program keeps in a site's folder."""


def far_berth(root: Path, url: str) -> Berth:
    """A berth with two hooks, of which L1 is on the first; its store is at a URL."""
    berth = make_berth(root)
    keep_far(berth, url)
    return berth


def keep_far(berth: Berth, url: str) -> None:
    berth.edit("site.toml", 'timezone = "UTC"\n', f'timezone = "UTC"\nstore = "{url}"\n')


def lose_the_folder(berth: Berth) -> None:
    """Everything but the registers is gone."""
    for name in PROGRAMS:
        path = berth.root / name
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def copied_up(berth: Berth, url: str) -> None:
    """What a keeper does who moves a site into an object store, with whatever tool."""
    objects = Objects(url)
    for folder in FOLDERS:
        for path in sorted((berth.root / folder).rglob("*")):
            if path.is_file():
                objects.put(path.relative_to(berth.root).as_posix(), path.read_bytes())


def kept_in(berth: Berth) -> dict[str, str]:
    """SHA-256 of every file in the folder that belongs into the object store too, by name."""
    return {
        path.relative_to(berth.root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for folder in FOLDERS
        for path in (berth.root / folder).rglob("*")
        if path.is_file()
    }


class Objects:
    """The objects below a URL, as anybody with the keys reaches them."""

    def __init__(self, url: str) -> None:
        bucket, _, self._prefix = url.removeprefix("s3://").partition("/")
        self._store = S3Store(bucket, client_options={"allow_http": True})

    def put(self, name: str, data: bytes) -> None:
        self._store.put(f"{self._prefix}/{name}", data)

    def get(self, name: str) -> bytes:
        return bytes(self._store.get(f"{self._prefix}/{name}").bytes())

    def delete(self, name: str) -> None:
        self._store.delete(f"{self._prefix}/{name}")

    def names(self) -> list[str]:
        found = self._store.list(self._prefix)
        return sorted(meta["path"].removeprefix(f"{self._prefix}/") for batch in found for meta in batch)

    def digests(self) -> dict[str, str]:
        return {name: hashlib.sha256(self.get(name)).hexdigest() for name in self.names()}
