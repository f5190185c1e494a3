"""The last good night: when a night last came to its end, in a file of the site that failed nights leave alone.

A good night is one that read, reckoned, committed what was new and published it, or found nothing new: it ended with
exit 0 or 1. Its time cannot be had from the manifests, since a night with nothing new writes none, and an `ingest`
writes one without reckoning anything.
"""

from __future__ import annotations

import json
import time
import tomllib
from dataclasses import asdict, dataclass
from pathlib import Path

from pipeline import manifest as manifests
from pipeline.errors import StoreError
from pipeline.store.depot import write_whole

MARK = "last-night.json"
VERSION = 1


@dataclass(frozen=True, slots=True)
class LastNight:
    """A night that ended well: of which site (its id), when, and at which head of the chain (None: an empty one)."""

    site: str
    ended_us: int
    run: int | None
    head: str | None


def leave_mark(site_root: Path, site: str) -> None:
    """Say that a night has just ended well. Call it under the site's lock; StoreError when the disk refuses."""
    head = manifests.head(site_root)
    night = LastNight(
        site,
        time.time_ns() // 1000,
        None if head is None else head.run,
        None if head is None else head.sha256,
    )
    text = manifests.canonical_json({"version": VERSION, **asdict(night)})
    write_whole(site_root / MARK, lambda draft: _put(draft, text))


def last_night(site_root: Path) -> LastNight | None:
    """The last good night; None when there was none yet. StoreError when the mark cannot be read."""
    path = site_root / MARK
    try:
        said = json.loads(path.read_bytes())
        return LastNight(str(said["site"]), int(said["ended_us"]), said["run"], said["head"])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"cannot be read: {error!r}", file=path, next_step="run `tautlog nightly`, which writes it anew"
        ) from error


def site_id(site_root: Path) -> str:
    """The site's id as site.toml says it; as the last good night had it where site.toml cannot be read; else the
    folder's name. Never an error: this names a site whose registers may be what is wrong with it.
    """
    try:
        return str(tomllib.loads((site_root / "site.toml").read_text(encoding="utf-8"))["site"]["id"])
    except (OSError, ValueError, KeyError, TypeError):
        try:
            night = last_night(site_root)
        except StoreError:
            night = None
        return site_root.resolve().name if night is None else night.site


def _put(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
