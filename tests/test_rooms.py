"""The rooms: imports point one way, pure rooms touch no files and no clock, each library has one keeper.

What would be tidier as a linter's rule is a test, so that it needs no tool beyond the test runner.
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# From the ground up. A room imports from the floors below it; rooms of one floor know nothing of each other.
FLOORS = (
    ("schemas", "pipeline.errors"),
    ("pipeline.units", "pipeline.kernels"),
    (
        "pipeline.readers",
        "pipeline.quality",
        "pipeline.sheets",
        "pipeline.events",
        "pipeline.wear",
        "pipeline.outlook",
    ),
    (
        "pipeline.registers",
        "pipeline.lock",
        "pipeline.many",
        "pipeline.store",
        "pipeline.text",
        "pipeline.watch",
        "pipeline.workers",
    ),
    ("pipeline.crosschecks", "pipeline.render_outlook"),
    ("pipeline.site",),
    ("pipeline.scaffold",),
    ("pipeline.manifest",),
    ("pipeline.ledger", "pipeline.lastnight", "pipeline.remote"),
    ("pipeline.night",),
    ("pipeline.nightly", "pipeline.render_brakes", "pipeline.render_events", "pipeline.render_service"),
    ("pipeline.render_berth",),
    (
        "pipeline.audit",
        "pipeline.backup",
        "pipeline.compare",
        "pipeline.demo",
        "pipeline.health",
        "pipeline.lineage",
        "pipeline.metrics",
        "pipeline.render",
        "pipeline.render_explain",
        "pipeline.render_compare",
        "pipeline.tidy",
        "pipeline.tracing",
    ),
    (
        "pipeline.exports",
        "pipeline.fleet",
        "pipeline.incident",
        "pipeline.reports",
        "pipeline.render_upkeep",
        "pipeline.telling",
        "pipeline.cli_health",
        "pipeline.cli_options",
    ),
    (
        "pipeline.cli_berth",
        "pipeline.cli_exports",
        "pipeline.cli_incident",
        "pipeline.cli_nights",
        "pipeline.cli_pages",
        "pipeline.cli_upkeep",
    ),
    ("pipeline.cli",),
)
COMMANDS = {
    "pipeline.cli",
    "pipeline.cli_berth",
    "pipeline.cli_exports",
    "pipeline.cli_health",
    "pipeline.cli_incident",
    "pipeline.cli_nights",
    "pipeline.cli_options",
    "pipeline.cli_pages",
    "pipeline.cli_upkeep",
}
"""Where commands stand: they alone know click, and import nothing heavy before a command needs it."""
FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}
PURE = (
    "schemas",
    "pipeline.quality",
    "pipeline.sheets",
    "pipeline.events",
    "pipeline.wear",
    "pipeline.outlook",
    "pipeline.units",
)
FILE_OR_CLOCK_MODULES = {"os", "io", "pathlib", "shutil", "tempfile", "time", "glob", "subprocess", "socket"}
FILE_OR_CLOCK_CALLS = {
    "open",
    "now",
    "utcnow",
    "today",
    "read_csv",
    "scan_csv",
    "read_parquet",
    "write_parquet",
}
HEAVY = {
    "bokeh",
    "fluids",
    "ht",
    "jinja2",
    "numba",
    "numpy",
    "polars",
    "prometheus_client",
    "duckdb",
    "pyarrow",
    "pydantic",
    "dataframely",
    "scipy",
    "rich",
    "simplejson",
    "obstore",
    "rfc3161_client",
    "tsdownsample",
    "typst",
    "xlsxwriter",
}


@dataclass(frozen=True)
class Import:
    """One imported module: who imports it, where, and whether it runs when the importer is imported."""

    importer: str
    file: Path
    line_no: int
    module: str
    at_import_time: bool


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def sources() -> list[Path]:
    return sorted(path for top in ("pipeline", "schemas") for path in (ROOT / top).rglob("*.py"))


def imports_of(path: Path) -> Iterator[Import]:
    """Every import of one source file, relative ones resolved, `from package import module` as both."""
    importer = module_name(path)
    tree = ast.parse(path.read_text(encoding="utf-8"))
    lazy = {id(inner) for node in ast.walk(tree) if _runs_later(node) for inner in ast.walk(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            modules = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            package = importer if path.name == "__init__.py" else importer.rpartition(".")[0]
            for _ in range(node.level - 1):
                package = package.rpartition(".")[0]
            base = f"{package}.{node.module}".rstrip(".") if node.level else node.module or ""
            modules = [base, *(f"{base}.{alias.name}" for alias in node.names)]
        else:
            continue
        for module in modules:
            yield Import(importer, path, node.lineno, module, id(node) not in lazy)


def _runs_later(node: ast.AST) -> bool:
    if isinstance(node, ast.If):
        return isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
    return isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)


def room_of(module: str) -> str | None:
    """The room a module stands in; None for other people's modules and for the package `pipeline` itself."""
    parts = module.split(".")
    if parts[0] == "schemas":
        return "schemas"
    if parts[0] == "pipeline" and len(parts) > 1:
        return ".".join(parts[:2])
    return None


