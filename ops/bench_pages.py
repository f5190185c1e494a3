"""Pages of a year of day sheets: how long they take, how large they are, how soon a browser has drawn them.

The night's own rows leave pages out (`--no-pages`) and so stay what they were; here pages have rows of their own.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from ops.bench_site import CHANNELS, FIRST_DAY, Line, bench_site, tautlog, timed
from ops.bench_year import make_year
from sample_logs.wide import make_wide_log

LARGEST_BYTES = 1_500_000
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def pages_of_a_year(work: Path, lines: int, days: int, hours: float, repeats: int) -> list[Line]:
    """Time `tautlog pages` over so many lines and days, a night that finds its pages fresh, and the first draw."""
    site = make_year(work / "pages-year", lines, days, hours)
    told = json.loads(tautlog("pages", site, "--json"))
    took = statistics.median(timed(lambda: tautlog("pages", site)) for _ in range(min(repeats, 3)))
    largest = max(told["pages"], key=lambda page: page["bytes"])
    drawn = _drawn(site / "pages", [page["path"] for page in told["pages"]])
    shutil.rmtree(site)
    size = f"{largest['bytes'] / 1e6:.2f}"
    return [
        (f"{len(told['pages'])} pages of {lines} lines, {days} days [s]", f"{took:.1f}", "under 20", took < 20),
        ("  largest page [MB]", size, "under 1.5", largest["bytes"] < LARGEST_BYTES),
        *drawn,
        _fresh(work / "pages-fresh", repeats),
    ]


def _fresh(root: Path, repeats: int) -> Line:
    """A night with nothing new, whose pages are there: those of what is published. Of a site of one short log."""
    log = root.with_name(f"hooks_{FIRST_DAY}.csv")
    start = datetime(FIRST_DAY.year, FIRST_DAY.month, FIRST_DAY.day, tzinfo=UTC)
    make_wide_log(log, channels=CHANNELS, rate_hz=10, start=start, hours=0.25, seed=1)
    site = bench_site(root, [log])
    tautlog("nightly", site)
    if not (site / "pages" / "index.html").is_file():
        raise SystemExit("the night wrote no pages")
    took = statistics.median(timed(lambda: tautlog("nightly", site)) for _ in range(repeats))
    return ("night with nothing new, pages fresh [s]", f"{took:.2f}", "under 1", took < 1)


def _drawn(folder: Path, paths: Sequence[str]) -> list[Line]:
    """When the browser has first painted, and when all charts of a page are drawn: the slowest page of each kind."""
    if CHROMIUM is None:
        return [("  first draw: no chromium on this machine, NOT measured", "-", "under 1", True)]
    from playwright.sync_api import sync_playwright

    kinds = {path.rpartition("/")[0] or path: path for path in sorted(paths)}
    painted, charts = [], []
    with sync_playwright() as driver:
        sandbox = ["--no-sandbox"] if os.getuid() == 0 else []
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=sandbox)
        for path in kinds.values():
            page = browser.new_context(offline=True).new_page()
            page.goto((folder / path).as_uri())
            page.wait_for_selector("html[data-charts]", state="attached")
            painted.append(
                float(page.evaluate("() => performance.getEntriesByName('first-contentful-paint')[0].startTime")) / 1000
            )
            charts.append(float(page.evaluate("() => performance.now()")) / 1000)
            page.context.close()
        browser.close()
    return [
        ("  first draw in a browser [s]", f"{max(painted):.2f}", "under 1", max(painted) < 1),
        ("  all charts of a page drawn [s]", f"{max(charts):.2f}", "", True),
    ]
