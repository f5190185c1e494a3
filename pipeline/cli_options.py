"""What the commands share: the options they take, and how an answer is printed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import click

SITE = click.argument("site", type=click.Path(path_type=Path))
SITES = click.argument("sites", metavar="SITE...", nargs=-1, required=True, type=click.Path(path_type=Path))
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Answer as JSON (version 1) on stdout.")
LOG = click.option(
    "--log",
    type=click.Choice(["auto", "text", "json"]),
    default="auto",
    show_default=True,
    help="What stderr gets; auto: text on a terminal, else JSON lines.",
)


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


EVENT_KINDS = (
    "peak-load",
    "brake-render",
    "load-loss",
    "snap-load",
    "slack",
    "sustained-load",
    "pretension-loss",
    "brake-held",
    "surge",
)
"""The kinds of events, as `pipeline.night.kinds` has them, and those of several lines.

It is not imported for the sake of `--help`.
"""
SEVERITIES = ("note", "warning", "alarm")
"""The bands of severity, as `pipeline.events.severity` has them."""


class KnownOn(click.ParamType[int]):
    """A UTC day, of which the last microsecond is meant, or an instant: RFC 3339 with an offset."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        instant_us = Instant(end_of_day=True).convert(value, param, ctx)
        return instant_us - 1 if len(value) == 10 else instant_us


AS_KNOWN = click.option(
    "--as-known-on",
    "as_known_us",
    type=KnownOn(),
    help="What the ledger said at the end of this UTC day, or at this instant.",
)


def answer(
    site: Path, ask: Callable[[Any], dict[str, Any]], as_json: bool, what: str, as_known_us: int | None = None
) -> None:
    """Ask the published snapshot, as it is or as it was known, and print; readers never wait for a run."""
    from pipeline.ledger.as_known import ask_as_known
    from pipeline.ledger.database import open_published

    if not (site / "site.toml").is_file():
        from pipeline.site import open_site

        open_site(site)  # says what is wrong with the folder
    if as_known_us is not None:
        found = ask_as_known(site, as_known_us, ask)
    else:
        with open_published(site) as ledger:
            found = ask(ledger)
    print_answer(found, as_json, what)


def print_answer(answer: dict[str, Any], as_json: bool, what: str) -> None:
    if as_json:
        from pipeline.ledger.queries import answer_text

        click.echo(answer_text(answer))
    elif what == "compare":
        from pipeline.render_compare import compare_text

        click.echo(compare_text(answer))
    else:
        from pipeline import render, render_brakes, render_events, render_explain

        apart = {
            "explain": render_explain.explain_text,
            "events": render_events.events_text,
            "brakes": render_brakes.brakes_text,
        }
        tell = apart.get(what) or getattr(render, f"{what}_text")
        click.echo(render.as_known_text(answer) + tell(answer))
