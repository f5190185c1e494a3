"""The files of ops/ hold to the program: metrics, exit codes, findings, commands and options that they name exist."""

import ast
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from pipeline import cli, errors
from pipeline.metrics import METRICS
from pipeline.night.place_day import TOLD

REPOSITORY = Path(__file__).resolve().parents[2]
OPS = REPOSITORY / "ops"
RUNBOOK = (OPS / "RUNBOOK.md").read_text(encoding="utf-8")
README = (OPS / "README.md").read_text(encoding="utf-8")
ALERTS = (OPS / "alerts.yml").read_text(encoding="utf-8")
SERVICE, TIMER = OPS / "tautlog@.service", OPS / "tautlog@.timer"
FILES = sorted(path.name for path in OPS.iterdir() if path.suffix not in (".py", "") or path.name == "Containerfile")


def section(text: str, heading: str) -> str:
    """A part of a Markdown text, from its heading to the next of its level."""
    level = heading.split()[0]
    start = text.index(f"\n{heading}\n") + 1
    end = re.search(rf"^{level} ", text[start + len(heading) :], re.MULTILINE)
    return text[start : start + len(heading) + end.start()] if end is not None else text[start:]


def first_cells(text: str) -> set[str]:
    """The words of the first column of the tables of a text."""
    rows = re.findall(r"^\| ([^|]+?) \|", text, re.MULTILINE)
    return {word for row in rows for word in re.findall(r"[\w-]+", row)}


