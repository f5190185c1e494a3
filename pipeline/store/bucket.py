"""Objects in an object store, by URL and name: put once, got, listed, taken away. Here alone is obstore imported.

Endpoint, region and credentials come from the library's own environment variables (`AWS_ENDPOINT_URL`,
`AWS_REGION`, `AWS_ACCESS_KEY_ID`, ...), read when a process first needs them; never from a register. What goes wrong
on the way is a StoreError that names the URL.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import StoreError

if TYPE_CHECKING:
    from obstore.store import S3Store

LARGE_BYTES = 64 << 20
"""Up to this size an object is put in one request, on the condition that its name is free; such a request holds all
of it in memory. A larger one goes up in parts, after a look whether its name is free."""
CONNECT_S = 10
REQUEST_S = 600
"""How long a request may take: one of `LARGE_BYTES` over a line of 1 Mbit/s."""
RETRIES = 4
_SAME_NAME = "names are never used twice: find out who else writes under this URL, and run `tautlog audit`"


class NameTaken(StoreError):
    """An object of this name is there already, and holds other bytes."""


def create(url: str, name: str, file: Path, sha256: str) -> None:
    """Put a file under a name that is free; NameTaken when another writer has put other bytes there.

    The same bytes there already are as good as put: a request may have come through whose answer was lost.
    """
    from obstore.exceptions import AlreadyExistsError

    store, key, size = _client(url), _key(url, name), file.stat().st_size
    taken = False
    with _explained(url, name, "put"):
        if size > LARGE_BYTES:
            taken = _there(store, key)
            if not taken:
                store.put(key, file)
        else:
            try:
                store.put(key, file, mode="create")
            except AlreadyExistsError:
                taken = True
    if taken and digest(url, name) != sha256:
        raise NameTaken("the object store holds other bytes under this name", file=at(url, name), next_step=_SAME_NAME)


def chunks(url: str, name: str) -> Iterator[memoryview]:
    """An object's bytes, in pieces; FileNotFoundError when there is none of this name."""
    with _explained(url, name, "read"):
        for chunk in _client(url).get(_key(url, name)):
            yield memoryview(chunk)


def digest(url: str, name: str) -> str | None:
    """SHA-256 of an object's bytes, all of them read; None when there is none of this name."""
    whole = hashlib.sha256()
    try:
        for chunk in chunks(url, name):
            whole.update(chunk)
    except FileNotFoundError:
        return None
    return whole.hexdigest()


def listed(url: str) -> dict[str, datetime]:
    """Name of every object below a URL, and when it was put, by the object store's clock."""
    root = _key(url, "")
    with _explained(url, "", "list"):
        return {
            found["path"][len(root) :]: found["last_modified"]
            for batch in _client(url).list(root or None, chunk_size=1000)
            for found in batch
        }


def delete(url: str, name: str) -> None:
    """Take an object away; nothing when there is none of this name."""
    with _explained(url, name, "take away"):
        try:
            _client(url).delete(_key(url, name))
        except FileNotFoundError:
            return


def at(url: str, name: str) -> str:
    """An object's own URL."""
    return f"{url}/{name}" if name else url


def _there(store: S3Store, key: str) -> bool:
    try:
        store.head(key)
    except FileNotFoundError:
        return False
    return True


def _key(url: str, name: str) -> str:
    """The object's name within its bucket."""
    prefix = url.removeprefix("s3://").partition("/")[2]
    return f"{prefix}/{name}" if prefix else name


def _client(url: str) -> S3Store:
    return _client_of(url.removeprefix("s3://").partition("/")[0])


@lru_cache(maxsize=8)
def _client_of(bucket: str) -> S3Store:
    from obstore.store import S3Store

    return S3Store(
        bucket,
        client_options={
            # Options given here replace all those of the environment, this one included.
            "allow_http": os.environ.get("AWS_ALLOW_HTTP", "").lower() in ("1", "true", "yes", "on"),
            "connect_timeout": timedelta(seconds=CONNECT_S),
            "timeout": timedelta(seconds=REQUEST_S),
        },
        retry_config={"max_retries": RETRIES, "retry_timeout": timedelta(seconds=REQUEST_S)},
    )


@contextmanager
def _explained(url: str, name: str, what: str) -> Iterator[None]:
    """The library's errors as ours. A missing object is left to who asked."""
    from obstore import exceptions

    try:
        yield
    except StoreError:
        raise
    except FileNotFoundError as error:
        if "NoSuchBucket" not in str(error):
            raise
        raise StoreError(
            "there is no such bucket", file=at(url, name), next_step="make it, or mend `store` in site.toml"
        ) from error
    except (exceptions.PermissionDeniedError, exceptions.UnauthenticatedError) as error:
        raise StoreError(
            f"the object store does not let us {what}: {_first_line(error)}",
            file=at(url, name),
            next_step="check the credentials in the environment (AWS_ACCESS_KEY_ID, ...) and their rights, then run "
            "again",
        ) from error
    except (exceptions.BaseError, OSError) as error:
        raise StoreError(
            f"the object store cannot {what}: {_first_line(error)}",
            file=at(url, name),
            next_step="check the network, AWS_ENDPOINT_URL and that the object store is up, then run again; what was "
            "not committed counts for nothing",
        ) from error


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0].strip()[:300]
