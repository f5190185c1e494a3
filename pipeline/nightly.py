"""One night, end to end: raw logs in, lines' accounts out. Safe to run at any time, any number of times.

`run_night` is the flow. Nothing it does counts before `commit` has put the manifest in place; the ledger and the
published folder follow from the manifests, and are healed by the next run when this one dies in between.
"""

import hashlib
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipeline import manifest as manifests
from pipeline import workers as hands
from pipeline.errors import RegisterError
from pipeline.lastnight import leave_mark
from pipeline.ledger import index
from pipeline.ledger.apply import apply
from pipeline.ledger.as_known import COMMITTED
from pipeline.ledger.database import Ledger, open_ledger
from pipeline.ledger.publish import publish
from pipeline.ledger.rows import Event, Receipt
from pipeline.ledger.rows import Finding as StoredFinding
from pipeline.lock import hold
from pipeline.night.accounts import Reckoned, reckon_accounts
from pipeline.night.berth_days import BerthDays, asides_of, make_berth_days
from pipeline.night.finding import GAUGES, Finding
from pipeline.night.findings import finding_rows, name_files, site_findings, told_once
from pipeline.night.happenings import event_rows
from pipeline.night.inbox import let_go
from pipeline.night.ingest import UNDECIDED, ingest
from pipeline.night.intake import Ingested, LiveParts, waiting
from pipeline.night.outside import facts_after
from pipeline.night.place_days import MadeDays, make_days
from pipeline.night.plan import make_plan
from pipeline.remote import fetch_manifests
from pipeline.site import LOCK, Site, open_site
from pipeline.store.samples import store_part
from pipeline.store.strays import sweep
from pipeline.watch import Silent, Watch
from pipeline.workers import Workers
from schemas.times import DAY_US, day_of, day_start_us

GRACE_S = 3600.0
"""How old a file of a cluster's worker must be that no manifest names, before it is swept away."""
YEAR_US = 366 * DAY_US
Rows = dict[str, list[dict[str, Any]]]


@dataclass
class Night:
    """What a run did: ids and counts, and the findings and events that are new or still stand.

    `reprocessed`: reason, files read again and sheets made again, of a run that did so deliberately.
    """

    run_id: str | None
    receipts: list[Receipt] = field(default_factory=list)
    days: list[date] = field(default_factory=list)
    entries_posted: int = 0
    events: list[Event] = field(default_factory=list)
    findings: list[StoredFinding] = field(default_factory=list)
    reprocessed: dict[str, Any] | None = None

    @property
    def clean(self) -> bool:
        """No finding, and nothing in quarantine."""
        return not self.findings and not any(r.quarantined or r.cells_quarantined for r in self.receipts)


def run_night(
    root: Path,
    *,
    through: date | None = None,
    reprocess: str | None = None,
    workers: str | None = hands.SERIAL,
    watch: Watch | None = None,
) -> Night:
    """Read what came, bring every sheet, account and event up to date, commit, and publish.

    `through`: post up to this UTC day, inclusive, even if no later sample has come. `reprocess`: why every raw file is
    read again and every sheet made again, whatever stands. `workers`: who does the parallel work, as for
    `pipeline.workers.choose`.
    Raises SiteBusy when another run holds the site, RegisterError when a register cannot be used.
    """
    watch = watch if watch is not None else Silent()
    with _open_run(root, "nightly", workers, watch) as run:
        _check_through(run, through)
        site, ledger = run.site, run.ledger
        with watch.stage("ingest") as facts:
            ingested = ingest(
                site,
                _inbox(site),
                run.receipts,
                run.live,
                run.workers,
                undecided=run.undecided,
                now_us=run.started_us,
                reprocess=reprocess,
            )
            facts |= {"files": len(ingested.receipts), "rows": sum(r["stored"] for r in ingested.receipts)}
        with watch.stage("sheets") as facts:
            latest = index.latest_through(ledger)
            through_ever = max((day for day in (through, latest) if day is not None), default=None)
            known_us = max(_horizon_us(run, through) or run.started_us, run.started_us)
            plan = make_plan(site, run.live.days(), through_ever, known_us=known_us)
            made = make_days(site, plan, ledger, run.workers, run_id=run.ref.run_id, again=reprocess is not None)
            berth = make_berth_days(site, plan, made, ledger, run.workers, again=reprocess is not None)
            facts |= {"days": len(made.days), "samples": made.samples, "sheets": len(made.sheet_rows)}
        with watch.stage("accounts") as facts:
            reckoned = reckon_accounts(
                site,
                plan,
                made.places,
                made.inputs,
                made.air,
                ledger,
                run.workers,
                run=run.ref.run,
                causes=ingested.causes,
                reprocess=reprocess,
            )
            asides = asides_of(berth.days.values())
            events = event_rows(site, plan, made, ledger, berth.surges(), berth.plateaus(), asides)
            facts |= {"entries": len(reckoned.entries), "events": len(events)}
        with watch.stage("publish") as facts:
            night = _conclude(
                run, ingested, made, reckoned, berth, events, through, inbox_seen=True, reprocess=reprocess
            )
            facts |= {"run": night.run_id or "nothing new", "findings": len(night.findings)}
        leave_mark(root, site.info.id)
    return night


