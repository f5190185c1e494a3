"""The command of the pages. Parse, call, print."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli_options import AS_JSON, SITE, WORKERS, Instant


@click.command()
@SITE
@click.option("--to", "folder", type=click.Path(path_type=Path), help="Folder to make (default: pages/ of the site).")
@click.option(
    "--candidate",
    "candidates",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Spec of a rope to compare, besides those in specs/ that no line uses; may be given several times.",
)
@click.option(
    "--from",
    "events_from_us",
    type=Instant(),
    help="Give events from here on a page each (default: those of the last week; episodes always have theirs).",
)
@WORKERS
@AS_JSON
def pages(
    site: Path,
    folder: Path | None,
    candidates: tuple[Path, ...],
    events_from_us: int | None,
    workers: str | None,
    as_json: bool,
) -> None:
    """Write the pages that people read in the morning: static, offline, from what is published.

    Open pages/index.html in a browser. Every night writes them too, where something is new.
    """
    from pipeline.workers import expect_work

    expect_work(workers, also=("pipeline.reports.hands",))
    from pipeline.compare import read_specs
    from pipeline.reports.making import make_pages

    if not (site / "site.toml").is_file():
        from pipeline.site import open_site

        open_site(site)  # says what is wrong with the folder
    made = make_pages(
        site,
        site / "pages" if folder is None else folder,
        read_specs(candidates),
        events_from_us=events_from_us,
        workers=workers,
    )
    if as_json:
        from pipeline.ledger.queries import answer_text

        told = [{"path": path, "title": title, "bytes": size} for path, title, size in made.pages]
        click.echo(answer_text({"folder": str(made.folder), "made_of": dict(made.made_of), "pages": told}))
        return
    count = f"{len(made.pages)} pages" if len(made.pages) != 1 else "1 page"
    click.echo(f"{count} of run {made.made_of['run']}: open {made.folder / 'index.html'}")


PAGES = (pages,)
