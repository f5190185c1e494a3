"""Make all pages of what is published: into a draft folder, which takes the place of the pages there when it is whole.

The kinds of pages stand in the table `MAKERS`. A folder is only ever replaced if it holds pages of ours, or nothing.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipeline.errors import Bug
from pipeline.ledger.still import open_still
from pipeline.ledger.words import CAUTION
from pipeline.manifest import canonical_json
from pipeline.reports import berth, data_quality, happening, line, method, ropes
from pipeline.reports.figures import Instant
from pipeline.reports.folder import must_be_ours, put_static
from pipeline.reports.fresh import MARK, VERSION, made_of
from pipeline.reports.kept import Kept
from pipeline.reports.page import BERTH, COMPARE, EVENTS, METHOD, QUALITY, Page
from pipeline.reports.snapshot import Snapshot
from pipeline.store.files import cannot_write
from pipeline.store.folders import draft_beside, swap_in, sweep_beside
from pipeline.workers import SERIAL
from schemas.registers import Spec
from schemas.times import us_to_rfc3339

MAKERS: tuple[Callable[[Snapshot], Iterator[Page]], ...] = (
    berth.pages,
    line.pages,
    happening.pages,
    data_quality.pages,
    ropes.pages,
    method.pages,
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


@dataclass(frozen=True)
class Made:
    """What was made: the folder, and each page with its title and size in bytes; `made_of` as its mark says."""

    folder: Path
    pages: tuple[tuple[str, str, int], ...]
    made_of: Mapping[str, Any]


def make_pages(
    site_root: Path,
    folder: Path,
    candidates: Sequence[Spec] = (),
    *,
    events_from_us: int | None = None,
    workers: str | None = SERIAL,
) -> Made:
    """Write all pages of what is published, and swap them in; those of happenings that have not changed are taken over.

    `candidates`: ropes to compare besides the site's own; `events_from_us`: as `Snapshot` has it; `workers`: as for
    `pipeline.workers.choose`. StoreError: nothing published, no room, or a folder that holds something else.
    """
    from pipeline.reports.hands import write_all  # which knows this table

    folder = Path(os.path.abspath(folder))
    must_be_ours(folder)
    sweep_beside(folder)
    draft = draft_beside(folder)
    try:
        with Snapshot(open_still(site_root), candidates, events_from_us=events_from_us) as snapshot:
            mark = made_of(**snapshot.head)
            found = all_pages(snapshot)
            put_static(draft / "static")
            kept = Kept(folder, [mark["program"], mark["pages_sha256"], [page.path for page in found if not page.key]])
            held = kept.take_over(found, draft)
            made = Made(folder, (*held, *write_all(snapshot, found, draft, workers, {path for path, *_ in held})), mark)
            kept.write(found, draft)
        (draft / MARK).write_text(canonical_json({"version": VERSION, "made_of": mark}), encoding="utf-8")
        swap_in(draft, folder)
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
        "looked": Instant(us_to_rfc3339(snapshot.known_us // 1_000_000 * 1_000_000)),
        "until": None if until_us is None else Instant(us_to_rfc3339(until_us)),
        "run": snapshot.head["run"],
        "caution": CAUTION,
        "program": f"tautlog {version('tautlog')}",
    }
