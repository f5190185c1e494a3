"""Detection measured on scenarios: by the night's own functions, by rules that cannot flatter; in full by
`make bench-detect`."""

import contextlib
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

import ops.bench_detect as bench
from ops.detect_match import Tally, tallies
from ops.detect_night import Night, night_of
from ops.detect_reach import _times
from ops.detect_table import curve, markdown, misses, quiet, reach, table, timed
from pipeline.cli import tautlog
from pipeline.ledger import index
from pipeline.ledger.database import open_ledger
from pipeline.manifest import canonical_json
from pipeline.night.finding import GAUGES, Finding
from pipeline.night.happenings import row_of
from sample_logs.scenarios import Scenario, Truth, make, write_site
from schemas.times import DAY_US, day_of, day_start_us, us_to_rfc3339
from tests.extent import few

S = 1_000_000
SPIKES = 0
"""A seed of the family tune with spikes of gauges above the limit of a peak-load, and loads above it."""
HAPPENINGS, INSTRUMENTS = 4, 11
"""Seeds of the family tune whose calls have a UTC midnight in them: one of many happenings, one of many faults."""


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return make(HAPPENINGS, family="tune", rate_hz=1.0)


@pytest.fixture(scope="module")
def night(scenario: Scenario) -> Night:
    return night_of(scenario)