def run_ingest(
    root: Path, files: Sequence[Path], *, workers: str | None = hands.SERIAL, watch: Watch | None = None
) -> Night:
    """Only read raw files (the inbox's, or the files named) into the store, and commit their receipts."""
    watch = watch if watch is not None else Silent()
    with _open_run(root, "ingest", workers, watch) as run, watch.stage("ingest") as facts:
        chosen = list(files) or _inbox(run.site)
        ingested = ingest(
            run.site, chosen, run.receipts, run.live, run.workers, undecided=run.undecided, now_us=run.started_us
        )
        night = _conclude(run, ingested, MadeDays(), Reckoned(), BerthDays(), [], None, inbox_seen=not files)
        facts |= {"files": len(ingested.receipts), "rows": sum(r["stored"] for r in ingested.receipts)}
    return night


@dataclass(frozen=True)
class _Run:
    site: Site
    ledger: Ledger
    ref: manifests.RunRef
    started_us: int
    receipts: Mapping[str, Receipt]
    live: LiveParts
    undecided: frozenset[str]
    workers: Workers


@contextmanager
def _open_run(root: Path, what: str, choice: str | None, watch: Watch) -> Iterator[_Run]:
    """The site held, its registers read and its ledger open at the head of the chain; what a dead run left, gone."""
    manifests.refuse_newer(root)  # a site that a newer program runs is left alone, its registers and lock too
    open_site(root)  # a folder that is no site is told so, and not locked
    remote = hands.is_remote(choice)
    with hold(root / LOCK, f"{what} by workers at {choice}" if remote else what) as died:
        site = open_site(root)
        fetched = fetch_manifests(site.depot)
        with hands.choose(choice, root) as workers, open_ledger(root) as ledger:
            ref = manifests.next_run(root)
            watch.name_run(ref.run_id)
            for note in ledger.notes:
                watch.note(note)
            if fetched:
                watch.note(
                    f"{fetched} committed runs that this folder had not seen were fetched from {site.info.store}"
                )
            if died or remote:
                _sweep(site, ledger, died, watch, remote=remote or hands.is_remote(died))
            yield _Run(
                site,
                ledger,
                ref,
                time.time_ns() // 1000,
                index.receipts(ledger),
                LiveParts(store_part(part) for part in index.parts(ledger)),
                _undecided(ledger),
                workers,
            )
            if workers.lost:
                workers.end()
                _sweep(site, ledger, "", watch, remote=False)


def _sweep(site: Site, ledger: Ledger, died: str, watch: Watch, *, remote: bool) -> None:
    """Take away what no manifest names: left by a run that died, by a worker that did, or by a job done twice.

    Workers of this machine are known to be gone. Those of a cluster are not: what they may still be writing is let be
    until it is old.
    """
    hands.wait_until_gone(site.root)
    named = {site.root / name for name in index.named_files(ledger)}
    swept = sweep((site.raw, site.store, site.quarantine), named, older_than_s=GRACE_S if remote else 0.0)
    if died:
        watch.note(f"an earlier run died ({died}); {swept} files that it had not committed were swept away")
    elif swept:
        watch.note(f"{swept} files that no run had committed were swept away")


def _undecided(ledger: Ledger) -> frozenset[str]:
    """Raw files with rows of a repeated hour in quarantine."""
    open_ = index.findings(ledger).values()
    return frozenset(f.scope.removeprefix("file:") for f in open_ if f.kind == UNDECIDED)


def _inbox(site: Site) -> list[Path]:
    return waiting(site.inbox)


