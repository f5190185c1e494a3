"""Metrics: what a night writes, also a failed one; every figure held against the answers of the other commands."""

import re
import shutil
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from pipeline.metrics import METRICS
from tests.cli.command import tautlog
from tests.night.berth import CHANNEL_COLUMNS, Berth, make_berth, values

Labels = frozenset[tuple[str, str]]
Read = dict[str, dict[Labels, float]]
CHANNELS = "\n".join((CHANNEL_COLUMNS, *(f"{hook},tension,load-pin,0.5,3000,{hook},6" for hook in ("H1", "H2")))) + "\n"


def read(file: Path) -> Read:
    """Every sample of a text file, by name and labels."""
    found: Read = {}
    for family in text_string_to_metric_families(file.read_text(encoding="utf-8")):
        for sample in family.samples:
            found.setdefault(sample.name, {})[frozenset(sample.labels.items())] = sample.value
    return found


def one(metrics: Read, name: str, **labels: str) -> float:
    return metrics[name][frozenset({"site": "b1", **labels}.items())]


def fates(metrics: Read, name: str) -> Mapping[str, float]:
    return {dict(labels)["fate"]: value for labels, value in metrics[name].items()}


@pytest.fixture
def berth(tmp_path: Path) -> Berth:
    berth = make_berth(tmp_path / "b", files={"channels.csv": CHANNELS})
    rows = values("2026-03-02T06:00", [100.0, 560.0, 90.0])
    text = "at,hook,kn\n" + "".join(f"2026-03-02T06:00:0{2 * i}Z,{hook},{kn}\n" for i, (_, hook, kn) in enumerate(rows))
    berth.deliver("hooks_1.csv", f"{text}\nlater,H1,2.5\n".encode())
    return berth


def test_a_night_writes_what_the_other_commands_answer(berth: Berth, tmp_path: Path) -> None:
    file = tmp_path / "t.prom"
    before_s = time.time()
    ran = tautlog("nightly", berth.root, "--through", "2026-03-02", "--metrics", file, "--json")
    metrics = read(file)
    (receipt,) = ran.json["receipts"]
    counted = {fate: receipt[fate] for fate in ("header", "blank", "ignored", "stored", "duplicate", "quarantined")}
    assert counted == {"header": 1, "blank": 1, "ignored": 0, "stored": 3, "duplicate": 0, "quarantined": 1}
    assert fates(metrics, "tautlog_last_run_rows") == fates(metrics, "tautlog_rows_total") == counted
    assert one(metrics, "tautlog_last_run_quarantine_ratio") == one(metrics, "tautlog_quarantine_ratio") == 0.25
    assert one(metrics, "tautlog_last_run_exit_code") == ran.code == 1
    assert one(metrics, "tautlog_last_run_entries") == ran.json["entries_posted"] == 1
    assert one(metrics, "tautlog_live_entries") == one(metrics, "tautlog_entries_total", kind="posting") == 1
    assert one(metrics, "tautlog_last_run_events", kind="peak-load") == len(ran.json["events"]) == 1
    assert one(metrics, "tautlog_run_number") == one(metrics, "tautlog_published_run_number") == 1
    assert one(metrics, "tautlog_open_findings", kind="quarantine", severity="warning") == 1
    assert one(metrics, "tautlog_silent_channels") == 2
    lines = tautlog("status", berth.root, "--json").json["lines"]
    shares = {line["line"]: float(line["coverage"]["share"]) for line in lines if line["coverage"]["share"] is not None}
    assert {dict(labels)["line"]: ratio for labels, ratio in metrics["tautlog_coverage_ratio"].items()} == shares
    assert shares.keys() == {"L1"}  # nothing else is rigged
    stages = metrics["tautlog_last_run_stage_seconds"]
    assert {dict(labels)["stage"] for labels in stages} == {"ingest", "sheets", "accounts", "publish", "pages"}
    assert 0 < sum(stages.values()) <= one(metrics, "tautlog_last_run_duration_seconds")
    for name in ("tautlog_last_run_timestamp_seconds", "tautlog_last_good_run_timestamp_seconds"):
        assert before_s < one(metrics, name) < time.time()
    ((head, _),) = metrics["tautlog_head_info"].items()
    assert dict(head)["run_id"] == ran.json["run_id"]


def test_a_failed_night_tells_its_exit_code_and_keeps_the_age_of_the_last_good_one(
    berth: Berth, tmp_path: Path
) -> None:
    file = tmp_path / "t.prom"
    tautlog("nightly", berth.root, "--metrics", file)
    good = read(file)
    file.unlink()  # the age may not come from the file before
    berth.edit("channels.csv", "H1,tension", "H1,tenson")
    assert tautlog("nightly", berth.root, "--metrics", file).code == 78
    failed = read(file)
    assert one(failed, "tautlog_last_run_exit_code") == 78
    assert one(failed, "tautlog_last_run_timestamp_seconds") > one(good, "tautlog_last_run_timestamp_seconds")
    of_run = {
        "tautlog_last_run_files", "tautlog_last_run_rows", "tautlog_last_run_quarantine_ratio",
        "tautlog_last_run_entries", "tautlog_last_run_events", "tautlog_last_run_stage_seconds",
    }  # fmt: skip
    assert good.keys() - failed.keys() <= of_run
    differ = {"tautlog_last_run_exit_code", "tautlog_last_run_timestamp_seconds", "tautlog_last_run_duration_seconds"}
    still = good.keys() - of_run - differ - {"tautlog_disk_free_bytes"}
    assert "tautlog_last_good_run_timestamp_seconds" in still
    assert {name: good[name] for name in still} == {name: failed[name] for name in still}


