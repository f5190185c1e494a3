"""The command `health`: for a container, a watchdog or a person who wants to know at a glance."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click


@click.command()
@click.argument("sites", metavar="SITE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--max-age-h", default=26.0, show_default=True, help="Hours since the last good night.")
@click.option("--max-run-h", default=6.0, show_default=True, help="Hours that a run may hold the site.")
@click.option("--json", "as_json", is_flag=True, help="Answer as JSON (version 1) on stdout.")
def health(sites: tuple[Path, ...], max_age_h: float, max_run_h: float, as_json: bool) -> None:
    """Whether sites are well: exit 0 if all are, 1 with words if not.

    Well: a night came to its end lately, no run hangs, readers see the newest run, no finding of severity error
    stands. It says nothing of the lines: see `status` and `events`. It needs only the right to read.
    """
    from pipeline.health import health_json, health_of, health_text

    found = [health_of(site, max_age_h=max_age_h, max_run_h=max_run_h) for site in sites]
    click.echo(json.dumps(health_json(found), indent=2, ensure_ascii=False) if as_json else health_text(found))
    sys.exit(0 if all(site.healthy for site in found) else 1)
