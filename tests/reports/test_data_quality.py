"""The page of the data: receipts that add up, quarantine shown as text, coverage as the statement has it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from html import unescape
from pathlib import Path

import pytest

from pipeline.ledger import index
from pipeline.ledger.account import last_site
from pipeline.ledger.database import open_published
from pipeline.reports import data_quality
from pipeline.reports.coverage import Cover, coverage_view
from pipeline.reports.data_quality_view import COUNTS, calibrations_view, clocks_view, rates_view, receipts_view
from pipeline.reports.making import common_of
from pipeline.reports.quarantined import bytes_text, quarantine_view
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.writing import page_html
from schemas.times import rfc3339_us
from tests.night.berth import Berth, make_berth, record
from tests.reports.happened import DAY, GAP, HOSTILE, SHORT, make_happened


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Only asked, never changed."""
    return make_happened(tmp_path_factory.mktemp("quality") / "b")


@pytest.fixture(scope="module")
def snapshot(berth: Berth) -> Iterator[Snapshot]:
    with Snapshot(open_published(berth.root)) as opened:
        yield opened


@pytest.fixture(scope="module")
def html(snapshot: Snapshot) -> str:
    [page] = data_quality.pages(snapshot)
    return page_html(page, common_of(snapshot, [page]))


def test_receipts_add_up_and_their_sums_are_those_of_json(snapshot: Snapshot, html: str) -> None:
    view = receipts_view(snapshot.receipts)
    for name in ("lines", *COUNTS):
        assert view["all"][name].value == sum(one[name] for one in snapshot.receipts)
    # Three files of 10,654, 10,801 and 2 lines, counted by hand: see `happened.py`.
    assert view["all"]["lines"].value == (1 + 10_650 + 3) + (1 + 10_800) + 2
    assert all(one["adds_up"] for one in (view["all"], *view["layouts"], *view["files"]))
    assert "lines: it adds up." in " ".join(_text(html).split())


def test_a_receipt_that_does_not_add_up_is_said_to_be_wrong(snapshot: Snapshot) -> None:
    wrong = {**snapshot.receipts[0], "stored": snapshot.receipts[0]["stored"] + 1}
    view = receipts_view([wrong])
    assert not view["all"]["adds_up"]
    assert not view["files"][0]["adds_up"]


def test_quarantine_is_told_by_reason_and_agrees_with_the_receipts(snapshot: Snapshot) -> None:
    view = quarantine_view(snapshot.site, list(index.receipts(snapshot.ledger).values()))
    assert view["rows"].value == sum(one["quarantined"] for one in snapshot.receipts) == 2
    assert view["cells"].value == sum(one["cells_quarantined"] for one in snapshot.receipts)
    assert {one["reason"] for one in view["reasons"]} == {"field-count", "undecodable"}
    [short] = [one for one in view["reasons"] if one["reason"] == "field-count"]
    assert [one["bytes"] for one in short["examples"]] == [SHORT.decode().rstrip("\n")]
    assert short["examples"][0]["line"] == 10_653


def test_hostile_bytes_of_a_quarantined_row_stand_there_as_text(html: str) -> None:
    assert "<script>alert" not in html
    assert bytes_text(HOSTILE.rstrip(b"\n")) in unescape(html)
    assert "\x1b" not in html


def test_bytes_as_text_obey_nobody_and_can_be_read_back() -> None:
    raw = bytes(range(256))[:150]
    shown = bytes_text(raw)
    assert shown.isascii()
    assert shown.isprintable()
    back = re.sub(rb"\\x([0-9a-f]{2})", lambda found: bytes.fromhex(found[1].decode()), shown.encode())
    assert back == raw


def test_coverage_of_a_channel_is_that_of_its_lines_statement(snapshot: Snapshot) -> None:
    view = coverage_view(snapshot.ledger, snapshot.site)
    assert view is not None
    channels = {one["channel"]: one for one in view["channels"]}
    for line, hook in (("L1", "H1"), ("L2", "H2")):
        told = snapshot.statement(line)["coverage"]
        assert channels[hook]["rigged"].value == told["rigged_s"]
        assert channels[hook]["observed"].value == told["observed_s"]
    # Of six hours of H1, up to the latest sample, five minutes are missing from the full ten minutes on, with whose end
    # a sample's standing ends too.
    assert channels["H1"]["rigged"].value == 6 * 3600 - 2
    assert channels["H1"]["observed"].value == 6 * 3600 - 2 - (GAP[1] - GAP[0]) // 1_000_000
    assert channels["H1"]["last_read"] == DAY


