"""The command of exports: what is published, for other people's programs. Parse, call, print."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli_options import AS_JSON, SITE, WORKERS


@click.command()
@SITE
@click.option(
    "--to", "out", required=True, type=click.Path(path_type=Path), help="The folder to make, or to make anew."
)
@click.option(
    "--table", "tables", multiple=True, help="Only this table, as Parquet and CSV; may be given several times."
)
@WORKERS
@AS_JSON
def export(site: Path, out: Path, tables: tuple[str, ...], workers: str | None, as_json: bool) -> None:
    """Export what is published: Parquet, CSV, a workbook, a DuckDB file, a PDF statement of each line, a dictionary.

    An export that is there already is replaced whole; a folder that holds anything else is left alone. Figures support,
    and never replace, inspection; a severity index is no percent of life; an empty cell is not zero.
    """
    from pipeline.exports.answer import export_text
    from pipeline.exports.frames import TABLES
    from pipeline.exports.making import must_be_ours, write_export
    from pipeline.ledger.database import open_published
    from pipeline.workers import expect_work

    if unknown := [name for name in tables if name not in TABLES]:
        from pipeline.errors import nearest

        near = nearest(unknown[0], TABLES)
        known = f"did you mean {near}?" if near is not None else f"there are: {', '.join(TABLES)}"
        raise click.BadParameter(f"no table is called {unknown[0]!r}; {known}", param_hint="--table")
    if not (site / "site.toml").is_file():
        from pipeline.site import open_site

        open_site(site)  # says what is wrong with the folder
    must_be_ours(out, site)
    if not tables:
        expect_work(workers)
    with open_published(site) as ledger:
        answer = write_export(ledger, out, tables, workers=workers)
    text = export_text(answer)
    if as_json:
        from pipeline.ledger.queries import answer_text

        text = answer_text(answer)
    click.echo(text)


EXPORTS = (export,)
