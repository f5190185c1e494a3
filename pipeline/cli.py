"""The command line: parse, call, print. Results on stdout, logs and progress on stderr.

Exit codes: 0 done; 1 done, with findings or quarantine; 2 usage; 65 unreadable data; 70 bug; 74 I/O; 75 another
run holds the site; 78 register or policy error; 130, 143 stopped. Everything heavy is imported by the command that
needs it.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
from datetime import date
from io import StringIO
from pathlib import Path
from typing import Any, NoReturn

import click

from pipeline.cli_berth import BERTH
from pipeline.cli_exports import EXPORTS
from pipeline.cli_health import health
from pipeline.cli_incident import INCIDENT
from pipeline.cli_nights import NIGHTS
from pipeline.cli_options import (
    AS_JSON,
    AS_KNOWN,
    EVENT_KINDS,
    SEVERITIES,
    SITE,
    WORKERS,
    Day,
    Instant,
    print_answer,
)
from pipeline.cli_options import answer as _answer
from pipeline.cli_pages import PAGES
from pipeline.cli_upkeep import UPKEEP


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
@click.option("--incident", is_flag=True, help="The small site of the demo's incident instead, on which a line parts.")
def demo(site: Path, incident: bool) -> None:
    """Build the demo site from the sample logs, run its nights, and show its status."""
    from pipeline.demo import build_demo, build_incident_demo
    from pipeline.render import status_text
    from pipeline.reports.making import make_pages
    from pipeline.watch import watch_stderr

    if incident:
        line, at = build_incident_demo(site, watch_stderr())
        click.echo(f"{site}: {line} lost its load about {at}. Make its incident file with")
        click.echo(f"  tautlog incident {site} --line {line} --at {at} --window 20 --out incident-{line}")
        return
    answer = build_demo(site, watch_stderr())
    made = make_pages(site, site / "pages")
    click.echo(status_text(answer))
    click.echo(
        f"\nOpen {made.folder / 'index.html'} in a browser.\n"
        f"\nWhere to look next:\n  tautlog events {site}\n  tautlog statement {site} {answer['lines'][0]['line']}\n"
        f"  tautlog receipts {site}\n  tautlog audit {site}"
    )


@tautlog.command()
@SITE
@AS_KNOWN
@AS_JSON
def receipts(site: Path, as_known_us: int | None, as_json: bool) -> None:
    """What became of every raw file."""
    from pipeline.ledger.queries import receipts_json

    _answer(site, lambda ledger: receipts_json(ledger), as_json, "receipts", as_known_us)


@tautlog.command()
@SITE
@click.option("--kind", help="Only of this kind.")
@click.option("--channel", help="Only about this channel.")
@AS_KNOWN
@AS_JSON
def findings(site: Path, kind: str | None, channel: str | None, as_known_us: int | None, as_json: bool) -> None:
    """What stands wrong with data, registers, sensors or brakes, of all nights, with its evidence."""
    from pipeline.ledger.account import last_site
    from pipeline.ledger.queries import findings_json, known_channel

    def ask(ledger: Any) -> dict[str, Any]:
        if channel is not None:
            known_channel(last_site(ledger), channel)  # "no findings" of a misspelt channel would be good news
        return findings_json(ledger, kind=kind, channel=channel)

    _answer(site, ask, as_json, "findings", as_known_us)


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
@click.option("--kind", type=click.Choice(EVENT_KINDS), help="Only of this kind.")
@click.option(
    "--severity",
    type=click.Choice(SEVERITIES),
    help="Of this severity, or above (text: from warning on, and how many notes).",
)
@click.option("--from", "from_us", type=Instant(), help="Only those that touch the time from here.")
@click.option("--to", "to_us", type=Instant(end_of_day=True), help="Only those that touch the time up to here.")
@AS_KNOWN
@AS_JSON
def events(
    site: Path,
    line: str | None,
    kind: str | None,
    severity: str | None,
    from_us: int | None,
    to_us: int | None,
    as_known_us: int | None,
    as_json: bool,
) -> None:
    """Peak loads, rendered brakes, slack, snap loads, long loads, lost pretension, lost loads, surges."""
    from pipeline.ledger.account import known_line, last_site
    from pipeline.ledger.queries import events_json

    def ask(ledger: Any) -> dict[str, Any]:
        if line is not None:
            known_line(last_site(ledger), line)  # "no events" of a misspelt line would be read as good news
        return events_json(ledger, line=line, kind=kind, severity=severity, from_us=from_us, to_us=to_us)

    _answer(site, ask, as_json, "events", as_known_us)


@tautlog.command()
@SITE
@click.option("--place", help="Only the winch of this place.")
@AS_KNOWN
@AS_JSON
def brakes(site: Path, place: str | None, as_known_us: int | None, as_json: bool) -> None:
    """What ordinary calls show of each winch's brake: let go early or late, held above its setting, not exercised."""
    from pipeline.ledger.brakes import brakes_json

    _answer(site, lambda ledger: brakes_json(ledger, place=place), as_json, "brakes", as_known_us)


