"""Hold ledger, published snapshot and manifests against each other, for audit. Every difference in words.

The ledger's tables are compared with the manifests' Parquet files row for row and column for column, so every
block of the file that holds a figure is read. Nothing is healed here: `database.open_ledger` does that.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import duckdb

from pipeline import manifest as manifests
from pipeline.errors import StoreError
from pipeline.ledger.apply import TABLES, selected
from pipeline.ledger.database import Ledger, create, ledger_file, open_reader, schema_sha256
from pipeline.manifest import Manifest
from pipeline.store.files import digest_of
from schemas.versions import ADDED_COLUMNS, AddedColumn

_OF_A_RUN = re.compile(r"\d{6,}\.json|\.\d{6,}\.json\.draft|\d{6,}-[0-9a-f]{8}|archive", re.ASCII)
_DRAFT_OF_A_REGISTER = re.compile(r"\.[0-9a-f]{64}\.draft", re.ASCII)
LAWS = {
    "a reversal names no posting, or another key than its own, or not its negated life": """
        SELECT r.entry FROM entries AS r
        LEFT JOIN entries AS p ON p.entry = r.reverses AND p.kind = 'posting'
            AND (p.line, p.zone, p.day, p.mechanism) = (r.line, r.zone, r.day, r.mechanism)
            AND p.life = -r.life AND (p.run, p.seq) < (r.run, r.seq)
        WHERE r.kind = 'reversal' AND p.entry IS NULL""",
    "a posting is reversed more than once": """
        SELECT reverses FROM entries WHERE reverses IS NOT NULL GROUP BY reverses HAVING count(*) > 1""",
    "an entry's id is used twice": "SELECT entry FROM entries GROUP BY entry HAVING count(*) > 1",
    "more than one posting of a line, zone, day and mechanism is live": """
        SELECT min(entry) FROM live_entries GROUP BY line, zone, day, mechanism HAVING count(*) > 1""",
    "the lines of a raw file do not add up": """
        SELECT file FROM receipts
        WHERE lines <> header + blank + ignored + stored + duplicate + quarantined""",
    "a live state rests on a sheet that is not live": """
        SELECT DISTINCT concat_ws(' ', s.line, s.zone, s.day) FROM (
            SELECT line, zone, day, unnest(sheets) AS sheet FROM live_states
        ) AS s ANTI JOIN live_sheets AS l ON s.sheet = l.sheet""",
    "a samples file's name is used twice": """
        SELECT part FROM parts WHERE op = 'add' GROUP BY part HAVING count(*) > 1""",
    "a sheet's id is used twice": """
        SELECT sheet FROM sheets WHERE op = 'add' GROUP BY sheet HAVING count(*) > 1""",
}
"""What always holds in the ledger: each query finds what breaks its law."""


def manifest_differences(site_root: Path) -> list[str]:
    """Everything wrong with the manifests: chain, table files, archive, files nobody named.

    Folders, drafts and archived registers of runs that never committed are not differences: they do not exist for
    anyone. What no run would leave there is one.
    """
    try:
        committed = manifests.chain(site_root)
    except StoreError as error:
        return [str(error)]
    differences = [text for manifest in committed for text in _manifest_files(site_root, manifest)]
    differences += _guests(site_root / "manifests", committed)
    return list(dict.fromkeys(differences))


def ledger_differences(site_root: Path) -> list[str]:
    """How the ledger file differs from the manifests, and which laws it breaks. No writer has it open."""
    return _file_differences(site_root.resolve(), ledger_file(site_root.resolve()), guarded=True)


def published_differences(site_root: Path) -> list[str]:
    """How the published snapshot differs from what was published, and from the manifests up to its run."""
    site_root = site_root.resolve()
    folder = site_root / "published" / "current"
    if not folder.exists():
        return [] if manifests.head(site_root) is None else [f"{folder}: nothing is published"]
    try:
        facts = json.loads((folder / "published.json").read_bytes())
        files: dict[str, str] = dict(facts["files"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        return [f"{folder / 'published.json'}: cannot be read: {error!r}"]
    differences = [text for name, digest in files.items() if (text := _altered(folder / name, digest))]
    names = {path.name for path in folder.iterdir()}
    differences += [f"{folder / name}: nobody published this" for name in sorted(names - {*files, "published.json"})]
    if facts.get("schema_sha256") != schema_sha256():
        differences.append(
            f"{folder / 'published.json'}: tells of another version of the schema; the next night publishes"
        )
    if not differences:
        differences = _file_differences(site_root, folder / "ledger.duckdb", guarded=False)
    return differences


def table_differences(
    ledger: Ledger, committed: list[Manifest], *, added: tuple[AddedColumn, ...] = ADDED_COLUMNS
) -> list[str]:
    """How the rows of an open ledger differ from the manifests' Parquet files.

    `added`: the columns that older manifests lack; those of the ledger must be made to match.
    """
    differences = []
    for table in TABLES:
        expected, paths = _as_committed(ledger, table, committed, added)
        held = f"FROM {table}"
        more = _odd_rows(ledger, held, expected, paths)
        differences += [f"{ledger.file}: table {table} holds a row that no manifest gave it: {row}" for row in more]
        # As many rows as expected, and none beside those: then none is lacking either.
        if more or ledger.rows(f"SELECT (SELECT count(*) {held}) = (SELECT count(*) {expected})", paths) != [(True,)]:
            less = _odd_rows(ledger, expected, held, paths)
            differences += [f"{ledger.file}: table {table} lacks a row that a manifest gave it: {row}" for row in less]
    return differences


def _odd_rows(ledger: Ledger, one: str, other: str, paths: list[list[str]]) -> list[str]:
    """The rows of one query that another lacks, counted as often as they come."""
    found = ledger.rows(f"SELECT run, seq FROM ({one} EXCEPT ALL {other}) ORDER BY run, seq", paths)
    return [f"run {run}, row {seq}" for run, seq in found]


def _as_committed(
    ledger: Ledger, table: str, committed: list[Manifest], added: tuple[AddedColumn, ...]
) -> tuple[str, list[list[str]]]:
    """A query for all rows that manifests gave a table, and its values to bind: one list of files a version."""
    files: dict[int, list[str]] = {}
    for manifest in committed:
        if table in manifest.tables:
            files.setdefault(manifest.version, []).append(str(ledger.root / manifest.tables[table].path))
    pieces = [f"SELECT {selected(ledger.con, table, version, added)[0]} FROM read_parquet(?)" for version in files]
    union = f"FROM ({' UNION ALL '.join(pieces)})"
    return union if pieces else f"FROM {table} WHERE false", list(files.values())


def law_breaks(ledger: Ledger) -> list[str]:
    """Which laws the ledger's rows break, and where."""
    return [
        f"{ledger.file}: {words}: {found}"
        for words, query in LAWS.items()
        for (found,) in ledger.rows(f"{query} ORDER BY ALL")
    ]


