"""The command line: parse, call, print. Results on stdout, logs and progress on stderr.

Exit codes: 0 done; 1 done, with findings or quarantine; 2 usage; 65 unreadable data; 70 bug; 74 I/O; 75 another
run holds the site; 78 register or policy error. Everything heavy is imported by the command that needs it.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

if TYPE_CHECKING:
    from pipeline.nightly import Night

SITE = click.argument("site", type=click.Path(path_type=Path))
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Answer as JSON (version 1) on stdout.")


class Day(click.ParamType[date]):
    """A UTC day, YYYY-MM-DD."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        try:
            return date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is not a day; write it as 2026-03-31", param, ctx)


class Instant(click.ParamType[int]):
    """An instant: RFC 3339 with an offset, or a UTC day, of which the first instant is meant, or the end."""

    name = "instant"

    def __init__(self, *, end_of_day: bool = False) -> None:
        self._days_on = 1 if end_of_day else 0

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        from schemas.times import day_start_us, rfc3339_us

        try:
            if len(value) == 10:
                return day_start_us(date.fromisoformat(value) + timedelta(days=self._days_on))
            return rfc3339_us(value)
        except (ValueError, OverflowError):
            self.fail(f"{value!r} is neither a day nor a time like 2026-03-31T06:00:00Z", param, ctx)


class Who(click.ParamType[str]):
    """Who does the parallel work of a night."""

    name = "who"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value == "serial" or "://" in value or (value.isdecimal() and 1 <= int(value) <= 1024):
            return str(value)
        self.fail(f"{value!r} is neither serial, nor a number of processes, nor like tcp://HOST:8786", param, ctx)


WORKERS = click.option(
    "--workers",
    type=Who(),
    help="Who does the parallel work: a number of processes, serial, or tcp://HOST:PORT of a Dask scheduler "
    "(default: a process for each core).",
)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="tautlog")
def tautlog() -> None:
    """Turn raw mooring tension logs into life used, line by line.

    tautlog supports, and never replaces, inspection, the maker's guidance, class and flag rules, local codes, the
    mooring plan and licensed practice. No low figure is permission to stand in a snap-back zone, or to keep a
    line longer. After an overload, a rendered brake or a sudden loss of load, inspect before use.
    """


@tautlog.command()
@SITE
def new(site: Path) -> None:
    """Scaffold a site folder: registers with their columns, example layouts and spec, an inbox."""
    from pipeline.scaffold import new_site

    new_site(site)
    click.echo(f"{site} is ready: fill in its registers, add specs/ and layouts/, drop raw logs into inbox/, then")
    click.echo(f"  tautlog nightly {site}")


@tautlog.command()
@SITE
def demo(site: Path) -> None:
    """Build the demo site from the sample logs, run its nights, and show its status."""
    from pipeline.demo import build_demo
    from pipeline.render import status_text
    from pipeline.watch import watch_stderr

    answer = build_demo(site, watch_stderr())
    click.echo(status_text(answer))
    click.echo(
        f"\nWhere to look next:\n  tautlog events {site}\n  tautlog statement {site} {answer['lines'][0]['line']}\n"
        f"  tautlog receipts {site}\n  tautlog audit {site}"
    )