def kinds_raised() -> set[str]:
    """The kind of every finding that the program can raise: the first argument of each `Finding(…)` in its sources."""
    kinds: set[str] = set()
    for path in sorted((REPOSITORY / "pipeline").rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        constants = {
            target.id: node.value.value
            for node in tree.body
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for call in _findings_made(tree):
            kind = call.args[0]
            if isinstance(kind, ast.Constant):
                kinds.add(str(kind.value))
            elif isinstance(kind, ast.Name) and kind.id in constants:
                kinds.add(str(constants[kind.id]))
            elif (path.name, ast.unparse(kind)) == ("place_day.py", "check"):
                kinds |= TOLD.keys()
            else:
                # The one that closes what was open before.
                assert (path.name, ast.unparse(kind)) == ("findings.py", "old.kind"), "which kinds are these?"
    return kinds


def _findings_made(tree: ast.AST) -> Iterator[ast.Call]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Finding":
            yield node


def test_every_metric_that_the_alerts_name_is_one_that_a_night_writes() -> None:
    named = set(re.findall(r"tautlog_\w+", "\n".join(re.findall(r"expr: (.*)", ALERTS))))
    assert len(named) > 10
    assert named <= METRICS.keys()


def test_every_label_that_the_alerts_name_is_one_of_a_metric() -> None:
    labels = {label for _, labels, _ in METRICS.values() for label in labels} | {"site"}
    assert set(re.findall(r"\$labels\.(\w+)", ALERTS)) <= labels


def test_every_alert_has_its_paragraph_in_the_runbook_and_a_link_to_it() -> None:
    alerts = re.findall(r"- alert: (\w+)", ALERTS)
    assert re.findall(r"^### (\w+)$", section(RUNBOOK, "## By alert"), re.MULTILINE) == alerts
    links = re.findall(r"runbook: ops/RUNBOOK\.md#(\w+)", ALERTS)
    assert links == [name.lower() for name in alerts]


def test_every_alert_is_tested() -> None:
    tested = set(re.findall(r"alertname: (\w+)\n\s+exp_alerts:\n", (OPS / "alerts_test.yml").read_text("utf-8")))
    assert tested == set(re.findall(r"- alert: (\w+)", ALERTS))


def test_every_exit_code_has_its_row_in_the_runbook() -> None:
    codes = {"0", "1", "2", "130"} | {str(kind.exit_code) for kind in errors.TautlogError.__subclasses__()}
    assert codes >= {"65", "70", "74", "75", "78"}
    assert codes <= first_cells(section(RUNBOOK, "## By exit code"))


def test_every_kind_of_finding_has_its_row_in_the_runbook_and_no_other_has() -> None:
    raised = kinds_raised()
    assert {"rows-lost", "silent-channel", "ambiguous-hour", "clipped"} <= raised
    told = first_cells(section(RUNBOOK, "## By finding")) - {"kind", "error", "---"}
    assert told == raised


def test_the_runbook_leads_to_headings_that_are_there() -> None:
    headings = {
        re.sub(r"[^\w -]", "", heading).lower().replace(" ", "-")
        for heading in re.findall(r"^#+ (.+)$", RUNBOOK, re.MULTILINE)
    }
    links = re.findall(r"\]\(#([\w-]+)\)", RUNBOOK)
    assert links
    assert set(links) <= headings


def test_an_overloaded_line_is_told_with_the_words_of_safety() -> None:
    told = " ".join(section(RUNBOOK, "### TautlogLineEvent").split())
    for words in ("inspected before it is used again", "snap-back zone", "and never replaces, inspection"):
        assert words in told


@pytest.mark.parametrize("file", ["tautlog@.service", "crontab.example", "Containerfile"])
def test_every_command_and_option_that_a_file_runs_exists(file: str) -> None:
    text = (OPS / file).read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    spaced = [re.sub(r'[\[\]",]', " ", line).split() for line in lines if "nightly" in line or "health" in line]
    assert spaced
    for words in spaced:
        command = next(word for word in words if word in ("nightly", "health"))
        after = words[words.index(command) :]
        known = {opt for parameter in cli.tautlog.commands[command].params for opt in parameter.opts}
        assert {word for word in after if word.startswith("--")} <= known


def test_the_service_ends_well_with_findings_and_starts_by_its_timer() -> None:
    service, timer = SERVICE.read_text("utf-8"), TIMER.read_text("utf-8")
    for line in (
        "Type=oneshot",
        "SuccessExitStatus=1",
        "NoNewPrivileges=yes",
        "ProtectSystem=strict",
        "PrivateNetwork=yes",
    ):
        assert f"\n{line}\n" in service
    assert "\nPersistent=true\n" in timer
    assert "MemoryDenyWriteExecute" not in service  # compiled loops are written, then executed


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")
def test_systemd_understands_every_option_of_the_units(tmp_path: Path) -> None:
    service = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", SERVICE.read_text("utf-8"), flags=re.MULTILINE)
    (tmp_path / "tautlog@quay3.service").write_text(service)
    (tmp_path / "tautlog@quay3.timer").write_text(TIMER.read_text("utf-8"))
    for words in (["verify", "tautlog@quay3.service", "tautlog@quay3.timer"], SECURITY):
        done = subprocess.run(
            ["systemd-analyze", *words],
            cwd=tmp_path, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, start_new_session=True,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        assert done.stderr == ""


SECURITY = ["security", "--offline=true", "--threshold=10", "./tautlog@quay3.service"]
"""At most 1.0 of 10: the threshold is in tenths."""


@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")
@pytest.mark.parametrize("words", [["check", "rules", "alerts.yml"], ["test", "rules", "alerts_test.yml"]])
def test_promtool_agrees_with_the_alert_rules(words: list[str]) -> None:
    done = subprocess.run(
        ["promtool", *words],
        cwd=OPS, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, start_new_session=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_image_installs_pinned_and_hashed_what_the_program_needs() -> None:
    pins = dict(re.findall(r"^([\w.-]+)==(\S+)", (OPS / "requirements.txt").read_text("utf-8"), re.MULTILINE))
    blocks = re.split(r"\n(?=[\w.-]+==)", (OPS / "requirements.txt").read_text("utf-8"))[1:]
    assert all("--hash=sha256:" in block for block in blocks)
    needed = re.search(r"^dependencies = \[\n(.*?)^\]", (REPOSITORY / "pyproject.toml").read_text(), re.M | re.S)
    assert needed is not None
    assert set(re.findall(r'^    "([\w-]+)', needed[1], re.MULTILINE)) | {"hatchling"} <= pins.keys()
    whole = dict(re.findall(r"^([\w.-]+)==(\S+)", (REPOSITORY / "requirements.txt").read_text("utf-8"), re.MULTILINE))
    assert {name: whole[name] for name in pins if name in whole} == {n: pins[n] for n in pins if n in whole}


def test_the_image_runs_as_nobody_in_particular() -> None:
    text = (OPS / "Containerfile").read_text("utf-8")
    assert re.search(r"^USER 10001:10001$", text, re.MULTILINE)
    assert '"tautlog", "health"' in text
    assert "--require-hashes" in text


def test_the_readme_names_every_file_every_metric_and_every_option_of_what_a_night_tells() -> None:
    assert [name for name in FILES if name != "README.md" and name not in README] == []
    assert [name for name in METRICS if f"`{name.removeprefix('tautlog_')}`" not in README] == []
    nightly = cli.tautlog.commands["nightly"].params
    for option in ("--metrics", "--lineage", "--log"):
        assert option in README
        assert any(isinstance(parameter, click.Option) and option in parameter.opts for parameter in nightly)
