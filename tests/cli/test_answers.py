"""Answers: JSON that holds at least what DESIGN.md lists, and text that says what a figure is."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipeline import render
from tests.cli.command import tautlog
from tests.night.berth import BREAK_FORCE_KN, Berth, log_text, make_berth, record, values

KEYS: dict[tuple[str, ...], tuple[str, ...]] = {
    ("receipts",): ("receipts",),
    ("cycles", "L1"): ("cycles", "residue"),
    ("events",): ("events",),
    ("statement", "L1"): ("line", "opening", "consumed", "pending", "coverage", "basis", "entries"),
    ("status",): ("lines",),
    ("findings",): ("findings",),
    ("balance",): ("calls", "caution"),
    ("episodes",): ("episodes", "events_alone"),
    ("audit",): ("agrees", "differences"),
    ("rebuild",): ("agrees", "differences"),
    ("trace", "E1-1"): ("trace",),
    ("explain", "L1"): ("line", "zone", "day", "constants", "carried", "sheets", "fatigue", "account", "caution"),
}
RECEIPT = (
    "file", "sha256", "layout", "lines", "header", "blank", "ignored", "stored", "duplicate", "quarantined",
    "cells_quarantined", "first_at", "last_at",
)  # fmt: skip
EVENT = ("event", "kind", "line", "channel", "from_at", "to_at", "peak_kn", "peak_at", "peak_pct")
HOSTILE = ("[red]x[/red]", "=1+1", "<script>alert(1)</script>", "a/b", "%s{}", "x'; DROP TABLE entries; --")


def flat(text: str) -> str:
    """A text without its line breaks."""
    return " ".join(text.split())


@pytest.mark.parametrize(("words", "keys"), KEYS.items(), ids=lambda value: " ".join(value))
def test_json_is_an_object_of_version_1_with_the_keys_of_the_design(
    site: Path, words: tuple[str, ...], keys: tuple[str, ...]
) -> None:
    command, *rest = words
    ran = tautlog(command, site, *rest, "--json")
    assert (ran.code, ran.err) == (0, "")
    assert isinstance(ran.json, dict)
    assert ran.json["version"] == 1
    assert set(keys) <= ran.json.keys()


def test_json_of_a_night_and_of_an_ingest(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", values("2026-03-02T06:00", [100.0, 560.0, 90.0]))
    ran = tautlog("ingest", berth.root, "--json")
    assert ran.json["version"] == 1
    (receipt,) = ran.json["receipts"]
    assert set(RECEIPT) <= receipt.keys()
    assert (receipt["first_at"], receipt["last_at"]) == ("2026-03-02T06:00:00Z", "2026-03-02T06:00:04Z")
    ran = tautlog("nightly", berth.root, "--through", "2026-03-02", "--json")
    assert {"version", "run_id", "receipts", "days", "entries_posted", "events", "findings"} <= ran.json.keys()
    assert (ran.json["days"], ran.json["entries_posted"]) == (["2026-03-02"], 1)
    assert [set(EVENT) <= event.keys() for event in ran.json["events"]] == [True]
    ran = tautlog("nightly", berth.root, "--json")
    assert (ran.code, ran.json["run_id"], ran.json["entries_posted"]) == (0, None, 0)
    (told, *_) = tautlog("nightly", berth.root).out.splitlines()
    assert told == "nothing new: no run was committed"


def test_a_night_tells_each_stage_on_stderr_as_one_json_line(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    ran = tautlog("nightly", berth.root, "--json")
    told = [json.loads(line) for line in ran.err.splitlines()]
    assert [line["stage"] for line in told[1:-1]] == ["ingest", "sheets", "accounts", "publish", "pages"]
    assert {line["outcome"] for line in told[1:]} == {"done"}
    assert {line["run_id"] for line in told} == {ran.json["run_id"]}


def test_rows_hold_what_the_design_lists(site: Path) -> None:
    for receipt in tautlog("receipts", site, "--json").json["receipts"]:
        assert set(RECEIPT) <= receipt.keys()
        parts = ("header", "blank", "ignored", "stored", "duplicate", "quarantined")
        assert receipt["lines"] == sum(receipt[name] for name in parts)
    (event,) = tautlog("events", site, "--json").json["events"]
    assert set(EVENT) <= event.keys()
    answer = tautlog("cycles", site, "L1", "--json").json
    assert all({"range_kn", "mean_kn", "from_at", "to_at"} <= cycle.keys() for cycle in answer["cycles"])
    assert all({"kn", "at"} <= point.keys() for point in answer["residue"])
    statement = tautlog("statement", site, "L1", "--json").json
    zones = statement["consumed"]["zones"]
    assert zones.keys() == statement["pending"]["zones"].keys() == {"a", "b"}
    assert all({"fatigue", "total"} <= zone.keys() for zone in zones.values())
    assert statement["consumed"]["worst"] == "a"
    assert {"rigged_s", "observed_s"} <= statement["coverage"].keys()
    assert zones["a"]["total"] == sum(entry["life"] for entry in statement["entries"])
    for line in tautlog("status", site, "--json").json["lines"]:
        assert {"line", "consumed", "pending", "coverage", "last_event", "advice"} <= line.keys()


def test_lives_are_json_numbers_to_the_last_of_thirty_digits(site: Path, berth_asked: Berth) -> None:
    answer = tautlog("statement", site, "L1", "--json")
    (entry,) = answer.json["entries"]
    assert entry["life"] == berth_asked.posted("L1")["a", "2026-03-02"]
    assert isinstance(entry["life"], Decimal)
    assert f'"life": {entry["life"]}' in answer.out


def test_history_has_the_reversal_and_its_reason(site: Path) -> None:
    plain, full = (tautlog("statement", site, "L1", *flags, "--json").json["entries"] for flags in ([], ["--history"]))
    assert len(plain) == 1
    assert [entry["kind"] for entry in full] == ["posting", "reversal", "posting"]
    assert full[1]["reverses"] == full[0]["entry"]
    assert full[1]["life"] == -full[0]["life"]
    assert full[2]["entry"] == plain[0]["entry"]
    text = tautlog("statement", site, "L1", "--history").out
    assert "late or corrected samples" in text


def test_cycles_of_a_span_are_those_that_close_in_it(site: Path) -> None:
    whole = tautlog("cycles", site, "L1", "--json").json["cycles"]
    parts: list[Any] = []
    for span in (["--to", "2026-03-02T06:30:00Z"], ["--from", "2026-03-02T06:30:00Z"]):
        parts += tautlog("cycles", site, "L1", *span, "--json").json["cycles"]
    assert parts == whole
    day = ["--from", "2026-03-02", "--to", "2026-03-02"]  # a day as an end means the whole of it
    assert tautlog("cycles", site, "L1", *day, "--json").json["cycles"] == whole
    assert tautlog("cycles", site, "L1", "--from", "2026-03-03", "--json").json["cycles"] == []


def test_brakes_of_a_berth_without_winches_are_none_and_no_place_is_one(site: Path) -> None:
    answer = tautlog("brakes", site, "--json").json
    assert answer["brakes"] == []
    assert "never replaces" not in answer["caution"]
    assert "nothing here replaces a test" in answer["caution"]
    assert "No winches" in tautlog("brakes", site).out
    refused = tautlog("brakes", site, "--place", "H1")
    assert refused.code == 65
    assert "no winch is at 'H1'" in refused.err


def test_events_can_be_asked_for_by_line_kind_and_time(site: Path) -> None:
    def found(*words: str) -> int:
        return len(tautlog("events", site, *words, "--json").json["events"])

    assert found("--line", "L1") == found("--line", "T1") == found("--kind", "peak-load") == 1  # a tail shares it
    assert found("--line", "L2") == found("--kind", "brake-render") == 0
    assert found("--from", "2026-03-02", "--to", "2026-03-02") == 1
    assert found("--from", "2026-03-02T06:00:00Z") == found("--to", "2026-03-01") == 0


# ------------------------------------------------------------------------------------------- text


def test_text_of_status_and_statement_carries_the_caution_and_calls_the_figure_by_its_name(site: Path) -> None:
    for words in (("status",), ("statement", "L1")):
        text = flat(tautlog(words[0], site, *words[1:]).out)
        assert "supports, and never replaces, inspection" in text
        assert "no low figure is permission to stand in a snap-back zone or to keep a line longer" in text
        assert "severity index" in text
        assert "In no figure: cuts, twist, compression, eyes and splices" in text
        assert "% of life" not in text.replace("never a percent of life", "")


def test_text_of_a_statement_says_what_it_rests_on_and_what_is_unknown(site: Path) -> None:
    text = flat(tautlog("statement", site, "L1").out)
    assert f"break force {BREAK_FORCE_KN} kN (from spec)" in text
    assert "Opening: unknown; service before the first record is in no figure here" in text
    assert 'says of its source: "invented for the test"' in text
    assert "h rigged; what was not observed is not zero" in text


def test_text_of_events_says_what_happened_and_to_inspect(site: Path) -> None:
    text = flat(tautlog("events", site).out)
    assert "loaded to 630 kN, 63.0 % of ship design MBL (limit 50 %)" in text
    assert "After peak-load the line is inspected before it is used again." in text
    assert tautlog("events", site, "--line", "L2").out.strip() == "No events."


def test_text_of_status_says_what_to_do_about_each_line(site: Path) -> None:
    text = tautlog("status", site).out
    assert text.splitlines()[0].startswith("b1, until 2026-03-04T00:00:00Z; worst first")
    assert "inspect before reuse:\n  L1, T1: peak-load, the largest peak-load 630 kN" in text


def test_text_of_every_answer_is_made_of_its_json(site: Path) -> None:
    for words in KEYS:
        command, *rest = words
        ran = tautlog(command, site, *rest)
        assert ran.code == 0
        assert ran.out.strip()
        assert "{" not in ran.out  # no raw structure shines through
        assert "None" not in ran.out or command == "trace"


# ------------------------------------------------------------------------------------------- names that bite


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Lines and hooks with names that markup, spreadsheets, pages, paths, formats and SQL trip over."""
    hooks = [f"H {name}" for name in HOSTILE]
    berth = make_berth(
        tmp_path_factory.mktemp("hostile") / "b",
        [f"{name},H {name},2026-03-02T00:00:00Z,,a,100" for name in HOSTILE],
        hooks=hooks,
        files={"lines.csv": "line,ship,spec,part,in_service\n" + "".join(f"{n},S1,rope,main,\n" for n in HOSTILE)},
    )
    rows = [row for hook in hooks for row in values("2026-03-02T06:00", [100.0, 700.0, 90.0, 300.0, 80.0], hook=hook)]
    (berth.root / "inbox" / "hooks_\x1b[31m[b]\n.csv").write_bytes(log_text(rows))
    assert {found.kind for found in berth.night(through="2026-03-02").findings} == {"spike"}
    return berth


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_id_comes_out_as_it_was_written(hostile: Berth, name: str) -> None:
    root = hostile.root
    assert name in flat(tautlog("status", root).out)
    assert name in flat(tautlog("events", root).out)
    text = tautlog("statement", root, name).out
    assert text.startswith(f"Line {name} (main, rope)")
    answer = tautlog("statement", root, name, "--json").json
    (entry,) = answer["entries"]
    assert (answer["line"], entry["line"]) == (name, name)
    (event,) = tautlog("events", root, "--line", name, "--json").json["events"]
    assert (event["line"], event["channel"], event["place"]) == (name, f"H {name}", f"H {name}")
    (cycle, *_) = tautlog("cycles", root, name, "--json").json["cycles"]
    for ref in (entry["entry"], event["event"], cycle["cycle"]):
        assert tautlog("trace", root, ref).code == 0