def test_lines_that_share_a_hook_alike_are_one_stretch_of_its_channel(tmp_path: Path) -> None:
    shared = make_berth(tmp_path / "b", ("L1,H1,2026-03-01T12:00:00Z,,a,50", "L2,H1,2026-03-01T15:00:00Z,,a,50"))
    for day in ("2026-03-02", "2026-03-03"):
        shared.deliver(f"hooks_{day}.csv", record(f"{day}T00:00", 200))
    shared.night(through="2026-03-03")
    with open_published(shared.root) as ledger:
        view = coverage_view(ledger, last_site(ledger))
    assert view is not None
    [hook] = [one for one in view["channels"] if one["channel"] == "H1"]
    # By hand: the first day each from when it was rigged, 12 and 9 hours; both full days once.
    assert hook["rigged"].value == (12 + 9 + 24 + 24) * 3600


@pytest.mark.parametrize(
    ("rigged_s", "observed_s", "read", "grade"),
    [
        (0, 0, False, "empty"),
        (0, 0, True, "bare"),
        (100, 0, True, "none"),
        (100, 49, True, "low"),
        (100, 50, True, "part"),
        (100, 90, True, "most"),
        (100, 98, True, "most"),
        (100, 99, True, "all"),
        (100, 100, True, "all"),
    ],
)
def test_a_day_is_graded_by_how_much_of_its_rigged_time_was_observed(
    rigged_s: int, observed_s: int, read: bool, grade: str
) -> None:
    assert Cover(rigged_s, observed_s, read).grade == grade


def test_conflicts_name_the_files_that_differ(html: str) -> None:
    section = _text(html).partition("Conflicts")[2]
    assert "hooks_3.csv" in section
    assert "hooks_2.csv" in section


def test_rate_verdicts_are_those_of_sampling(snapshot: Snapshot, html: str) -> None:
    for one in snapshot.sampling["channels"]:
        assert one["words"] in unescape(html)
        for key in ("rate_hz", "shortfall_pct", "at_least_pct"):
            if one[key] is not None:
                assert f'value="{one[key]!r}"' in html
    order = [one["outcome"] for one in rates_view(snapshot.sampling)["channels"]]
    assert order == sorted(order, key=("too slow", "cannot be told", "fast enough").index)


def test_every_finding_is_listed_with_its_text(snapshot: Snapshot, html: str) -> None:
    assert snapshot.findings
    for one in snapshot.findings:
        assert one["text"] in unescape(html)
        assert one["finding"] in html


def test_clocks_keep_offset_and_pairs_to_the_last_digit() -> None:
    pair = {"first": "a", "second": "b", "offset_s": 1.25, "uncertainty_s": 0.05, "shared": 0.5, "windows": 8}
    evidence = {"offset_s": 114.17653790665013, "channels": ["H9"], "against": ["a"], "pairs": [pair]}
    found = {
        "finding": "F1",
        "kind": "clock-offset",
        "subject": "b",
        "text": "its clock is ahead",
        "evidence": evidence,
    }
    [told] = clocks_view([found, {**found, "kind": "conflict"}])
    assert told["offset"].exact == "114.17653790665013"
    assert told["pairs"][0]["windows"].value == 8


def test_a_day_that_is_due_counts_wholly_as_in_time(berth: Berth, tmp_path_factory: pytest.TempPathFactory) -> None:
    later = berth.copy(tmp_path_factory.mktemp("due") / "b")
    later.write(
        "calibrations.csv",
        "channel,from,zero_kn,gain,uncertainty_pct,due,certificate\n"
        f"H1,2026-01-01T00:00:00Z,0,1,1,{DAY},invented\nH2,2026-01-01T00:00:00Z,0,1,1,2026-03-01,<b>old</b>\n",
    )
    later.night()
    with Snapshot(open_published(later.root)) as opened:
        horizon_us = opened.horizon_us
        rows = {row["channel"]: row for row in calibrations_view(opened.site, horizon_us)}
        [page] = data_quality.pages(opened)
        shown = page_html(page, common_of(opened, [page]))
    assert horizon_us == rfc3339_us(f"{DAY}T11:59:58Z")
    assert (rows["H1"]["overdue"], rows["H2"]["overdue"]) == (False, True)
    # From 11:59:58 to the midnight that ends 1 March: half a day and two seconds too late.
    assert Decimal(rows["H2"]["days_left"].exact) == pytest.approx(Decimal(-(12 * 3600 - 2)) / 86_400)
    assert "<b>old</b>" not in shown
    assert "&lt;b&gt;old&lt;/b&gt;" in shown


def test_the_calendar_draws_each_run_of_days_once(snapshot: Snapshot) -> None:
    view = coverage_view(snapshot.ledger, snapshot.site)
    assert view is not None
    assert (view["first"], view["last"], view["days"]) == (DAY, DAY, 1)
    assert date.fromisoformat(view["first"]) == date(2026, 3, 2)
    [path] = view["channels"][0]["paths"]
    assert path == {"grade": "most", "d": f"M0 0h{view['cell']}"}


def _text(html: str) -> str:
    return unescape(re.sub(r"<[^>]+>", " ", html)).replace("\N{NARROW NO-BREAK SPACE}", "")
