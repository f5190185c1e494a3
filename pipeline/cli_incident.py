"""The command of incident files: made for a line and an instant, or verified. Parse, call, print."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from pipeline.cli_options import AS_JSON, WORKERS, Instant


@click.command()
@click.argument("site", required=False, type=click.Path(path_type=Path))
@click.option("--line", help="The line that is asked about.")
@click.option("--at", "at_us", type=Instant(), help="The instant asked about: RFC 3339 with an offset.")
@click.option(
    "--window",
    "window_min",
    type=click.FloatRange(min=1, max=24 * 60),
    help="Minutes to each side that are shown closely (default: 30). The whole call is disclosed in any case.",
)
@click.option("--out", type=click.Path(path_type=Path), help="The folder to make.")
@click.option("--verify", "folder", type=click.Path(path_type=Path), help="Hold an incident file against itself.")
@WORKERS
@AS_JSON
def incident(
    site: Path | None,
    line: str | None,
    at_us: int | None,
    window_min: float | None,
    out: Path | None,
    folder: Path | None,
    workers: str | None,
    as_json: bool,
) -> None:
    """Reconstruct what happened when a line lost its load: a sealed folder of evidence, with page and PDF.

    tautlog incident SITE --line L --at TIME [--window MINUTES] --out DIR, or tautlog incident --verify DIR. Lines
    under tension kill: keep clear, and inspect before use. Nothing in the file names a cause or a safe place to stand.
    """
    if folder is not None:
        if any(given is not None for given in (site, line, at_us, window_min, out)):
            raise click.UsageError("--verify stands alone: the folder holds all that it needs")
        _verify(folder, workers, as_json)
    if site is None or line is None or at_us is None or out is None:
        raise click.UsageError("give SITE, --line, --at and --out; or --verify and a folder")
    _make(site, line, at_us, 30.0 if window_min is None else window_min, out, as_json)


def _make(site: Path, line: str, at_us: int, window_min: float, out: Path, as_json: bool) -> None:
    from pipeline.incident import make_incident
    from pipeline.incident.answer import made_answer, made_text
    from pipeline.incident.evidence import must_be_free, write_incident
    from pipeline.incident.samples import Samples, read_ahead
    from pipeline.ledger.account import known_line, last_site
    from pipeline.ledger.database import open_published

    must_be_free(out)
    if not (site / "site.toml").is_file():
        from pipeline.site import open_site

        open_site(site)  # says what is wrong with the folder
    with open_published(site) as ledger:
        read = last_site(ledger)
        known_line(read, line)
        reading: list[Samples] = []
        found = make_incident(
            ledger,
            line=line,
            at_us=at_us,
            window_min=window_min,
            meanwhile=lambda berthed: reading.append(read_ahead(ledger, berthed)),
        )
        answer = made_answer(found, write_incident(ledger, read, found, out, samples=reading[0]))
    _print(answer, made_text(answer), as_json)


def _verify(folder: Path, workers: str | None, as_json: bool) -> None:
    from pipeline.incident.answer import verified_text
    from pipeline.incident.verify import verify_incident
    from pipeline.watch import watch_stderr

    answer = verify_incident(folder, workers=workers, watch=watch_stderr())
    _print(answer, verified_text(answer), as_json)
    sys.exit(0 if answer["agrees"] else 1)


def _print(answer: dict[str, Any], text: str, as_json: bool) -> None:
    if as_json:
        from pipeline.ledger.queries import answer_text

        text = answer_text(answer)
    click.echo(text)


INCIDENT = (incident,)
