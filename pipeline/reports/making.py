"""Make all pages of what is published: into a draft folder, which takes the place of the pages there when it is whole.

The kinds of pages stand in the table `MAKERS`. A folder is only ever replaced if it holds pages of ours, or nothing.
"""

from __future__ import annotations

import glob
import importlib.util
import os
import secrets
import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any

from pipeline.errors import Bug, StoreError
from pipeline.ledger.database import open_published
from pipeline.ledger.words import CAUTION
from pipeline.manifest import canonical_json
from pipeline.reports import berth, data_quality, happening
from pipeline.reports.figures import Instant
from pipeline.reports.fresh import MARK, VERSION, made_of, mark_of
from pipeline.reports.kept import Kept
from pipeline.reports.page import BERTH, COMPARE, EVENTS, METHOD, QUALITY, Page
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.writing import page_html
from pipeline.store.files import cannot_write
from schemas.times import us_to_rfc3339

MAKERS: tuple[Callable[[Snapshot], Iterator[Page]], ...] = (
    berth.pages,
    happening.pages,
    data_quality.pages,
)  # fmt: skip
"""Every kind of page. Their paths are known before the first is written, so that links lead only to pages there are."""

NAV = (
    ("Berth", BERTH),
    ("Events", EVENTS),
    ("Data quality", QUALITY),
    ("Ropes compared", COMPARE),
    ("Method", METHOD),
)
"""The pages that every page leads to, where they were made."""

STRAY_S = 3600.0
SCRIPTS = ("bokeh.min.js", "bokeh-api.min.js")
"""Of Bokeh: what draws, and what it is told by."""


@dataclass(frozen=True)
class Made:
    """What was made: the folder, and each page with its title and size in bytes; `made_of` as its mark says."""

    folder: Path
    pages: tuple[tuple[str, str, int], ...]
    made_of: Mapping[str, Any]


def make_pages(site_root: Path, folder: Path, *, events_from_us: int | None = None) -> Made:
    """Write all pages of what is published, and swap them in; those of happenings that have not changed are taken over.

    `events_from_us`: as `Snapshot` has it. StoreError: nothing published, no room, or a folder that holds something
    else.
    """
    folder = Path(os.path.abspath(folder))
    _must_be_ours(folder)
    _sweep(folder)
    draft = folder.with_name(f".{folder.name}-{secrets.token_hex(4)}.draft")
    try:
        with Snapshot(open_published(site_root), events_from_us) as snapshot:
            mark = made_of(**snapshot.head)
            made = Made(folder, tuple(_write_all(snapshot, draft, folder, mark)), mark)
        (draft / MARK).write_text(canonical_json({"version": VERSION, "made_of": mark}), encoding="utf-8")
        _swap(draft, folder)
    except OSError as error:
        raise cannot_write(folder, error) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return made


def all_pages(snapshot: Snapshot) -> list[Page]:
    """Every page there will be, of every kind; none is made yet. Bug where two want one path."""
    found = [page for maker in MAKERS for page in maker(snapshot)]
    paths = [page.path.lower() for page in found]
    if len(set(paths)) < len(paths):
        raise Bug("two pages want one path", found=", ".join(sorted({path for path in paths if paths.count(path) > 1})))
    return found


def _write_all(
    snapshot: Snapshot, draft: Path, folder: Path, mark: Mapping[str, Any]
) -> Iterator[tuple[str, str, int]]:
    found = all_pages(snapshot)
    common = common_of(snapshot, found)
    leads_to = sorted(page.path for page in found if page.path.count("/") == 0 or page.path.startswith("lines/"))
    kept = Kept(folder, [mark["program"], mark["pages_sha256"], leads_to])
    _put_static(draft / "static")
    for page in found:
        text = kept.take(page)
        if text is None:
            text = page_html(page, common).encode()
        kept.note(page, text)
        path = draft / page.path
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text)
        yield page.path, page.title, len(text)
    kept.write(draft)


def common_of(snapshot: Snapshot, found: Iterable[Page]) -> dict[str, Any]:
    """What every page shows around its own."""
    site, until_us = snapshot.site, snapshot.horizon_us
    return {
        "known": frozenset(page.path for page in found),
        "nav": [{"text": text, "path": path} for text, path in NAV],
        "site_id": site.info.id,
        "site_name": site.info.name or site.info.id,
        "zone": site.zone,
        "zone_name": site.info.timezone,
        "until": None if until_us is None else Instant(us_to_rfc3339(until_us)),
        "run": snapshot.head["run"],
        "caution": CAUTION,
        "program": f"tautlog {version('tautlog')}",
    }


def _put_static(folder: Path) -> None:
    """Our style and script, and Bokeh's, once for all pages."""
    folder.mkdir(parents=True)
    for entry in (files("pipeline.reports") / "static").iterdir():
        (folder / entry.name).write_bytes(entry.read_bytes())
    # Found without importing the package, which takes a second and is not needed.
    spec = importlib.util.find_spec("bokeh")
    if spec is None or spec.origin is None:
        raise StoreError("Bokeh is not installed", next_step="install tautlog as its lock says: `make setup`")
    for name in SCRIPTS:
        shutil.copyfile(Path(spec.origin).parent / "server" / "static" / "js" / name, folder / name)


def _must_be_ours(folder: Path) -> None:
    if folder.is_dir() and not folder.is_symlink() and (mark_of(folder) is not None or not any(folder.iterdir())):
        return
    if folder.exists() or folder.is_symlink():
        raise StoreError(
            "something else than pages is here; nothing is overwritten",
            file=folder,
            next_step="name another folder, or move it away",
        )


def _sweep(folder: Path) -> None:
    """Take away what a making that was killed left beside the folder; a making under way is younger than an hour."""
    for stray in folder.parent.glob(f".{glob.escape(folder.name)}-????????.*"):
        if stray.suffix in (".draft", ".old") and time.time() - stray.stat().st_mtime > STRAY_S:
            shutil.rmtree(stray, ignore_errors=True)


def _swap(draft: Path, folder: Path) -> None:
    """Let the draft take the folder's place. Should the machine stop between both renames, the old pages lie beside
    and the next making puts new ones in; a half-written page is never seen.
    """
    before = folder.with_name(f".{folder.name}-{secrets.token_hex(4)}.old")
    had = folder.exists()
    if had:
        os.rename(folder, before)
    try:
        os.rename(draft, folder)
    except OSError:
        if had:
            os.rename(before, folder)
        raise
    shutil.rmtree(before, ignore_errors=True)