@tautlog.command()
@SITE
@click.argument("line")
@click.option("--history", is_flag=True, help="All entries ever made, reversals and reasons included.")
@AS_KNOWN
@AS_JSON
def statement(site: Path, line: str, history: bool, as_known_us: int | None, as_json: bool) -> None:
    """A line's account: opening, live entries, closing, pending, coverage."""
    from pipeline.ledger.statement import statement as state

    _answer(site, lambda ledger: state(ledger, line, history=history), as_json, "statement", as_known_us)


@tautlog.command()
@SITE
@click.argument("channels", metavar="[CHANNEL]...", nargs=-1)
@click.option("--from", "from_us", type=Instant(), help="First instant (default: each channel's last full day).")
@click.option("--to", "to_us", type=Instant(end_of_day=True), help="End, exclusive; a day means the whole of it.")
@AS_JSON
def sampling(site: Path, channels: tuple[str, ...], from_us: int | None, to_us: int | None, as_json: bool) -> None:
    """Is the logger fast enough: a verdict for each tension channel, from its stored samples."""
    from pipeline.tracing.sampling import sampling_json

    _answer(site, lambda ledger: sampling_json(ledger, channels, from_us=from_us, to_us=to_us), as_json, "sampling")


@tautlog.command()
@SITE
@AS_KNOWN
@AS_JSON
def status(site: Path, as_known_us: int | None, as_json: bool) -> None:
    """One row a line, worst first, with what to do."""
    from pipeline.ledger.status import status as state

    _answer(site, lambda ledger: state(ledger), as_json, "status", as_known_us)


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


@tautlog.command()
@SITE
@click.argument("line")
@click.option("--day", type=Day(), help="A UTC day (default: the last one reckoned).")
@click.option("--zone", type=click.Choice(["a", "b"]), help="The end that was outboard (default: the worse).")
@AS_JSON
def explain(site: Path, line: str, day: date | None, zone: str | None, as_json: bool) -> None:
    """A line's account laid open, to be redone on paper: inputs, constants with sources, every item of a day."""
    from pipeline.tracing.explain import explain_json

    _answer(site, lambda ledger: explain_json(ledger, line, day=day, zone=zone), as_json, "explain")


@tautlog.command()
@SITE
@click.option(
    "--spec",
    "files",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A candidate's spec; may be given several times.",
)
@click.option("--line", "lines", multiple=True, help="Only this line; may be given several times.")
@click.option("--exact", is_flag=True, help="Price the day sheets themselves, not classes of tension: slower.")
@WORKERS
@AS_JSON
def compare(
    site: Path, files: tuple[Path, ...], lines: tuple[str, ...], exact: bool, workers: str | None, as_json: bool
) -> None:
    """Run the recorded history through candidate ropes, under equal load and equal motion."""
    from pipeline.compare import compare as run_through
    from pipeline.compare import read_specs
    from pipeline.workers import expect_work

    if exact:
        expect_work(workers)
    specs = read_specs(files)
    _answer(site, lambda ledger: run_through(ledger, specs, lines, exact=exact, workers=workers), as_json, "compare")


for command in (*NIGHTS, *BERTH, *PAGES, *INCIDENT, *EXPORTS, health, *UPKEEP):
    tautlog.add_command(command)


def _tell_comparison(differences: list[str], as_json: bool, what: str) -> NoReturn:
    print_answer({"agrees": not differences, "differences": differences}, as_json, what)
    sys.exit(1 if differences else 0)


def _terminate(*_: object) -> NoReturn:
    from pipeline.errors import Terminated

    raise Terminated


def _one_line(error: Exception) -> str:
    """An error on one line, so that no file name can pass for a message of its own."""
    from pipeline.errors import plain

    return plain(str(error)).replace("\n", "\\n")


def main() -> NoReturn:
    """Run the command; a deliberate error becomes one message on stderr and its exit code."""
    from pipeline.errors import TautlogError, Terminated, plain, words_of

    main_thread = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGTERM, _terminate) if main_thread else None
    try:
        code = tautlog.main(prog_name="tautlog", standalone_mode=False)
        sys.exit(0 if code is None else code)
    except click.Abort:
        click.echo(f"tautlog: {words_of(KeyboardInterrupt())}", err=True)
        sys.exit(130)
    except Terminated as stop:
        click.echo(f"tautlog: {words_of(stop)}", err=True)
        sys.exit(143)
    except click.ClickException as error:
        shown = StringIO()
        error.show(file=shown)
        click.echo(plain(shown.getvalue()), nl=False, err=True)
        sys.exit(error.exit_code)
    except TautlogError as error:
        click.echo(f"tautlog: {_one_line(error)}", err=True)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        # Whoever read our answer has seen enough; Python must not complain about it once more at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(141)
    except OSError as error:
        click.echo(f"tautlog: {_one_line(error)}; next: look at the disk and at permissions, then run again", err=True)
        sys.exit(74)
    except Exception:
        import traceback

        click.echo(plain(traceback.format_exc()), err=True)
        click.echo("tautlog: this is a bug; please report the lines above", err=True)
        sys.exit(70)
    finally:
        if before is not None:
            signal.signal(signal.SIGTERM, before)
        gc.freeze()  # else the interpreter's end looks through all that was ever loaded: a third of a second


if __name__ == "__main__":
    main()