@cache
def all_imports() -> tuple[Import, ...]:
    return tuple(found for path in sources() for found in imports_of(path))


def wrong_way(found: Import) -> str | None:
    """Why this import may not be, or None."""
    importer, imported = room_of(found.importer), room_of(found.module)
    if importer not in FLOOR_OF or imported not in FLOOR_OF or importer == imported:
        return None  # a room without a floor is a failure of its own
    if FLOOR_OF[imported] < FLOOR_OF[importer]:
        return None
    return f"{found.file.relative_to(ROOT)}:{found.line_no}: {importer} may not import {imported}"


def test_every_module_stands_in_a_known_room() -> None:
    rooms = {room_of(module_name(path)) for path in sources()} - {None}
    assert rooms - set(FLOOR_OF) == set(), "give a new room its floor in FLOORS"


def test_imports_point_one_way() -> None:
    assert [why for found in all_imports() if (why := wrong_way(found)) is not None] == []


def test_schemas_import_nothing_of_the_program() -> None:
    into_program = [
        found for found in all_imports() if found.importer.startswith("schemas") and "pipeline" in found.module
    ]
    assert into_program == []


@pytest.mark.parametrize("room", PURE)
def test_a_pure_room_imports_no_files_and_no_clock(room: str) -> None:
    touched = [
        f"{found.file.relative_to(ROOT)}:{found.line_no}: {found.module}"
        for found in all_imports()
        if room_of(found.importer) == room and found.module.split(".")[0] in FILE_OR_CLOCK_MODULES
    ]
    assert touched == []


@pytest.mark.parametrize("room", PURE)
def test_a_pure_room_calls_no_files_and_no_clock(room: str) -> None:
    called = []
    for path in sources():
        if room_of(module_name(path)) != room:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                if name in FILE_OR_CLOCK_CALLS:
                    called.append(f"{path.relative_to(ROOT)}:{node.lineno}: {name}()")
    assert called == []


@pytest.mark.parametrize(
    ("library", "keepers"),
    [
        ("duckdb", {"pipeline.ledger"}),
        ("pyarrow", {"pipeline.store"}),
        ("click", COMMANDS),
        ("fluids", {"pipeline.wear"}),
        ("ht", {"pipeline.wear"}),
        ("bokeh", {"pipeline.reports"}),
        ("jinja2", {"pipeline.incident", "pipeline.reports"}),
        ("numba", {"pipeline.kernels"}),
        ("obstore", {"pipeline.store"}),
        ("prometheus_client", {"pipeline.metrics"}),
        ("rfc3161_client", {"pipeline.incident"}),
        ("tsdownsample", {"pipeline.reports"}),
        ("typst", {"pipeline.exports", "pipeline.incident"}),
        ("xlsxwriter", {"pipeline.exports"}),
    ],
)
def test_a_library_has_one_keeper(library: str, keepers: set[str]) -> None:
    strays = [
        f"{found.file.relative_to(ROOT)}:{found.line_no}"
        for found in all_imports()
        if found.module.split(".")[0] == library and room_of(found.importer) not in keepers
    ]
    assert strays == []


def test_parquet_is_read_and_written_by_the_store_and_the_manifest_alone() -> None:
    calls = []
    for path in sources():
        if room_of(module_name(path)) in ("pipeline.store", "pipeline.manifest"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr in (
                "read_parquet",
                "scan_parquet",
                "write_parquet",
                "sink_parquet",
                "read_parquet_schema",
                "read_parquet_metadata",
            ):
                calls.append(f"{path.relative_to(ROOT)}:{node.lineno}: {node.attr}")
    assert calls == []


def test_the_command_line_imports_heavy_things_only_when_a_command_needs_them() -> None:
    heavy = [
        f"{found.file.relative_to(ROOT)}:{found.line_no}: {found.module}"
        for found in all_imports()
        if room_of(found.importer) in COMMANDS
        and found.at_import_time
        and (found.module.split(".")[0] in HEAVY or room_of(found.module) not in {None, "pipeline.errors", *COMMANDS})
    ]
    assert heavy == []


def test_the_rule_catches_an_import_that_points_the_wrong_way() -> None:
    def made(importer: str, module: str) -> Import:
        return Import(importer, ROOT / "pipeline" / "x.py", 1, module, True)

    assert wrong_way(made("pipeline.wear.fatigue", "pipeline.sheets.cycles")) is not None
    assert wrong_way(made("pipeline.sheets.fold", "pipeline.store")) is not None
    assert wrong_way(made("schemas.registers", "pipeline.errors")) is not None
    assert wrong_way(made("pipeline.ledger.index", "pipeline.nightly")) is not None
    assert wrong_way(made("pipeline.nightly", "pipeline.ledger.posting")) is None
    assert wrong_way(made("pipeline.sheets.fold", "pipeline.sheets.cycles")) is None