def test_a_night_with_nothing_new_is_a_good_one_and_an_ingest_is_none(berth: Berth, tmp_path: Path) -> None:
    file = tmp_path / "t.prom"
    ages = []
    for command in ("nightly", "nightly", "ingest"):
        tautlog(command, berth.root)
        berth.edit("channels.csv", "H1,tension", "H1,tenson")
        tautlog("nightly", berth.root, "--metrics", file)
        berth.edit("channels.csv", "H1,tenson", "H1,tension")
        ages.append(one(read(file), "tautlog_last_good_run_timestamp_seconds"))
    assert ages[0] < ages[1] == ages[2]


def test_a_site_that_never_had_a_good_night_says_0(berth: Berth, tmp_path: Path) -> None:
    berth.edit("channels.csv", "H1,tension", "H1,tenson")
    assert tautlog("nightly", berth.root, "--metrics", tmp_path / "t.prom").code == 78
    metrics = read(tmp_path / "t.prom")
    assert one(metrics, "tautlog_last_good_run_timestamp_seconds") == 0
    assert one(metrics, "tautlog_run_number") == one(metrics, "tautlog_published_run_number") == 0
    assert "tautlog_rows_total" not in metrics
    assert one(metrics, "tautlog_inbox_files") == 1


def test_site_toml_that_cannot_be_read_leaves_the_site_its_label(berth: Berth, tmp_path: Path) -> None:
    berth.night()
    berth.write("site.toml", "[site\n")
    assert tautlog("nightly", berth.root, "--metrics", tmp_path / "t.prom").code == 78
    assert one(read(tmp_path / "t.prom"), "tautlog_last_run_exit_code") == 78


def test_a_folder_gets_one_file_a_site_that_cannot_leave_it(berth: Berth, tmp_path: Path) -> None:
    folder = tmp_path / "m"
    folder.mkdir()
    berth.edit("site.toml", '"b1"', '"../b 1"')
    tautlog("nightly", berth.root, "--metrics", folder)
    assert [path.name for path in folder.iterdir()] == ["tautlog-..%2Fb%201.prom"]


def test_metrics_that_cannot_be_written_fail_a_good_night_after_its_commit(berth: Berth, tmp_path: Path) -> None:
    ran = tautlog("nightly", berth.root, "--metrics", tmp_path / "none" / "t.prom")
    assert ran.code == 74
    assert "the metrics cannot be written" in ran.err
    assert "what the night committed is safe" in ran.err
    assert berth.runs() == 1
    assert berth.findings() != []


def test_lineage_that_cannot_be_written_is_the_exit_code_in_the_metrics_too(berth: Berth, tmp_path: Path) -> None:
    lineage = tmp_path / "none" / "l.jsonl"
    ran = tautlog("nightly", berth.root, "--metrics", tmp_path / "t.prom", "--lineage", lineage)
    assert one(read(tmp_path / "t.prom"), "tautlog_last_run_exit_code") == ran.code == 74


def test_metrics_that_cannot_be_written_do_not_hide_why_a_night_failed(berth: Berth, tmp_path: Path) -> None:
    berth.edit("channels.csv", "H1,tension", "H1,tenson")
    ran = tautlog("nightly", berth.root, "--metrics", tmp_path / "none" / "t.prom")
    assert ran.code == 78
    assert "the metrics cannot be written" in ran.err
    assert ran.err.splitlines()[-1].startswith("tautlog: channels.csv:2")


def test_a_night_with_an_event_a_finding_and_quarantine_writes_every_metric_there_is(
    berth: Berth, tmp_path: Path
) -> None:
    tautlog("nightly", berth.root, "--metrics", tmp_path / "t.prom")
    assert read(tmp_path / "t.prom").keys() == METRICS.keys()


def test_names_say_what_kind_and_unit_they_are() -> None:
    for name, (kind, labels, help_) in METRICS.items():
        assert re.fullmatch(r"tautlog(_[a-z]+)+", name)
        assert name.endswith("_total") == (kind == "counter")
        assert "site" not in labels
        assert help_.endswith(".")


@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")
def test_promtool_finds_nothing_to_say_of_the_text_file(berth: Berth, tmp_path: Path) -> None:
    tautlog("nightly", berth.root, "--metrics", tmp_path / "t.prom")
    with (tmp_path / "t.prom").open() as text:
        done = subprocess.run(
            ["promtool", "check", "metrics"],
            stdin=text, capture_output=True, text=True, check=False, start_new_session=True,
        )  # fmt: skip
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_prometheus_client_is_not_loaded_by_a_night_that_is_not_asked_for_metrics(berth: Berth) -> None:
    script = (
        "import sys; sys.argv = sys.argv[1:]\n"
        "from pipeline.cli import main\n"
        "try: main()\n"
        "except SystemExit as ended: print(ended.code, 'prometheus_client' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "tautlog", "nightly", str(berth.root)],
        capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.stdout.splitlines()[-1] == "1 False"
