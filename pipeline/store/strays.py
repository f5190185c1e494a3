"""Files of the store that no manifest names: left by a run that died before it committed. They are nobody's."""

import re
import time
from collections.abc import Collection, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipeline.store import bucket
from pipeline.store.depot import Depot

GRACE = timedelta(days=1)
"""How long an object that no manifest names is let be: another coordinator may be about to name it."""
_DIGEST = re.compile(r"[0-9a-f]{64}", re.ASCII)
_DRAFT = re.compile(r"\.(.+)\.draft")


def strays(depots: Iterable[Depot], named: Collection[Path]) -> list[Path]:
    """Files of the depots' folders that are not among those named, in order."""
    return [depot / name for depot in depots for name in depot.names() if depot / name not in named]


def stray_objects(depots: Iterable[Depot], named: Collection[Path]) -> list[tuple[Depot, str, datetime]]:
    """Objects behind the depots that are not among those named, and when each was put; none without a URL."""
    return [
        (depot, name, put_at)
        for depot in depots
        if depot.url is not None
        for name, put_at in sorted(bucket.listed(depot.url).items())
        if depot / name not in named
    ]


def sweep(depots: Iterable[Depot], named: Collection[Path], *, older_than_s: float = 0.0) -> int:
    """Take away the strays last written so long ago; returns how many. Only under the site's lock: no other run of
    this folder writes. A clock that was set back makes a stray look young: it goes with a later sweep.

    Into an object store others may write, under locks of their own. So of the objects only those go that are older
    than `GRACE`, and those that the dead run put: the folder tells them, as names are used once. An original has the
    name of its bytes, so that another run may be about to name it too: it waits for its day.
    """
    depots = list(depots)
    before = time.time() - older_than_s
    found = [path for path in strays(depots, named) if older_than_s == 0.0 or path.stat().st_mtime < before]
    local, ours = set(found), {_meant(path) for path in found}
    long_ago = datetime.now(UTC) - GRACE
    count = len(found)
    for depot, name, put_at in stray_objects(depots, named):
        if put_at < long_ago or (depot / name in ours and _DIGEST.fullmatch(name) is None):
            bucket.delete(depot.url or "", name)
            count += depot / name not in local
    for path in found:
        path.unlink()
    return count


def _meant(path: Path) -> Path:
    """The name that a draft was going to have; any other file's own."""
    match = _DRAFT.fullmatch(path.name)
    return path if match is None else path.with_name(match[1])
