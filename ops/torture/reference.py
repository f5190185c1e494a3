"""The undisturbed nights: the site before each, all it answers after each, how long each took and what it did."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ops.torture.night import DONE, Failed, Hook, Night, answers, difference, tautlog, told
from ops.torture.site import Eve, drop, few_nights, lines_of, make_site, nights

UNMATCHED = {"notes.txt"}
"""What is dropped and matches no layout: it stays in the inbox."""


@dataclass(frozen=True)
class Reference:
    """What everything is held against, by night. In `folder` lie the sites before each, and what each did.

    `words`: of every `nightly`. `inside`: nights that are let through run in this process, which saves their start.
    """

    folder: Path
    eves: tuple[Eve, ...]
    seconds: tuple[float, ...]
    events: tuple[dict[str, int], ...]
    answers: tuple[dict[str, Any], ...]
    words: tuple[str, ...] = ()
    inside: bool = False

    def start(
        self, site: Path, night: int, notes: Path, hook: Hook | None = None, *, words: Sequence[str] = (), **popen: Any
    ) -> Night:
        """Start a night on a site, as the reference's nights were started; further `words` come last."""
        return Night(site, self.eves[night], notes, hook, words=(*self.words, *words), **popen)

    def let_through(self, site: Path, night: int, notes: Path, *, words: Sequence[str] = ()) -> int:
        """Run a night undisturbed; its exit code, which must be that of a run that did its work."""
        if not self.inside:
            return told(self.start(site, night, notes, words=words).end(), DONE)
        through = self.eves[night].through
        return told(
            tautlog("nightly", site, "--no-pages", *self.words, *(() if through is None else ("--through", through))),
            DONE,
        )

    def copy(self, night: int, to: Path) -> Path:
        """The site as it stood before a night, everything delivered, in a folder of its own. Returns the folder."""
        shutil.copytree(self.folder / f"before-{night}", to, symlinks=True)
        return to

    def event_of(self, night: int, path: str) -> int:
        """The number of the first event of the undisturbed night that touches a path beginning so; Failed if none."""
        (log,) = (self.folder / f"notes-{night}").glob("coordinator.*")
        for number, line in enumerate(log.read_text().splitlines(), start=1):
            if line.split("\t")[2].startswith(path):
                return number
        raise Failed(f"no event of night {night} touches {path}")

    def delivered(self, night: int) -> dict[str, bytes]:
        """Every file dropped up to a night."""
        return {name: data for eve in self.eves[: night + 1] for name, data in eve.drops.items()}


def make_reference(folder: Path) -> Reference:
    """The nights undisturbed, below a folder; each must end well, and audit agree."""
    return _run_all(folder, nights(), (), inside=False)


def make_short_reference(folder: Path) -> Reference:
    """The same story in three nights, and in one process where nothing asks for workers: half the time."""
    return _run_all(folder, few_nights(), ("--workers", "serial"), inside=True)


def _run_all(folder: Path, eves: tuple[Eve, ...], words: tuple[str, ...], *, inside: bool) -> Reference:
    site = folder / "undisturbed"
    make_site(site)
    found: list[tuple[float, dict[str, int], dict[str, Any]]] = []
    for number, eve in enumerate(eves):
        drop(site, eve)
        before = folder / f"before-{number}"
        shutil.copytree(site, before, symlinks=True)
        if number == 0 and not inside:  # for the times: what compiles once, compiles here
            warm = shutil.copytree(before, folder / "warm")
            Night(warm, eve, folder / "warm-notes", words=words).end()
        night = Night(site, eve, folder / f"notes-{number}", Hook(), words=words)
        ran = night.end()
        told(ran, DONE)
        by_process = Counter(log.name.partition(".")[0] for log in night.notes.glob("coordinator.*"))
        events = {role: _most_events(night.notes, role) for role in ("coordinator", "worker")}
        if by_process["coordinator"] != 1 or events["coordinator"] == 0:
            raise Failed("the listener heard nothing of the night: is sitecustomize switched off?")
        found.append((ran.seconds, events, answers(site)))
    seconds, counts, told_after = zip(*found, strict=True)
    reference = Reference(folder, eves, seconds, counts, told_after, words, inside)
    agrees(site)
    return reference


def check(reference: Reference, site: Path, night: int, *, rebuild: bool = True) -> None:
    """A site that ran undisturbed at last: everything as in the reference after that night; Failed if not."""
    if odd := difference(answers(site), reference.answers[night]):
        raise Failed(odd)
    every_line_accounted_for(reference, site, night)
    waiting = {path.name for path in (site / "inbox").iterdir()}
    if waiting - UNMATCHED:
        raise Failed(f"left in the inbox: {', '.join(sorted(waiting))}")
    for left in (site / "ledger.duckdb.wal", *(site / "published").glob(".*")):
        if left.exists():
            raise Failed(f"{left.relative_to(site)} is left behind")
    if (site / "run.lock").read_text():
        raise Failed(f"the lock still names {(site / 'run.lock').read_text()}")
    agrees(site)
    if rebuild:
        agrees(site, "rebuild")
        if odd := difference(answers(site), reference.answers[night]):
            raise Failed(f"after rebuild, {odd}")


def agrees(site: Path, command: str = "audit") -> None:
    """Failed unless `audit` (or `rebuild`) exits 0 and agrees."""
    ran = tautlog(command, site, "--json")
    if ran.code != 0:
        told = json.loads(ran.out)["differences"] if ran.out else [ran.err.strip()]
        raise Failed(f"{command} exits {ran.code}: " + "; ".join(told[:4]))


def differences(site: Path) -> list[str]:
    """What audit finds, in words; its own error counts as one."""
    ran = tautlog("audit", site, "--json")
    if ran.code not in (0, 1):
        return [f"exit {ran.code}: {ran.err.strip()}"]
    return [str(text) for text in json.loads(ran.out)["differences"]]


def every_line_accounted_for(reference: Reference, site: Path, night: int) -> None:
    """Each delivered file has a receipt whose parts add up to its lines, counted here from the bytes delivered."""
    receipts = {row["sha256"]: row for row in _receipts(site)}
    for name, data in reference.delivered(night).items():
        if name in UNMATCHED:
            continue
        receipt = receipts.get(hashlib.sha256(data).hexdigest())
        if receipt is None:
            raise Failed(f"{name} has no receipt")
        parts = [receipt[part] for part in ("header", "blank", "ignored", "stored", "duplicate", "quarantined")]
        if not sum(parts) == receipt["lines"] == lines_of(name, data):
            raise Failed(f"{name} has {lines_of(name, data)} lines, its receipt {receipt['lines']} = {parts}")


def nothing_lost(reference: Reference, site: Path, night: int) -> None:
    """At any moment every delivered file stands whole in the inbox, or in `raw/` under its SHA-256."""
    for name, data in reference.delivered(night).items():
        inbox, raw = site / "inbox" / name, site / "raw" / hashlib.sha256(data).hexdigest()
        if not any(path.is_file() and path.read_bytes() == data for path in (inbox, raw)):
            raise Failed(f"{name} is neither in the inbox nor in raw/")


def runs(site: Path) -> int:
    """How many runs have committed."""
    return len(list((site / "manifests").glob("[0-9]*.json")))


def _receipts(site: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(tautlog("receipts", site, "--json").out)["receipts"]
    return rows


def _most_events(notes: Path, role: str) -> int:
    """The events of the busiest process of a role."""
    return max((len(log.read_text().splitlines()) for log in notes.glob(f"{role}.*")), default=0)
