"""Commands for keeping sites over years: the roll-up of many, backup and restore, retention. Parse, call, print."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import Any

import click

from pipeline.cli_options import AS_JSON

FOLDER = click.Path(path_type=Path)


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option(
    "--overdue-after-h",
    type=click.FloatRange(min=0, min_open=True),
    default=36.0,
    show_default=True,
    help="Name sites where no night came to its end for this many hours.",
)
@AS_JSON
def fleet(folder: Path, overdue_after_h: float, as_json: bool) -> None:
    """Worst lines, findings and silent channels over all sites below DIR; reads only what is published."""
    import time

    from pipeline.fleet import fleet as roll_up
    from pipeline.many import worst

    answer = roll_up(folder, now_us=time.time_ns() // 1000, overdue_h=overdue_after_h)
    _print(answer, as_json, "fleet")
    sys.exit(worst([0, *(site["exit"] for site in answer["unreadable"])]))


@click.command()
@click.argument("site", type=FOLDER)
@click.argument("dest", type=FOLDER)
@AS_JSON
def backup(site: Path, dest: Path, as_json: bool) -> None:
    """Copy what is new of SITE into DEST, verified; DEST is a site folder itself. Takes no lock on SITE."""
    from pipeline.backup import back_up
    from pipeline.watch import watch_stderr

    answer = back_up(site, dest, watch=watch_stderr())
    _print(answer, as_json, "backup")
    sys.exit(1 if answer["notes"] else 0)


@click.command()
@click.argument("dest", type=FOLDER)
@click.argument("site", type=FOLDER)
@AS_JSON
def restore(dest: Path, site: Path, as_json: bool) -> None:
    """Make SITE, a new or empty folder, from the backup DEST; verified, ledger and snapshot made anew."""
    from pipeline.backup import restore as bring_back
    from pipeline.watch import watch_stderr

    _print(bring_back(dest, site, watch=watch_stderr()), as_json, "restore")


@click.command()
@click.argument("site", type=FOLDER)
@click.option(
    "--superseded-before",
    "before",
    required=True,
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="Only what a run before this UTC day superseded.",
)
@click.option("--yes", is_flag=True, help="Do it; without this, only say what would go.")
@click.option("--dry-run", is_flag=True, help="Only say what would go (the default).")
@AS_JSON
def tidy(site: Path, before: Any, yes: bool, dry_run: bool, as_json: bool) -> None:
    """Take away superseded sheets and flags and old index files, and record it. Never raw files, samples, manifests."""
    from pipeline.tidy import tidy_site

    if yes and dry_run:
        raise click.UsageError("--yes and --dry-run contradict each other")
    day: date = before.date()
    _print(tidy_site(site, day, really=yes), as_json, "tidy")


UPKEEP = (fleet, backup, restore, tidy)


def _print(answer: dict[str, Any], as_json: bool, what: str) -> None:
    if as_json:
        from pipeline.ledger.queries import answer_text

        click.echo(answer_text(answer))
    else:
        from pipeline import render_upkeep

        click.echo(getattr(render_upkeep, f"{what}_text")(answer))