@pytest.mark.parametrize("seed", few([INSTRUMENTS, HAPPENINGS], 1))
def test_a_whole_night_over_the_logs_tells_the_same_events_and_findings_digit_for_digit(
    seed: int, tmp_path: Path
) -> None:
    scenario = make(seed, family="tune", rate_hz=1.0)
    night = night_of(scenario)
    root = tmp_path / "site"
    write_site(scenario, root)
    result = CliRunner().invoke(tautlog, ["nightly", str(root), "--json"], catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    with open_ledger(root) as ledger:
        stored = {name: canonical_json(row_of(event)) for name, event in index.events(ledger).items()}
        told = {(f.kind, f.subject, f.text, canonical_json(dict(f.evidence))) for f in index.findings(ledger).values()}
    assert stored == {row["event"]: canonical_json(row) for row in night.events}
    assert len({row["kind"] for row in night.events}) >= 4
    assert len({row["from_us"] // DAY_US for row in night.events}) == 2
    mine = {(f.kind, f.subject, f.text, canonical_json(dict(f.evidence))) for f in night.findings}
    assert len(mine) > 0
    # What accounts say of a rope's curve is no matter of detection, and not reckoned here.
    assert {one for one in told if not one[0].endswith(("outside-curve", "outside-fit"))} == mine


def _counted(scenario: Scenario, night: Night, truths: list[Truth], events: list[dict[str, Any]]) -> dict[str, Tally]:
    none = replace(night, events=events, findings=[], tending=[], verdicts={})
    return tallies(replace(scenario, truth=tuple(truths)), none)


def _truth(scenario: Scenario, from_s: int, to_s: int, *, near: bool = False, **detail: object) -> Truth:
    line = scenario.berth.lines[0]
    at_us = scenario.phase_us[0]
    return Truth("slack", line.line, line.channel, at_us + from_s * S, at_us + to_s * S, None, None, detail, near)


def _event(scenario: Scenario, from_s: int, to_s: int, row: int = 0) -> dict[str, Any]:
    at_us = scenario.phase_us[0] // 1000 * 1000
    recorded = scenario.recorded[scenario.berth.lines[row].channel]
    begin, end = recorded.at_us.searchsorted([at_us + from_s * S, at_us + to_s * S + 1])
    line = scenario.berth.lines[row]
    low = begin + int(((recorded.values[begin:end] - line.zero_kn) * line.gain).argmin())
    kn = float((recorded.values[low] - line.zero_kn) * line.gain)
    payload = {"lowest_kn": kn, "lowest_at": us_to_rfc3339(int(recorded.at_us[low]) // 1000 * 1000)}
    return {"kind": "slack", "line": line.line, "from_us": at_us + from_s * S, "to_us": at_us + to_s * S,
            "peak_kn": kn, "peak_us": int(recorded.at_us[low]), "payload": payload}  # fmt: skip


def test_spikes_above_the_limit_are_peak_loads_by_definition_and_told_as_spikes() -> None:
    spiky = make(SPIKES, family="tune", rate_hz=1.0)
    tally = tallies(spiky, night_of(spiky))["peak-load"]
    assert tally.words["spike", "spike"] >= 3
    assert tally.words["load", "load"] >= 1
    assert (tally.words["spike", "load"], tally.words["load", "spike"], tally.false) == (0, 0, 0)


def test_two_events_beside_one_truth_are_a_hit_and_a_false_alarm(scenario: Scenario, night: Night) -> None:
    events = [_event(scenario, 100, 110), _event(scenario, 112, 120)]
    (tally,) = _counted(scenario, night, [_truth(scenario, 100, 120)], events).values()
    assert (tally.true, tally.hits, tally.false) == (1, 1, 1)


def test_one_event_over_two_truths_is_a_hit_and_a_miss(scenario: Scenario, night: Night) -> None:
    truths = [_truth(scenario, 100, 110), _truth(scenario, 125, 140)]
    (tally,) = _counted(scenario, night, truths, [_event(scenario, 100, 140)]).values()
    assert (tally.true, tally.hits, tally.false) == (2, 1, 0)


def test_an_event_on_another_line_or_at_another_time_is_a_false_alarm_and_the_truth_a_miss(
    scenario: Scenario, night: Night
) -> None:
    truths = [_truth(scenario, 100, 110)]
    elsewhere = [_event(scenario, 100, 110, row=1), _event(scenario, 300, 310)]
    (tally,) = _counted(scenario, night, truths, elsewhere).values()
    assert (tally.true, tally.hits, tally.false) == (1, 0, 2)


def test_a_truth_near_a_threshold_counts_neither_way(scenario: Scenario, night: Night) -> None:
    near = [_truth(scenario, 100, 110, near=True)]
    (found,) = _counted(scenario, night, near, [_event(scenario, 100, 110)]).values()
    (not_found,) = _counted(scenario, night, near, []).values()
    for tally in (found, not_found):
        assert (tally.true, tally.hits, tally.false, tally.borderline) == (0, 0, 0, 1)


def test_what_is_told_of_both_lines_of_a_hook_is_one_event_whichever_was_lost(scenario: Scenario, night: Night) -> None:
    first, second, *others = scenario.berth.lines
    beside = replace(second, place=first.place, share=0.5)
    berth = replace(scenario.berth, lines=(replace(first, share=0.5), beside, *others))
    hook = replace(scenario, berth=berth)
    rows = [
        {**_event(scenario, 100, 101), "kind": "load-loss", "line": line, "channel": first.channel}
        for line in (first.line, second.line)
    ]
    lost = replace(_truth(scenario, 100, 101), kind="load-loss", line=second.line)
    (tally,) = _counted(hook, night, [lost], rows).values()
    assert (tally.true, tally.hits, tally.false) == (1, 1, 0)


def _stuck_day(scenario: Scenario, day_us: int) -> Finding:
    line = scenario.berth.lines[0]
    day = day_of(day_us)
    return Finding("flat-line", line.channel, "warning", "", scope=f"day:{line.place}:{day}")


def test_of_a_gauge_stuck_over_a_midnight_a_finding_of_each_day_is_one_hit_and_one_of_another_day_is_false(
    scenario: Scenario, night: Night
) -> None:
    line = scenario.berth.lines[0]
    midnight = day_start_us(day_of(scenario.phase_us[1]))
    stuck = Truth("stuck", line.line, line.channel, midnight - 600 * S, midnight + 600 * S)

    def counted(truth: Truth, *days_us: int) -> tuple[int, int, int, int]:
        findings = [_stuck_day(scenario, day_us) for day_us in days_us]
        told = replace(night, events=[], findings=findings, tending=[], verdicts={})
        tally = tallies(replace(scenario, truth=(truth,)), told)["stuck"]
        return tally.true, tally.hits, tally.false, tally.left_out

    assert counted(stuck, midnight - 1, midnight) == (1, 1, 0, 1)
    assert counted(stuck, midnight) == (1, 1, 0, 0)
    assert counted(stuck, midnight - 1, midnight, midnight + DAY_US) == (1, 1, 1, 1)
    before = replace(stuck, to_us=midnight - 1)
    assert counted(before, midnight - 1, midnight) == (1, 1, 1, 0)
    assert counted(before, midnight) == (1, 0, 1, 0)
    assert counted(before, midnight - 1, midnight - 1) == (1, 1, 1, 0)


def test_each_verdict_of_a_brake_has_a_row_of_its_own(scenario: Scenario, night: Night) -> None:
    lines = scenario.berth.lines[:4]
    said = ["as set", "renders late", None, "as set"]
    verdicts = {line.place: word for line, word in zip(lines, said, strict=True)}
    truths = tuple(
        Truth("brake", line.line, line.channel, 0, 1, detail={"verdict": "as set"}, borderline=row == 3)
        for row, line in enumerate(lines)
    )
    told = replace(night, events=[], findings=[], tending=[], verdicts=verdicts)
    found = tallies(replace(scenario, truth=truths), told)
    counts = {kind: (one.true, one.hits, one.false, one.borderline) for kind, one in found.items()}
    assert counts == {
        "brake": (3, 1, 2, 1),
        "brake: as set": (3, 1, 0, 1),
        "brake: renders late": (0, 0, 1, 0),
    }


def test_recall_stands_against_size() -> None:
    tally = Tally(true=10, hits=5, sizes=[(float(size), size >= 5) for size in range(10)])
    text = curve(tally, 2.0, "surge")
    assert text.count("recall") == 6
    assert "0.0 to    1.0 %:     2 true, recall 0.0000" in text
    assert "8.0 to    9.0 %:     2 true, recall 1.0000" in text
    assert curve(Tally(true=1, sizes=[(1.0, True)]), 2.0, "surge") == ""


def test_where_edges_are_not_sure_one_may_be_told_as_two_and_two_as_one(scenario: Scenario, night: Night) -> None:
    one = [_truth(scenario, 100, 120, edges_sure=False)]
    (split,) = _counted(scenario, night, one, [_event(scenario, 100, 108), _event(scenario, 112, 120)]).values()
    assert (split.true, split.hits, split.false, split.left_out) == (1, 1, 0, 1)
    two = [_truth(scenario, 100, 110, edges_sure=False), _truth(scenario, 125, 140, edges_sure=False)]
    (whole,) = _counted(scenario, night, two, [_event(scenario, 100, 140)]).values()
    assert (whole.true, whole.hits, whole.false, whole.left_out) == (1, 1, 0, 1)


def test_an_onset_is_off_by_readings_beyond_what_noise_may_do(scenario: Scenario, night: Night) -> None:
    event = [_event(scenario, 103, 120)]
    (exact,) = _counted(scenario, night, [_truth(scenario, 103, 120)], event).values()
    (late,) = _counted(scenario, night, [_truth(scenario, 100, 120)], event).values()
    (noisy,) = _counted(scenario, night, [_truth(scenario, 100, 120, onset_tolerance_us=2 * S)], event).values()
    assert exact.onset[0] < 0.01
    assert late.onset[0] == pytest.approx(3.0, abs=0.01)
    assert noisy.onset[0] == pytest.approx(1.0, abs=0.01)


def test_a_peak_that_is_not_the_least_reading_of_a_slack_line_is_not_exact(scenario: Scenario, night: Night) -> None:
    truths, event = [_truth(scenario, 100, 120)], _event(scenario, 100, 120)
    (exact,) = _counted(scenario, night, truths, [event]).values()
    assert exact.inexact == 0
    off = {**event, "payload": {**event["payload"], "lowest_kn": event["payload"]["lowest_kn"] + 0.001}}
    (wrong,) = _counted(scenario, night, truths, [off]).values()
    assert wrong.inexact == 1


def test_what_is_over_before_the_next_reading_counts_neither_way_at_that_rate(scenario: Scenario, night: Night) -> None:
    (short,) = _counted(scenario, night, [_truth(scenario, 100, 101, lasts_s=0.9)], []).values()
    (long,) = _counted(scenario, night, [_truth(scenario, 100, 101, lasts_s=1.0)], []).values()
    assert (short.true, short.borderline) == (0, 1)
    assert (long.true, long.borderline) == (1, 0)


def test_of_two_clocks_that_stand_apart_undecided_either_may_be_the_wrong_one_and_a_third_is_a_false_alarm(
    scenario: Scenario, night: Night
) -> None:
    def counted(logger: str, *, undecided: bool) -> tuple[int, int, int]:
        detail = {"logger": logger, "channels": ""}
        truth = Truth("clock-offset", "", "", 0, 0, None, None, detail, False)
        evidence = {"channels": [], "against": ["b"], "undecided": undecided}
        said = Finding("clock-offset", "a", "warning", "", scope=GAUGES, evidence=evidence)
        of = replace(night, events=[], findings=[said], tending=[], verdicts={})
        tally = tallies(replace(scenario, truth=(truth,)), of)["clock-offset"]
        return tally.true, tally.hits, tally.false

    assert counted("a", undecided=True) == counted("b", undecided=True) == (1, 1, 0)
    assert counted("c", undecided=True) == (1, 0, 1)
    assert counted("b", undecided=False) == (1, 0, 1)


def test_truth_near_a_threshold_takes_only_what_a_sure_one_leaves(scenario: Scenario, night: Night) -> None:
    truths = [_truth(scenario, 100, 120, onset_tolerance_us=10 * S), _truth(scenario, 95, 97, near=True)]
    (tally,) = _counted(scenario, night, truths, [_event(scenario, 95, 120)]).values()
    assert (tally.true, tally.hits, tally.false) == (1, 1, 0)


def test_reach_is_told_by_crests_and_by_tension_lost() -> None:
    tally = Tally(reach=[(3, 4.0, True), (5, 4.9, False), (12, 30.0, True), (2, 1.0, False)])
    head, columns, *rows = reach(tally, 2.0).splitlines()
    assert head.startswith("on our simulator: brake-render no payout at 2 Hz")
    assert columns.endswith("from 20")
    assert [row.split() for row in rows][1] == ["3", "to", "5", "-", "0.50", "(2)", "-", "-", "-"]


def test_snap_loads_found_are_told_by_how_far_within_the_limit_their_rise_was() -> None:
    text = timed(Tally(timed=[(0.12, False), (0.12, True), (0.25, True), (1.0, True)]), 1.0)
    assert text.startswith("on our simulator: snap-load at 1 Hz")
    assert "0 to 0.15 s 0.50 (2), 0.15 to 0.2 s -, 0.2 to 0.3 s 1.00 (1)" in text
    assert text.endswith("from 0.4 s 1.00 (1)")


def test_a_table_says_what_was_missed_and_a_kind_that_reached_all_misses_nothing() -> None:
    good = Tally(true=200, hits=197, false=3, onset=[0.2] * 197, peak=[0.1] * 197)
    assert misses("slack", good, 10.0) == []
    assert misses("slack", replace(good, hits=195), 10.0) == ["recall"]
    assert misses("slack", replace(good, hits=195), 1.0) == []
    assert misses("slack", replace(good, false=5), 2.0) == ["precision"]
    assert misses("slack", replace(good, onset=[0.2] * 180 + [1.1] * 17), 2.0) == ["onset"]
    assert misses("slack", replace(good, inexact=1), 2.0) == ["peak"]
    assert misses("slack", replace(good, true=199), 2.0) == ["only 199 true"]
    assert misses("gross-range", Tally(false=1), 2.0) == ["false alarms"]
    text, missed = table({"slack": good, "snap-load": Tally(true=200)}, 10.0, 1, "tune")
    assert text.startswith("on our simulator: 1 scenarios of family tune, 10 Hz")
    assert missed == ["snap-load at 10 Hz: recall, precision"]
    assert "MISSED recall, precision" in text.splitlines()[-1]


def test_the_markdown_table_has_each_rate_beside_the_other() -> None:
    text = markdown({10.0: {"slack": Tally(true=4, hits=3, false=1, borderline=2), "rate": Tally(false=1)}, 1.0: {}})
    assert text.splitlines() == [
        "| kind | true | near | 10 Hz | 1 Hz |",
        "|---|---|---|---|---|",
        "| slack | 4 | 2 | 0.750 / 0.750 | - / - |",
    ]


def test_one_false_alarm_in_quiet_days_is_a_miss_and_is_named() -> None:
    assert quiet({}, 3000.4, 273, 3000)[1] == []
    assert quiet({}, 2999.0, 273, 3000)[1] != []
    alarm = Tally(false=1, examples=[("false", "quiet", 7, "L03", 0)])
    text, missed = quiet({"surge": alarm}, 3000.4, 273, 3000)
    assert missed == ["quiet days: 1 false alarms"]
    assert "surge: quiet 7 L03" in text


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The file of a short run, and what that run printed."""
    path, out = tmp_path_factory.mktemp("kept") / "run.jsonl", io.StringIO()
    with contextlib.redirect_stdout(out):
        bench.main(["--short", "--keep", str(path)])
    return path, out.getvalue()


def test_the_short_form_prints_every_table(kept: tuple[Path, str]) -> None:
    text = kept[1]
    assert "on our simulator: 1 scenarios of family report, 1 Hz" in text
    assert "on our simulator: load-loss at 1 Hz, truth down, told across" in text
    assert "quiet line-days (1 berth days, 10 Hz)" in text
    assert "peak-load" in text


def test_a_run_that_was_kept_prints_the_same_again_without_running_but_for_a_line_that_broke_off(
    kept: tuple[Path, str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, text = kept
    again = tmp_path / "again.jsonl"
    again.write_text(path.read_text() + path.read_text()[:100])
    monkeypatch.setattr(bench, "make", None)  # nothing can be made
    bench.main(["--short", "--keep", str(again), "--kept-only"])
    assert capsys.readouterr().out == text
    bench.main(["--short", "--keep", str(again)])
    assert capsys.readouterr().out == text
    assert again.read_text() == path.read_text()
    bench.main(["--short", "--keep", str(tmp_path / "none.jsonl"), "--kept-only", "--quiet-days", "0"])
    assert "0 scenarios of family report" in capsys.readouterr().out


def test_json_tells_the_same_counts_and_one_kind_alone_can_be_asked_for(
    kept: tuple[Path, str], capsys: pytest.CaptureFixture[str]
) -> None:
    bench.main(["--short", "--keep", str(kept[0]), "--kept-only", "--json", "--only", "slack"])
    answer = json.loads(capsys.readouterr().out)
    assert answer["head"] == "on our simulator"
    assert set(answer["1 Hz"]) == {"slack"}
    assert answer["1 Hz"]["slack"]["hits"] <= answer["1 Hz"]["slack"]["true"]


def test_metres_paid_out_stand_out_of_the_fit_where_they_lowered_the_tension_and_else_do_not(
    scenario: Scenario,
) -> None:
    lines = [
        replace(scenario.berth.lines[0], line=f"L{row}", place=f"W{row}", tells=("payout",) if row == 1 else ())
        for row in range(3)
    ]
    rng = np.random.default_rng(1)
    span = np.arange(60)
    beside = [0.2 + 0.05 * np.sin(span / 3 + row) for row in range(3)]
    paid = np.zeros((3, 60))
    paid[0] = np.clip((span - 25) * 0.05, 0.0, 0.5)
    noise = 0.001 * rng.standard_normal((3, 60))
    plain = 0.5 * beside[1] + 0.3 * beside[2] + noise[0]
    other = [np.stack([one + noise[row], one]) for row, one in enumerate(beside)]

    def times(own: NDArray[np.float64], *, told: bool = False) -> float:
        return _times(0, lines, [np.stack([own, own]), *other[1:]], paid, span, told=told)

    assert times(plain - 0.2 * paid[0]) > 8.0
    assert abs(times(plain)) < 4.0
    # A neighbour that pays out too, later, hides it; its recorded payout brings it out again.
    paid[1] = np.clip((span - 30) * 0.05, 0.0, 0.5)
    other[1] = other[1] - 0.4 * paid[1]
    own = plain - 0.2 * paid[0]
    assert times(own, told=True) > 8.0 > times(own)
