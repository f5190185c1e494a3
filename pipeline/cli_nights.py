"""The commands that run nights: `ingest` and `nightly`. Parse, call, print; exit codes as in `pipeline.cli`."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from pipeline.cli_options import AS_JSON, LOG, SITE, SITES, WORKERS, Day, print_answer

if TYPE_CHECKING:
    from pipeline.nightly import Night
    from pipeline.telling import Telling


@click.command()
@SITE
@click.argument("files", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@WORKERS
@LOG
@AS_JSON
def ingest(site: Path, files: tuple[Path, ...], workers: str | None, log: str, as_json: bool) -> None:
    """Read raw logs (the inbox's, or the FILES named) into the store; say what each line became."""
    from pipeline.workers import expect_work

    expect_work(workers)
    from pipeline.nightly import run_ingest
    from pipeline.telling import told

    with told("ingest", site, {"workers": workers}, log=log) as telling:
        night = run_ingest(site, files, workers=workers, watch=telling.watch)
        telling.done(night, _exit_code(night, named=bool(files)))
    _tell_night(night, as_json, "ingest", named=bool(files))


@click.command()
@SITES
@click.option("--through", type=Day(), help="Post up to this UTC day, inclusive, even if no later sample has come.")
@click.option("--reprocess", metavar="REASON", help="Read every raw file and make every sheet again, and say why.")
@WORKERS
@click.option(
    "--metrics",
    type=click.Path(path_type=Path),
    help="Write Prometheus metrics to this text file (*.prom), or to one in this folder; also when the night fails.",
)
@click.option("--lineage", type=click.Path(path_type=Path), help="Append OpenLineage events to this file.")
@click.option("--no-pages", is_flag=True, help="Leave pages/ as it is, though something new is published.")
@LOG
@AS_JSON
def nightly(
    sites: tuple[Path, ...],
    through: date | None,
    reprocess: str | None,
    workers: str | None,
    metrics: Path | None,
    lineage: Path | None,
    no_pages: bool,
    log: str,
    as_json: bool,
) -> None:
    """Everything a night does, of each SITE by itself. Safe to run at any time, any number of times."""
    if reprocess is not None and not reprocess.strip():
        raise click.BadParameter("say why: the reason stands in the ledger for good", param_hint="--reprocess")
    from pipeline.workers import expect_work

    if reprocess is not None or any(any((site / "inbox").glob("*")) for site in sites):
        expect_work(workers)
    from pipeline.nightly import run_night
    from pipeline.telling import told

    reason = None if reprocess is None else " ".join(reprocess.split())
    options = {"through": through, "reprocess": reason, "workers": workers}

    def run_one_site(site: Path) -> tuple[Night, int]:
        with told("nightly", site, options, log=log, metrics=metrics, lineage=lineage) as telling:
            night = run_night(site, through=through, reprocess=reason, workers=workers, watch=telling.watch)
            telling.done(night, _exit_code(night))
            if not no_pages:
                _write_pages(site, telling, workers)
        return night, _exit_code(night)

    if len(sites) == 1:
        night, _ = run_one_site(sites[0])
        _tell_night(night, as_json, "nightly")
    if metrics is not None and not metrics.is_dir():
        raise click.UsageError(f"--metrics {metrics}: of several sites it must be a folder, for a file of each")
    _tell_nights(sites, run_one_site, as_json)


def _write_pages(site: Path, telling: Telling, workers: str | None) -> None:
    """The pages of what is published, where those there are others. Whatever fails here, the night stands."""
    from pipeline.errors import Bug, StoreError, TautlogError
    from pipeline.reports.fresh import are_wanted

    try:
        if are_wanted(site, site / "pages"):
            with telling.watch.stage("pages") as facts:
                from pipeline.reports.making import make_pages

                # A cluster has neither this machine's snapshot nor the folder.
                here = None if workers is not None and "://" in workers else workers
                facts |= {"pages": len(make_pages(site, site / "pages", workers=here).pages)}
    except TautlogError as error:
        telling.refuse(error)
    except OSError as error:
        telling.refuse(StoreError(f"the night is done, its pages are not: {error}", file=site / "pages"))
    except Exception as error:
        bug = Bug(f"the night is done, its pages are not: {error!r}", file=site / "pages")
        bug.__cause__ = error
        telling.refuse(bug)


def _tell_nights(sites: tuple[Path, ...], run_one_site: Callable[[Path], tuple[Night, int]], as_json: bool) -> NoReturn:
    """Run and tell the nights of several sites, and exit with the worst of their codes."""
    from pipeline.many import each_site, worst

    codes, told = [], []
    for outcome in each_site(sites, run_one_site):
        codes.append(outcome.exit_code)
        if outcome.result is None:
            answer: dict[str, Any] = {"error": outcome.error}
            click.echo(f"tautlog: {outcome.site}: {outcome.error}", err=True)
        else:
            answer = _night_answer(outcome.result, "nightly")
        told.append({"site": str(outcome.site), "exit": outcome.exit_code, **answer})
        if not as_json and outcome.result is not None:
            click.echo(f"{outcome.site}:")
            print_answer(answer, as_json, "night")
    if as_json:
        print_answer({"sites": told}, as_json, "nights")
    sys.exit(worst(codes))


def _tell_night(night: Night, as_json: bool, what: str, *, named: bool = False) -> NoReturn:
    """Print what a run did, and exit: 65 where a file that was asked for by name could not be read."""
    print_answer(_night_answer(night, what), as_json, "night")
    sys.exit(_exit_code(night, named=named))


def _night_answer(night: Night, what: str) -> dict[str, Any]:
    from pipeline.ledger.queries import event_object, finding_object, receipt_object

    answer: dict[str, Any] = {
        "run_id": night.run_id,
        "receipts": [receipt_object(receipt) for receipt in night.receipts],
        "findings": [finding_object(finding) for finding in night.findings],
    }
    if what == "nightly":
        answer |= {
            "days": [day.isoformat() for day in night.days],
            "entries_posted": night.entries_posted,
            "events": [event_object(event) for event in night.events],
        }
    if night.reprocessed is not None:
        answer["reprocessed"] = night.reprocessed
    return answer


def _exit_code(night: Night, *, named: bool = False) -> int:
    unreadable = any(finding.kind == "unreadable-file" for finding in night.findings)
    return 65 if named and unreadable else 0 if night.clean else 1


NIGHTS = (ingest, nightly)