def test_a_hostile_site_is_audited_and_stays_inside_its_folder(hostile: Berth) -> None:
    assert tautlog("audit", hostile.root).code == 0
    assert [path.name for path in hostile.root.parent.iterdir()] == [hostile.root.name]


def test_no_control_character_of_a_file_name_reaches_the_terminal(hostile: Berth) -> None:
    entry = next(iter(hostile.posted(HOSTILE[0])))
    assert entry == ("a", "2026-03-02")
    for words in (
        ("receipts",),
        ("trace", tautlog("statement", hostile.root, "=1+1", "--json").json["entries"][0]["entry"]),
    ):
        text = tautlog(words[0], hostile.root, *words[1:]).out
        assert "\x1b" not in text
        assert "hooks_\\x1b[31m[b]\\n.csv" in text or "hooks_\\x1b[31m[b]\n.csv" in text
    (receipt,) = tautlog("receipts", hostile.root, "--json").json["receipts"]
    assert receipt["file"] == "hooks_\x1b[31m[b]\n.csv"  # JSON keeps it, escaped


@pytest.mark.parametrize("columns", ["40", "80", "200"])
def test_no_terminal_is_too_narrow_for_a_figure(site: Path, columns: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    receipts = tautlog("receipts", site, "--json").json["receipts"]
    receipts[0] |= {"file": f"hooks_{'long' * 30}.csv", "stored": 1_234_567_890, "lines": 1_234_567_891}
    text = render.receipts_text({"receipts": receipts})
    assert f"hooks_{'long' * 30}.csv" in text
    assert "1234567890" in text
    for receipt in receipts:
        assert receipt["sha256"][:12] in flat(text)
