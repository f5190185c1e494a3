"""A whole incident, from raw logs through a night to the record: truth inside intervals, figures that can be walked."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from ops.incident_memory import records_of
from pipeline.errors import DataError, RegisterError
from pipeline.incident import make_incident
from pipeline.incident.record import Figure, Happening, Incident, as_json, figures
from pipeline.incident.times import times_of
from pipeline.ledger.database import Ledger
from sample_logs.scenarios.incident import IncidentCase
from tests.incident.conftest import WINDOW_MIN

WEAR_WORDS = re.compile(r"\b(life|severity|fatigue|creep|abrasion|strength left|wear)\b", re.IGNORECASE)
PERSONS = re.compile(r"\b(person|crew|operator|snap-?back|safe zone|stood|standing)\b", re.IGNORECASE)


def losses(incident: Incident) -> dict[str, Happening]:
    """Those of the window: at the end of the call hooks let lines go under load."""
    found = [one for one in incident.part_a.sequence if one.kind == "load-loss" and one.in_window]
    return {one.line: one for one in found if one.line is not None}


def test_every_true_loss_is_told_inside_its_interval_and_no_other(case: IncidentCase, incident: Incident) -> None:
    found = losses(incident)
    assert set(found) == {one.line for one in case.losses}
    for true in case.losses:
        told = found[true.line]
        assert told.raw_from_us - 1_000_000 <= true.unloaded_us <= told.raw_to_us
    instant = incident.part_a.instant
    assert instant.low is not None
    assert instant.high is not None
    assert instant.low <= case.losses[0].unloaded_us <= instant.high


def test_the_first_line_to_go_is_named_and_orders_of_losses_are_true(case: IncidentCase, incident: Incident) -> None:
    assert incident.part_a.first_to_go == case.losses[0].line
    number = {one.number: one for one in losses(incident).values()}
    claimed = [o for o in incident.part_a.orders if o.known and {o.first, o.second} <= set(number)]
    assert len(claimed) == 1
    assert [number[claimed[0].first].line, number[claimed[0].second].line] == [one.line for one in case.losses]


def test_offsets_of_all_loggers_hold_the_true_ones(case: IncidentCase, incident: Incident) -> None:
    told = {clock.logger: clock.offset for clock in incident.part_a.clocks if not clock.is_reference}
    known = {logger: offset for logger, offset in told.items() if logger in case.clocks}
    assert len(known) == len(case.clocks) - 1
    for logger, offset in known.items():
        true_s = case.offset_s(logger, incident.reference_logger)
        assert offset.low is not None
        assert offset.high is not None
        # Twice the interval: of three intervals of 95 % one in seven incidents misses one.
        wide = offset.high - offset.low
        assert offset.low - wide / 2 <= true_s <= offset.high + wide / 2


def test_the_same_comes_out_without_text_store_and_ledger(case: IncidentCase, incident: Incident) -> None:
    site, records = records_of(case)
    lost = case.losses[0]
    times = times_of(records, lost.line, lost.unloaded_us + 5_000_000, site.policy)
    assert times.chosen is not None
    assert (times.chosen.low_us, times.chosen.best_us, times.chosen.high_us) == (
        incident.part_a.instant.low,
        incident.part_a.instant.value,
        incident.part_a.instant.high,
    )
    for clock in incident.part_a.clocks:
        fitted = times.fitted(clock.logger)
        if fitted is not None:
            # Flags take a few readings out, so that channels of a window may differ.
            assert fitted.offset_s == pytest.approx(clock.offset.value, abs=0.05)


def test_the_same_question_gives_the_same_record_to_the_last_bit(
    case: IncidentCase, ledger: Ledger, incident: Incident
) -> None:
    lost = case.losses[0]
    again = make_incident(ledger, line=lost.line, at_us=lost.unloaded_us + 5_000_000, window_min=WINDOW_MIN)
    assert json.dumps(as_json(again), allow_nan=False) == json.dumps(as_json(incident), allow_nan=False)


def test_every_number_is_given_once_and_every_number_cited_is_given(incident: Incident) -> None:
    own = [one.number for one in figures(incident)]
    assert len(own) == len(set(own))
    assert len({one.key for one in figures(incident)}) == len(own)
    given = set(own) | {one["number"] for one in _with_number(as_json(incident))}
    for one in figures(incident):
        assert set(one.of_figures) <= given
    a, b = incident.part_a, incident.part_b
    cited = [n for doubt in a.doubts for n in doubt.figures] + [n for o in a.orders for n in (o.first, o.second)]
    cited += [s.of_figure for s in b.sensitivity]
    cited += [n for e in b.explanations for point in (*e.shows_for, *e.shows_against) for n in point.figures]
    assert len(cited) > 50
    assert set(cited) <= given


def _with_number(found: Any) -> list[dict[str, Any]]:
    out = []
    if isinstance(found, dict):
        out += [found] if "number" in found else []
        for value in found.values():
            out += _with_number(value)
    elif isinstance(found, list):
        for value in found:
            out += _with_number(value)
    return out


def test_part_a_has_no_figure_of_wear_and_each_part_its_own_numbers(incident: Incident) -> None:
    for one in figures(incident.part_a):
        assert one.number.startswith("A-")
        assert WEAR_WORDS.search(f"{one.what} {one.how} {one.unit}") is None, one
    assert all(one.number.startswith("B-") for one in figures(incident.part_b))


def test_nothing_is_said_of_persons_places_to_stand_or_a_cause(incident: Incident) -> None:
    # The caution beside every figure warns of such places, and that is all that may name them.
    told = as_json(incident)
    for part in (told["part_a"], told["part_b"]):
        part["caution"] = ""
    text = json.dumps(told)
    assert PERSONS.search(text) is None
    assert incident.part_b.no_verdict.startswith("No cause is named")
    assert len(incident.part_b.explanations) == 14
    assert all(one.cannot_show for one in incident.part_b.explanations)


def test_a_figure_without_a_value_says_why_and_one_with_a_value_how(incident: Incident) -> None:
    for one in figures(incident):
        assert (one.value is None) == (one.not_known is not None), one
        assert one.how
        if one.low is not None and one.high is not None and isinstance(one.value, int | float):
            assert one.low <= one.value <= one.high, one


def test_every_reference_is_the_raw_line_that_it_names(site: Path, incident: Incident) -> None:
    lines: dict[str, list[str]] = {}
    walked = 0
    for figure in figures(incident):
        for ref in figure.refs:
            if ref.sha256 not in lines:
                lines[ref.sha256] = (site / "raw" / ref.sha256).read_text().splitlines()
            at_ms, value = lines[ref.sha256][ref.line_no - 1].split(",")
            assert int(at_ms) * 1000 == ref.raw_us
            assert float(value) == ref.value
            walked += 1
    assert walked > 200


def test_the_highest_before_the_loss_is_the_largest_reading_of_its_last_seconds(site: Path, incident: Incident) -> None:
    own = incident.part_a.load.lines[0]
    assert own.lost
    assert own.highest.at_least
    (ref,) = own.highest.refs
    rows = [row.split(",") for row in (site / "raw" / ref.sha256).read_text().splitlines()[1:]]
    loss = losses(incident)[own.line]
    last = [float(value) for at, value in rows if loss.raw_from_us - 10_000_000 < int(at) * 1000 <= loss.raw_from_us]
    assert ref.value == max(last)


def test_explanations_stand_in_one_fixed_order_and_rest_on_numbers(incident: Incident) -> None:
    names = [one.name for one in incident.part_b.explanations]
    assert names[0] == "overload of a sound line"
    assert names[-1] == "sensor error"


def test_evidence_names_every_raw_file_that_a_figure_rests_on(site: Path, incident: Incident) -> None:
    named = {one.sha256 for one in incident.evidence.raw_files}
    assert {ref.sha256 for one in figures(incident) for ref in one.refs} <= named
    assert all((site / "raw" / sha256).is_file() for sha256 in named)


def test_traces_keep_every_extreme_of_the_window(incident: Incident) -> None:
    tension = [one for one in incident.part_a.traces if one.of == "tension" and not one.whole_call]
    assert {one.line for one in tension} == set(incident.call.lines)
    for trace in tension:
        assert len(trace.at_us) == len(trace.value) <= 3200
        assert list(trace.at_us) == sorted(trace.at_us)
    peaks = {one.line: one.kn for one in incident.part_a.sequence if one.kind == "peak" and "before" in one.text}
    for trace in tension:
        if trace.line in peaks:
            assert max(kn for kn in trace.value if kn is not None) >= round(float(peaks[trace.line] or 0.0), 4)


def test_what_makes_no_incident_says_so(case: IncidentCase, ledger: Ledger) -> None:
    lost = case.losses[0]
    with pytest.raises(RegisterError, match="no line is called"):
        make_incident(ledger, line="L99", at_us=lost.unloaded_us, window_min=10)
    with pytest.raises(DataError, match="was in no call"):
        make_incident(ledger, line=lost.line, at_us=lost.unloaded_us + 10 * 86_400_000_000, window_min=10)


def test_a_line_that_lost_nothing_has_a_record_that_says_it(case: IncidentCase, ledger: Ledger) -> None:
    lost = {one.line for one in case.losses}
    kept = next(line.line for line in case.berth.lines if line.line not in lost)
    found = make_incident(ledger, line=kept, at_us=case.losses[0].unloaded_us, window_min=10)
    assert found.part_a.loss is None
    assert "lost no load at once" in found.part_a.loss_text
    assert found.part_a.instant.value is None
    assert not found.part_a.load.residual.possible
    assert isinstance(found.part_a.load.residual.ahead, Figure)
