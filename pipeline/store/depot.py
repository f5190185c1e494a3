"""Where a site's lasting files are kept: in a folder; or in an object store, of which the folder is then a cache.

Files are immutable and their names are used once, so that a copy can never be stale. A file is written as a draft
beside its name, synced and hashed; with a URL it is put into the object store on the condition that its name is free
there; then the draft is renamed. So what bears its name in the folder is in the object store too, and a folder that
was lost fills again as files are asked for.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import StoreError
from pipeline.store import bucket
from pipeline.store.files import cannot_write, draft_of, flush_file, make_folder, sync_file, sync_folder


@dataclass(frozen=True)
class Depot:
    """A folder of immutable files and, with `url` (`s3://bucket/prefix`), the object store that is behind it.

    Names are relative, parts parted by `/`. It shares nothing and may be handed to another process, or to a machine
    on which the folder is still to be made.
    """

    folder: Path
    url: str | None = None

    def __truediv__(self, name: str) -> Path:
        """Where a file lies in the folder, or would lie; ask `local` for a file that must be there."""
        return self.folder / name

    def below(self, name: str) -> Depot:
        """The part of the depot below a folder's name."""
        return Depot(self.folder / name, None if self.url is None else f"{self.url}/{name}")

    def at(self, name: str) -> str:
        """What to call a file in messages: its URL where there is one, else its path."""
        return str(self.folder / name) if self.url is None else bucket.at(self.url, name)

    def local(self, name: str) -> Path:
        """A file in the folder, fetched first where only the object store has it.

        Its bytes are not held against a digest here. Without a URL the file may be missing, as its reader will tell;
        with one, StoreError: no such object, no answer, or no space.
        """
        path = self.folder / name
        if self.url is not None and not path.exists():
            self._fetch(self.url, name, path)
        return path

    def write(self, name: str, write: Callable[[Path], None]) -> str:
        """Have `write` make a file, and keep it under a new name; returns its SHA-256.

        Raises StoreError when the disk or the object store refuses. Whatever goes wrong, what was half written is
        taken away.
        """
        path = self.folder / name
        try:
            draft = draft_of(path)
            try:
                write(draft)
                return self.put(draft, name)
            finally:
                draft.unlink(missing_ok=True)
        except OSError as error:
            raise cannot_write(path, error) from error

    def put(self, draft: Path, name: str) -> str:
        """Sync a finished draft and keep it under a new name; returns the SHA-256 of its bytes."""
        digest = sync_file(draft)
        self.place(draft, name, digest)
        return digest

    def place(self, draft: Path, name: str, sha256: str) -> None:
        """The same for a draft that is synced and hashed already. NameTaken: the object store has the name."""
        path = self.folder / name
        if self.url is not None:
            bucket.create(self.url, name, draft, sha256)
        os.replace(draft, path)
        sync_folder(path.parent)

    def remove(self, name: str) -> None:
        """Take a file away that no manifest names, from the object store too."""
        (self.folder / name).unlink(missing_ok=True)
        if self.url is not None:
            bucket.delete(self.url, name)

    def names(self) -> Iterator[str]:
        """The names of all files in the folder, whole or not, in order."""
        if self.folder.exists():
            for path in sorted(self.folder.rglob("*")):
                if path.is_file():
                    yield path.relative_to(self.folder).as_posix()

    def _fetch(self, url: str, name: str, path: Path) -> None:
        # Two processes may fetch one file at once: each into a draft of its own, and either is right.
        draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}.draft")
        try:
            make_folder(path.parent)
            try:
                with draft.open("wb") as handle:
                    for chunk in bucket.chunks(url, name):
                        handle.write(chunk)
                flush_file(draft)
                os.replace(draft, path)
            finally:
                draft.unlink(missing_ok=True)
        except FileNotFoundError as error:
            raise StoreError(
                "missing from the object store",
                file=bucket.at(url, name),
                next_step="restore it from a backup or an older version of the bucket, then run `tautlog audit`",
            ) from error
        except OSError as error:
            raise cannot_write(path, error) from error


def write_whole(path: Path, write: Callable[[Path], None]) -> str:
    """Have `write` make a file that is no depot's, whole and lasting; returns its SHA-256. StoreError: refused."""
    return Depot(path.parent).write(path.name, write)
