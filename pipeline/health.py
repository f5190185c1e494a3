"""Whether sites are well, from their files alone: quick, without a database and without the right to write.

A site is well when a night came to its end lately, no run hangs, readers see the head of the chain, and no finding of
severity error stands. Whether its lines are well is another question: `status` and `events` answer that.
"""

from __future__ import annotations

import re
import time
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline import manifest as manifests
from pipeline.errors import TautlogError
from pipeline.lastnight import last_night, site_id
from pipeline.ledger.published import read_published
from pipeline.lock import is_held, note_of

VERSION = 1
LOCK = "run.lock"
"""As in pipeline.site, which would load the register models."""
_SINCE = re.compile(r"since (\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2})Z")


@dataclass
class Health:
    """One site's health: `problems` in words, empty when it is well. Ages in hours, counts of open findings."""

    folder: str
    site: str
    problems: list[str] = field(default_factory=list)
    last_good_at: str | None = None
    age_h: float | None = None
    run: int | None = None
    published_run: int | None = None
    held_by: str | None = None
    findings: dict[str, int] = field(default_factory=dict)

    @property
    def healthy(self) -> bool:
        """Whether nothing is wrong."""
        return not self.problems


def health_of(site_root: Path, *, max_age_h: float, max_run_h: float) -> Health:
    """How a site is. What cannot be read is a problem, not an error."""
    health = Health(str(site_root), site_id(site_root))
    if not (site_root / "site.toml").is_file():
        health.problems.append("not a site folder: it has no site.toml; check the folder's name, or what is mounted")
        return health
    now_s = time.time()
    for look in (_look_at_age, _look_at_lock, _look_at_published):
        try:
            look(health, site_root, now_s, max_run_h if look is _look_at_lock else max_age_h)
        except (TautlogError, OSError) as error:
            health.problems.append(str(error))
    return health


def health_json(sites: list[Health]) -> dict[str, Any]:
    """The object that `health --json` prints."""
    told = [{**asdict(site), "healthy": site.healthy} for site in sites]
    return {"version": VERSION, "healthy": all(site.healthy for site in sites), "sites": told}


def health_text(sites: list[Health]) -> str:
    """A line a site, and one below it for each problem."""
    lines = []
    for site in sites:
        when = "never" if site.age_h is None else f"{site.age_h:.1f} h ago"
        lines.append(f"{site.site}: {'well' if site.healthy else 'NOT WELL'}; last good night {when}, run {site.run}")
        lines += [f"  {problem}" for problem in site.problems]
    return "\n".join(lines)


def _look_at_age(health: Health, site_root: Path, now_s: float, max_age_h: float) -> None:
    night = last_night(site_root)
    if night is None:
        health.problems.append("no night has come to its end yet; run `tautlog nightly` and see what it says")
        return
    ended = datetime.fromtimestamp(night.ended_us / 1e6, UTC)
    age_h = (now_s - night.ended_us / 1e6) / 3600
    health.last_good_at, health.age_h = ended.isoformat(timespec="seconds"), round(age_h, 3)
    if age_h > max_age_h:
        health.problems.append(
            f"no good night for {age_h:.1f} h (allowed: {max_age_h:g}); see the log of the last run, or run "
            "`tautlog nightly` and see what it says"
        )
    elif age_h < -1:
        health.problems.append(f"the last good night lies {-age_h:.1f} h in the future; a clock is or was wrong")


def _look_at_lock(health: Health, site_root: Path, now_s: float, max_run_h: float) -> None:
    note = note_of(site_root / LOCK)
    found = _SINCE.search(note)
    if found is None:
        return
    held_h = (now_s - datetime.fromisoformat(f"{found[1]}+00:00").timestamp()) / 3600
    # Asking takes the lock for an instant; so only of one that has been held for too long, or whose holder died.
    if held_h > max_run_h and is_held(site_root / LOCK):
        health.held_by = note
        health.problems.append(f"a run has held the site for {held_h:.1f} h (allowed: {max_run_h:g}): {note}")


def _look_at_published(health: Health, site_root: Path, now_s: float, max_age_h: float) -> None:
    head, published = manifests.head(site_root), read_published(site_root)
    health.run = None if head is None else head.run
    if head is None:
        return  # a site to which nothing was ever delivered
    if published is None:
        health.problems.append("nothing that readers could open is published; run `tautlog nightly`")
        return
    health.published_run = published.run
    health.findings = {severity: sum(kinds.values()) for severity, kinds in published.findings.items()}
    if published.manifest_sha256 != head.sha256:
        health.problems.append(
            f"readers see run {published.run}, the newest is {head.run}: a run is just publishing, or died before it "
            "could; the next night publishes"
        )
    errors = published.findings.get("error", {})
    if errors:
        told = ", ".join(f"{count} {kind}" for kind, count in sorted(errors.items()))
        health.problems.append(f"findings of severity error stand: {told}; see `tautlog findings`")