@tautlog.command()
@SITE
@click.argument("files", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@WORKERS
@AS_JSON
def ingest(site: Path, files: tuple[Path, ...], workers: str | None, as_json: bool) -> None:
    """Read raw logs (the inbox's, or the FILES named) into the store; say what each line became."""
    from pipeline.workers import expect_work

    expect_work(workers)
    from pipeline.nightly import run_ingest
    from pipeline.watch import watch_stderr

    night = run_ingest(site, files, workers=workers, watch=watch_stderr())
    _tell_night(night, as_json, "ingest", named=bool(files))


@tautlog.command()
@SITE
@click.option("--through", type=Day(), help="Post up to this UTC day, inclusive, even if no later sample has come.")
@WORKERS
@AS_JSON
def nightly(site: Path, through: date | None, workers: str | None, as_json: bool) -> None:
    """Everything a night does. Safe to run at any time, any number of times."""
    from pipeline.workers import expect_work

    if any((site / "inbox").glob("*")):
        expect_work(workers)
    from pipeline.nightly import run_night
    from pipeline.watch import watch_stderr

    night = run_night(site, through=through, workers=workers, watch=watch_stderr())
    _tell_night(night, as_json, "nightly")


@tautlog.command()
@SITE
@AS_JSON
def receipts(site: Path, as_json: bool) -> None:
    """What became of every raw file."""
    from pipeline.ledger.queries import receipts_json

    _answer(site, lambda ledger: receipts_json(ledger), as_json, "receipts")


@tautlog.command()
@SITE
@AS_JSON
def findings(site: Path, as_json: bool) -> None:
    """What stands wrong with data, registers, sensors or brakes, of all nights."""
    from pipeline.ledger.queries import findings_json

    _answer(site, lambda ledger: findings_json(ledger), as_json, "findings")


@tautlog.command()
@SITE
@click.argument("line")
@click.option("--from", "from_us", type=Instant(), help="First instant (default: the last day with readings).")
@click.option("--to", "to_us", type=Instant(end_of_day=True), help="End, exclusive; a day means the whole of it.")
@AS_JSON
def cycles(site: Path, line: str, from_us: int | None, to_us: int | None, as_json: bool) -> None:
    """Closed cycles and residue of a line (default: the last day)."""
    from pipeline.tracing.cycles import cycles_json

    _answer(site, lambda ledger: cycles_json(ledger, line, from_us=from_us, to_us=to_us), as_json, "cycles")


@tautlog.command()
@SITE
@click.option("--line", help="Only of this line or tail.")
@click.option("--kind", type=click.Choice(["peak-load", "brake-render"]), help="Only of this kind.")
@click.option("--from", "from_us", type=Instant(), help="Only those that touch the time from here.")
@click.option("--to", "to_us", type=Instant(end_of_day=True), help="Only those that touch the time up to here.")
@AS_JSON
def events(
    site: Path, line: str | None, kind: str | None, from_us: int | None, to_us: int | None, as_json: bool
) -> None:
    """Peak loads and rendered brakes."""
    from pipeline.ledger.account import last_site
    from pipeline.ledger.queries import events_json
    from pipeline.tracing.cycles import known_line

    def ask(ledger: Any) -> dict[str, Any]:
        if line is not None:
            known_line(last_site(ledger), line)  # "no events" of a misspelt line would be read as good news
        return events_json(ledger, line=line, kind=kind, from_us=from_us, to_us=to_us)

    _answer(site, ask, as_json, "events")


@tautlog.command()
@SITE
@click.argument("line")
@click.option("--history", is_flag=True, help="All entries ever made, reversals and reasons included.")
@AS_JSON
def statement(site: Path, line: str, history: bool, as_json: bool) -> None:
    """A line's account: opening, live entries, closing, pending, coverage."""
    from pipeline.ledger.statement import statement as state

    _answer(site, lambda ledger: state(ledger, line, history=history), as_json, "statement")


@tautlog.command()
@SITE
@AS_JSON
def status(site: Path, as_json: bool) -> None:
    """One row a line, worst first, with what to do."""
    from pipeline.ledger.status import status as state

    _answer(site, lambda ledger: state(ledger), as_json, "status")


@tautlog.command()
@SITE
@AS_JSON
def audit(site: Path, as_json: bool) -> None:
    """Recompute everything from the stored samples and compare; check every file against its digest."""
    from pipeline.audit import audit_site

    _tell_comparison(audit_site(site), as_json, "audit")


@tautlog.command()
@SITE
@AS_JSON
def rebuild(site: Path, as_json: bool) -> None:
    """Make the ledger anew from the manifests, and say whether it differed."""
    from pipeline.audit import rebuild_site

    _tell_comparison(rebuild_site(site), as_json, "rebuild")


@tautlog.command()
@SITE
@click.argument("ref")
@AS_JSON
def trace(site: Path, ref: str, as_json: bool) -> None:
    """From an entry, event or cycle (REF as printed by statement, events, cycles) to raw file and line."""
    from pipeline.tracing.trace import trace_json

    _answer(site, lambda ledger: trace_json(ledger, ref), as_json, "trace")


def _answer(site: Path, ask: Callable[[Any], dict[str, Any]], as_json: bool, what: str) -> None:
    """Ask the published snapshot, and print; readers never wait for a run."""
    from pipeline.ledger.database import open_published

    if not (site / "site.toml").is_file():
        from pipeline.site import open_site

        open_site(site)  # says what is wrong with the folder
    with open_published(site) as ledger:
        answer = ask(ledger)
    _print(answer, as_json, what)


def _print(answer: dict[str, Any], as_json: bool, what: str) -> None:
    if as_json:
        from pipeline.ledger.queries import answer_text

        click.echo(answer_text(answer))
    else:
        from pipeline import render

        click.echo(getattr(render, f"{what}_text")(answer))


def _tell_night(night: Night, as_json: bool, what: str, *, named: bool = False) -> NoReturn:
    """Print what a run did, and exit: 65 where a file that was asked for by name could not be read."""
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
    _print(answer, as_json, "night")
    unreadable = any(finding.kind == "unreadable-file" for finding in night.findings)
    sys.exit(65 if named and unreadable else 0 if night.clean else 1)


def _tell_comparison(differences: list[str], as_json: bool, what: str) -> NoReturn:
    _print({"agrees": not differences, "differences": differences}, as_json, what)
    sys.exit(1 if differences else 0)


def main() -> NoReturn:
    """Run the command; a deliberate error becomes one message on stderr and its exit code."""
    from pipeline.errors import TautlogError

    try:
        code = tautlog.main(prog_name="tautlog", standalone_mode=False)
        sys.exit(0 if code is None else code)
    except click.Abort:
        click.echo("tautlog: stopped by hand; what was not committed counts for nothing", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except TautlogError as error:
        click.echo(f"tautlog: {error}", err=True)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        # Whoever read our answer has seen enough; Python must not complain about it once more at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(141)
    except OSError as error:
        click.echo(f"tautlog: {error}; next: look at the disk and at permissions, then run again", err=True)
        sys.exit(74)
    except Exception:
        import traceback

        traceback.print_exc()
        click.echo("tautlog: this is a bug; please report the lines above", err=True)
        sys.exit(70)
    finally:
        gc.freeze()  # else the interpreter's end looks through all that was ever loaded: a third of a second


if __name__ == "__main__":
    main()
