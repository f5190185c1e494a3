"""The log of a run, line by line, and its lineage: also of a run that fails."""

import json
import uuid
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlparse

import pytest

from pipeline import cli, manifest, telling
from pipeline.errors import DataError, RegisterError, SiteBusy, StoreError, Terminated, exit_code_of
from pipeline.lock import hold
from tests.cli.command import tautlog
from tests.night.berth import Berth, make_berth, record, values

EVERY_LINE = {"at", "level", "site", "run_id"}


@pytest.fixture
def berth(tmp_path: Path) -> Berth:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    return berth


def lines(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def test_a_log_begins_with_what_runs_and_ends_with_how_it_went(berth: Berth) -> None:
    ran = tautlog("nightly", berth.root, "--through", "2026-03-02", "--json")
    first, *stages, last = lines(ran.err)
    assert (first["begins"], first["options"]) == ("nightly", {"through": "2026-03-02"})
    assert first["program"].startswith("tautlog ")
    assert first["folder"] == str(berth.root)
    assert (last["ends"], last["outcome"], last["exit_code"], last["level"]) == ("nightly", "done", 0, "info")
    assert last["seconds"] >= sum(line["seconds"] for line in stages) > 0
    for line in (first, *stages, last):
        assert line.keys() >= EVERY_LINE
        assert (line["site"], line["run_id"]) == ("b1", ran.json["run_id"])
        assert datetime.fromisoformat(line["at"]).utcoffset() is not None
    times = [line["at"] for line in (first, *stages, last)]
    assert times == sorted(times)


def test_a_night_with_findings_ends_as_a_warning(berth: Berth) -> None:
    (berth.root / "inbox" / "photo.jpg").write_bytes(b"x")
    last = lines(tautlog("nightly", berth.root).err)[-1]
    assert (last["outcome"], last["exit_code"], last["level"]) == ("findings", 1, "warning")


@pytest.mark.parametrize("command", ["nightly", "ingest"])
def test_an_error_is_a_json_line_with_its_message_and_exit_code(berth: Berth, command: str) -> None:
    berth.edit("rigging.csv", "L1,H1", "L1,H3")
    first, last = lines(tautlog(command, berth.root, "--log", "json").err)
    assert first["begins"] == last["ends"] == command
    assert (last["level"], last["outcome"], last["exit_code"]) == ("error", "failed", 78)
    assert last["message"].startswith("rigging.csv:2: unknown channel 'H3'")
    assert first["run_id"] is last["run_id"] is None


def test_an_error_is_plain_for_people_too_unless_every_line_must_be_json(berth: Berth) -> None:
    berth.edit("rigging.csv", "L1,H1", "L1,H3")
    plain = "tautlog: rigging.csv:2: unknown channel 'H3'"
    auto, text = (tautlog("nightly", berth.root, "--log", log).err.splitlines() for log in ("auto", "text"))
    assert [json.loads(line)["level"] for line in auto[:-1]] == ["info", "error"]
    assert auto[-1].startswith(plain)
    assert len(text) == 1
    assert text[0].startswith(plain)


def test_text_is_text_wherever_it_goes(berth: Berth) -> None:
    told = tautlog("nightly", berth.root, "--log", "text").err.splitlines()
    assert [line.split()[0] for line in told] == ["ingest", "sheets", "accounts", "publish", "pages"]


def test_a_bug_is_told_with_its_traceback_in_json(berth: Berth, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended, telling.told("nightly", berth.root, {}, log="json"):
        raise KeyError("something nobody thought of")
    assert ended.value.code == 70
    last = lines(capsys.readouterr().err)[-1]
    assert "Traceback" in last["traceback"]
    assert "something nobody thought of" in last["message"]


def test_a_busy_site_is_told_in_json_and_the_run_that_holds_it_stays(berth: Berth) -> None:
    with hold(berth.root / "run.lock", "nightly", heals=False):
        ran = tautlog("nightly", berth.root, "--log", "json")
    assert ran.code == 75
    assert "another run holds the site" in lines(ran.err)[-1]["message"]


@pytest.mark.parametrize("stop", [KeyboardInterrupt(), Terminated()])
def test_a_stop_from_outside_is_told_as_one_and_not_as_a_bug(
    berth: Berth, capsys: pytest.CaptureFixture[str], stop: BaseException
) -> None:
    with pytest.raises(SystemExit) as ended, telling.told("nightly", berth.root, {}, log="json"):
        raise stop
    last = lines(capsys.readouterr().err)[-1]
    assert ended.value.code == last["exit_code"] == exit_code_of(stop)
    assert "traceback" not in last
    assert last["message"].endswith("what was not committed counts for nothing; next: run again")


@pytest.mark.parametrize(
    "error",
    [
        DataError("x"), StoreError("x"), SiteBusy("x"), RegisterError("x"), OSError(28, "No space left"), KeyError("x"),
        KeyboardInterrupt(), Terminated(),
    ],
)  # fmt: skip
def test_the_exit_code_that_is_told_is_the_one_that_the_command_ends_with(error: BaseException) -> None:
    @cli.tautlog.command("breaks")
    def breaks() -> None:
        raise error

    try:
        assert tautlog("breaks").code == exit_code_of(error)
    finally:
        del cli.tautlog.commands["breaks"]


def events_of(file: Path) -> list[dict[str, Any]]:
    """The events of a file, each held against what OpenLineage 2-0-2 asks of a RunEvent.

    Source: spec/OpenLineage.json of the published specification: required are eventTime (date-time), producer,
    schemaURL (URIs), run.runId (UUID), job.namespace and job.name; datasets need namespace and name; every facet
    _producer and _schemaURL (URIs). OutputStatistics: integers rowCount, size; ErrorMessage: message and
    programmingLanguage.
    """
    events = lines(file.read_text(encoding="utf-8"))
    for event in events:
        assert event["eventType"] in {"START", "RUNNING", "COMPLETE", "ABORT", "FAIL", "OTHER"}
        assert datetime.fromisoformat(event["eventTime"]).utcoffset() is not None
        uuid.UUID(event["run"]["runId"])
        assert all(urlparse(event[key]).scheme for key in ("producer", "schemaURL"))
        assert all(event["job"][key] for key in ("namespace", "name"))
        facets = list(event["run"]["facets"].values())
        for dataset in event["inputs"] + event["outputs"]:
            assert all(dataset[key] for key in ("namespace", "name"))
            facets += dataset.get("outputFacets", {}).values()
        for facet in facets:
            assert all(urlparse(facet[key]).scheme for key in ("_producer", "_schemaURL"))
    return events


def test_lineage_names_the_raw_files_that_went_in_and_the_tables_that_came_out(berth: Berth, tmp_path: Path) -> None:
    file = tmp_path / "lineage.jsonl"
    berth.deliver("hooks_2.csv", values("2026-03-03T06:00", [100.0, 200.0]))
    ran = tautlog("nightly", berth.root, "--lineage", file, "--json")
    start, complete = events_of(file)
    assert [start["eventType"], complete["eventType"]] == ["START", "COMPLETE"]
    assert start["run"]["runId"] == complete["run"]["runId"]
    assert complete["job"] == {"namespace": "b1", "name": "tautlog.nightly"}
    assert [found["name"] for found in complete["inputs"]] == [r["sha256"] for r in ran.json["receipts"]]
    assert len(complete["inputs"]) == 2
    head = manifest.head(berth.root)
    assert head is not None
    wrote = {
        found["name"]: tuple(found["outputFacets"]["outputStatistics"][key] for key in ("rowCount", "size"))
        for found in complete["outputs"]
    }
    assert wrote == {table: (written.rows, written.bytes) for table, written in head.tables.items()}
    assert wrote["receipts"][0] == 2


def test_lineage_of_a_night_with_nothing_new_has_nothing_in_and_out_and_a_run_of_its_own(
    berth: Berth, tmp_path: Path
) -> None:
    file = tmp_path / "lineage.jsonl"
    for _ in range(2):
        tautlog("nightly", berth.root, "--lineage", file)
    events = events_of(file)
    assert [event["eventType"] for event in events] == ["START", "COMPLETE"] * 2
    assert (events[3]["inputs"], events[3]["outputs"]) == ([], [])
    assert len({event["run"]["runId"] for event in events}) == 2


def test_lineage_of_a_night_that_fails_says_why(berth: Berth, tmp_path: Path) -> None:
    file = tmp_path / "lineage.jsonl"
    (berth.root / "store").write_text("in the way")
    assert tautlog("nightly", berth.root, "--lineage", file).code == 74
    start, fail = events_of(file)
    assert (start["eventType"], fail["eventType"]) == ("START", "FAIL")
    assert start["run"]["runId"] == fail["run"]["runId"]
    facet = fail["run"]["facets"]["errorMessage"]
    assert str(berth.root / "store") in facet["message"]
    assert facet["programmingLanguage"] == "PYTHON"


def test_a_run_that_never_had_an_id_has_no_lineage(berth: Berth, tmp_path: Path) -> None:
    berth.edit("rigging.csv", "L1,H1", "L1,H3")
    assert tautlog("nightly", berth.root, "--lineage", tmp_path / "l.jsonl").code == 78
    assert not (tmp_path / "l.jsonl").exists()


def test_lineage_that_cannot_be_written_fails_a_good_night_after_its_commit(berth: Berth, tmp_path: Path) -> None:
    ran = tautlog("nightly", berth.root, "--lineage", tmp_path / "none" / "l.jsonl")
    assert ran.code == 74
    assert "the lineage cannot be written" in ran.err
    assert berth.runs() == 1