def _conclude(
    run: _Run,
    ingested: Ingested,
    made: MadeDays,
    reckoned: Reckoned,
    berth: BerthDays,
    events: list[dict[str, Any]],
    through: date | None,
    *,
    inbox_seen: bool,
    reprocess: str | None = None,
) -> Night:
    """Commit what changed, take it into the ledger, publish, and let go of the inbox files that are safe."""
    horizon_us = _horizon_us(run, through)
    open_ = index.findings(run.ledger)
    names = {sha256: receipt.file for sha256, receipt in run.receipts.items()}
    names |= {row["sha256"]: row["file"] for row in ingested.receipts}
    raised = [*ingested.findings, *(name_files(found, names) for found in made.findings)]
    scopes = {f"file:{r['sha256']}" for r in ingested.receipts} | {f"layout:{name}" for name in run.receipts}
    scopes |= made.scopes
    if inbox_seen:
        scopes.add("inbox")
    if made.looked:
        facts = facts_after(index.day_facts(run.ledger), reckoned.wear_days)
        raised += site_findings(
            run.site,
            run.live,
            horizon_us,
            facts,
            channels=made.channel_days,
            air=made.air.values(),
            berth=berth.days.values(),
            now_us=run.started_us,
        )
        scopes |= {"site", GAUGES}
    rows: Rows = {
        "receipts": ingested.receipts,
        "parts": _part_rows(ingested),
        "flags": made.flag_rows,
        "sheets": made.sheet_rows,
        "sheet_marks": made.mark_rows,
        "states": reckoned.states,
        "wear_days": reckoned.wear_days,
        "air_days": made.air_rows,
        "berth_days": berth.rows,
        "channel_days": made.channel_rows,
        "entries": [entry.row() for entry in reckoned.entries],
        "events": events,
        "findings": finding_rows(raised, open_, scopes, ingested.settled_by),
    }
    new_through = through is not None and through > (index.latest_through(run.ledger) or date.min)
    changed = any(rows.values()) or new_through or _registers_changed(run)
    if changed or (made.looked and index.unreckoned(run.ledger)):
        meta = {index.RECKONED: made.looked} | ({} if reprocess is None else {"reprocess": reprocess})
        _commit(run, rows, through, horizon_us, meta)
        changed = True
    publish(run.ledger)
    let_go(ingested.done_with)
    news = [found for found in raised if not (inbox_seen and told_once(found) and found.id in open_)]
    night = _told(run, made, rows, news, committed=changed)
    if reprocess is not None:
        files = sum(1 for row in ingested.receipts if row["op"] == "reread")
        sheets = sum(1 for row in made.sheet_rows if row["op"] == "add")
        night.reprocessed = {"reason": reprocess, "files": files, "sheets": sheets}
    return night


def _check_through(run: _Run, through: date | None) -> None:
    """Refuse a day that can only be mistyped: it would stretch rigged time for good, since it is remembered."""
    if through is None:
        return
    known_us = max(_horizon_us(run, None) or 0, run.started_us)
    if day_start_us(through) > known_us + YEAR_US:
        raise RegisterError(
            "--through lies more than a year beyond the latest sample and the clock",
            found=str(through),
            expected=f"a day up to {day_of(known_us)}, or soon after",
            next_step="check the year",
        )


def _horizon_us(run: _Run, through: date | None) -> int | None:
    """Up to when coverage is reckoned: the site's latest sample, or the end of the latest `--through` day."""
    ends = [part.last_us for parts in run.live.days().values() for part in parts]
    days = [day for day in (through, index.latest_through(run.ledger)) if day is not None]
    ends += [day_start_us(day) + DAY_US for day in days]
    return max(ends, default=None)


def _registers_changed(run: _Run) -> bool:
    digests = {path: hashlib.sha256(data).hexdigest() for path, data in run.site.archive.items()}
    return digests != index.head_archive(run.ledger)


def _commit(run: _Run, rows: Rows, through: date | None, horizon_us: int | None, meta: Mapping[str, Any]) -> None:
    frames = {table: manifests.frame(table, map(_as_stored, found)) for table, found in rows.items() if found}
    manifest = manifests.commit(
        run.site.depot,
        run.ref,
        frames,
        run.site.archive,
        started_us=run.started_us,
        program=f"tautlog {version('tautlog')}",
        through=through,
        horizon_us=horizon_us,
        meta={**meta, COMMITTED: time.time_ns() // 1000},
    )
    apply(run.ledger, manifest)


def _as_stored(row: Mapping[str, Any]) -> dict[str, Any]:
    """JSON columns as canonical text."""
    return {name: manifests.canonical_json(cell) if isinstance(cell, Mapping) else cell for name, cell in row.items()}


def _part_rows(ingested: Ingested) -> list[dict[str, Any]]:
    rows = [{**asdict(part), "channels": list(part.channels), "op": "add", "reason": ""} for part in ingested.added]
    rows += [
        {**asdict(part), "channels": list(part.channels), "op": "drop", "reason": reason}
        for part, reason in ingested.dropped
    ]
    return rows


def _told(run: _Run, made: MadeDays, rows: Rows, raised: Iterable[Finding], *, committed: bool) -> Night:
    """What to tell of a run, from the ledger as it stands after it."""
    ids = {finding.id for finding in raised}
    shas = {row["sha256"] for row in rows["receipts"]}
    events = {row["event"] for row in rows["events"]}
    return Night(
        run_id=run.ref.run_id if committed else None,
        receipts=[r for sha256, r in index.receipts(run.ledger).items() if sha256 in shas],
        days=sorted(made.days),
        entries_posted=len(rows["entries"]),
        events=[event for name, event in index.events(run.ledger).items() if name in events],
        findings=[finding for name, finding in index.findings(run.ledger).items() if name in ids],
    )
