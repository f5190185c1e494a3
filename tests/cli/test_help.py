"""Help: every command explains itself, at once."""

import json
import subprocess
import sys
from pathlib import Path

import click
import pytest

from pipeline import cli
from tests.cli.command import tautlog

REPOSITORY = Path(__file__).resolve().parents[2]
COMMANDS = (
    "new", "demo", "ingest", "nightly", "receipts", "cycles", "events", "statement", "status", "audit",
    "rebuild", "trace", "findings", "health", "fleet", "backup", "restore", "tidy", "compare",
    "explain", "sampling", "balance", "episodes", "zeros", "brakes", "incident",
    "export", "pages",
)  # fmt: skip
ANSWERING = tuple(name for name in COMMANDS if name not in ("new", "demo"))
HEAVY = (
    "duckdb", "numba", "numpy", "pandas", "polars", "pyarrow", "pydantic", "dataframely", "rich", "zstandard",
    "prometheus_client", "xlsxwriter", "typst", "jinja2", "bokeh", "tsdownsample",
)  # fmt: skip
LOADED = f"""
import json, sys
sys.argv = ["tautlog", *sys.argv[1:]]
from pipeline.cli import main
try:
    main()
except SystemExit as ended:
    print(json.dumps([ended.code, sorted(set({HEAVY!r}) & set(sys.modules))]), file=sys.stderr)
"""


def test_the_commands_are_those_of_the_design_findings_and_health() -> None:
    assert set(cli.tautlog.commands) == set(COMMANDS)


def test_help_lists_every_command_with_a_sentence_and_the_caution() -> None:
    ran = tautlog("--help")
    assert ran.code == 0
    for name in COMMANDS:
        (line,) = [line for line in ran.out.splitlines() if line.split()[:1] == [name]]
        assert len(line.split()) > 3
    assert "never replaces, inspection" in ran.out
    assert "snap-back zone" in ran.out
    assert "inspect before use" in ran.out


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_so_has_every_option(name: str) -> None:
    ran = tautlog(name, "--help")
    assert ran.code == 0
    assert ran.out.startswith(f"Usage: tautlog {name} [OPTIONS]")
    command = cli.tautlog.commands[name]
    assert command.help
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name
            assert parameter.opts[-1] in ran.out


@pytest.mark.parametrize("name", ANSWERING)
def test_every_command_that_answers_something_takes_json(name: str) -> None:
    assert "--json" in {opt for parameter in cli.tautlog.commands[name].params for opt in parameter.opts}


@pytest.mark.parametrize("words", [["--help"], ["nightly", "--help"], ["health", "--help"], ["--version"]])
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *words], cwd=REPOSITORY, capture_output=True, text=True, check=True
    )
    assert json.loads(done.stderr) == [0, []]