def _file_differences(site_root: Path, file: Path, *, guarded: bool) -> list[str]:
    if not file.exists():
        return [] if manifests.head(site_root) is None else [f"{file}: is missing"]
    try:
        committed = manifests.chain(site_root)
        with open_reader(site_root, file) as ledger:
            differences = _catalogue_differences(ledger, guarded=guarded)
            if differences:
                return differences
            differences = [*_taken_in(ledger, committed), *table_differences(ledger, committed)]
            return differences + law_breaks(ledger)
    except StoreError as error:
        return [str(error)]
    except duckdb.Error as error:
        return [f"{file}: cannot be read: {str(error).splitlines()[0]}"]


def _taken_in(ledger: Ledger, committed: list[Manifest]) -> Iterator[str]:
    seen = ledger.rows("SELECT run, manifest_sha256 FROM applied ORDER BY run")
    expected = [(manifest.run, manifest.sha256) for manifest in committed]
    for run, sha256 in sorted(set(expected) - set(seen)):
        yield f"{ledger.file}: has not taken in run {run} (manifest {sha256}); the next night does"
    for run, sha256 in sorted(set(seen) - set(expected)):
        yield f"{ledger.file}: has taken in run {run} by a manifest that is not in the chain ({sha256})"


def _catalogue_differences(ledger: Ledger, *, guarded: bool) -> list[str]:
    """How tables, views and guards differ from the schema's. A snapshot has no guards."""
    with create(ledger.root, ":memory:") as model:
        wanted, found = _catalogue(model, guarded=guarded), _catalogue(ledger, guarded=guarded)
    missing = [f"{ledger.file}: {what} is missing" for what in sorted(wanted.keys() - found.keys())]
    added = [f"{ledger.file}: {what} does not belong here" for what in sorted(found.keys() - wanted.keys())]
    changed = [what for what in sorted(wanted.keys() & found.keys()) if wanted[what] != found[what]]
    return [*missing, *added, *(f"{ledger.file}: {what} is not as the schema makes it" for what in changed)]


def _catalogue(ledger: Ledger, *, guarded: bool) -> dict[str, str]:
    kinds = {
        "table": "SELECT table_name, sql FROM duckdb_tables() WHERE NOT internal",
        "view": "SELECT view_name, sql FROM duckdb_views() WHERE NOT internal",
        "index": "SELECT index_name, sql FROM duckdb_indexes()",
    }
    if guarded:
        kinds["trigger"] = "SELECT trigger_name, sql FROM duckdb_triggers()"
    # The older file format of a snapshot keeps a view without the brackets around its joins.
    plain = str.maketrans("", "", "" if guarded else "()")
    return {f"{kind} {name}": sql.translate(plain) for kind, query in kinds.items() for name, sql in ledger.rows(query)}


def _manifest_files(site_root: Path, manifest: Manifest) -> Iterator[str]:
    named = {site_root / table.path: table.sha256 for table in manifest.tables.values()}
    archive = {manifests.archive_path(site_root, digest): digest for digest in manifest.archive.values()}
    for path, digest in sorted((named | archive).items()):
        if text := _altered(path, digest):
            yield text
    folder = site_root / "manifests" / manifest.run_id
    for stray in sorted(set(folder.glob("*")) - named.keys()):
        yield f"{stray}: no manifest names this file"


def _guests(folder: Path, committed: list[Manifest]) -> Iterator[str]:
    """Files among the manifests and in their archive that no run, committed or dead, would have left there."""
    for path in sorted(folder.glob("*")):
        if _OF_A_RUN.fullmatch(path.name) is None:
            yield f"{path}: no manifest names this file"
    named = {digest for manifest in committed for digest in manifest.archive.values()}
    for path in sorted((folder / "archive").glob("*")):
        known = path.name in named or (path.is_file() and digest_of(path) == path.name)
        if not known and _DRAFT_OF_A_REGISTER.fullmatch(path.name) is None:
            yield f"{path}: no manifest names this file"


def _altered(path: Path, digest: str) -> str:
    try:
        found = digest_of(path)
    except OSError as error:
        return f"{path}: cannot be read: {error.strerror}"
    return "" if found == digest else f"{path}: altered; found SHA-256 {found}, expected {digest}"
