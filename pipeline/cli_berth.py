"""The commands about all lines of a berth together: `balance` and `episodes`. Parse, call, print."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli_options import AS_JSON, SITE, Instant, answer


@click.command()
@SITE
@AS_JSON
def balance(site: Path, as_json: bool) -> None:
    """How the lines of each role share the load of a call, and how that stands to the planned pretension."""
    from pipeline.ledger.berth import balance_json

    answer(site, balance_json, as_json, "balance")


@click.command()
@SITE
@click.option("--from", "from_us", type=Instant(), help="Only those that touch the time from here.")
@click.option("--to", "to_us", type=Instant(end_of_day=True), help="Only those that touch the time up to here.")
@AS_JSON
def episodes(site: Path, from_us: int | None, to_us: int | None, as_json: bool) -> None:
    """Events of several lines that belong together, each episode as one thing to read."""
    from pipeline.ledger.berth import episodes_json

    answer(site, lambda ledger: episodes_json(ledger, from_us=from_us, to_us=to_us), as_json, "episodes")


BERTH = (balance, episodes)
