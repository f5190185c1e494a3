"""The reference is itself checked: outside values, two public counting packages, examples by hand."""

import importlib
import itertools
import math
from collections import Counter
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tests.independent.reference_count import Curve, Cycle, Rainflow, count, posted, utc_day
from tests.independent.reference_events import excursions, latest_within, time_at_level
from tests.independent.reference_raw import UNIT_FACTORS, Layout, checksum, parse_cell, read_log
from tests.independent.reference_store import Felt, Rigging, Store
from tests.independent.reference_times import parse_epoch, parse_local, parse_rfc3339, resolve_local

ASTM = [-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]  # ASTM E1049-85 section 5.4.4, Fig. 6
SERIES = st.lists(st.integers(-9, 9).map(float), max_size=60)


def pairs(flow: Rainflow) -> Counter[tuple[float, float]]:
    return Counter((cycle.low, cycle.high) for cycle in flow.cycles)


def with_halves(flow: Rainflow) -> Counter[tuple[float, float]]:
    """(range, mean) -> count, closed cycles whole and residue as half cycles."""
    out: Counter[tuple[float, float]] = Counter()
    for cycle in flow.cycles:
        out[cycle.range_kn, cycle.mean_kn] += 2
    for p, q in itertools.pairwise(flow.residue):
        out[abs(p - q), (p + q) / 2] += 1
    return out


# ------------------------------------------------------------------------------------- checks 1 to 7


def test_check_1_standard_history_with_half_cycles() -> None:
    # ASTM E1049-85 5.4.4: (range, mean): half counts
    expected = {(3, -0.5): 1, (4, -1): 1, (4, 1): 2, (8, 1): 1, (9, 0.5): 1, (8, 0): 1, (6, 1): 1}
    assert with_halves(count(ASTM)) == expected


def test_check_2_four_point_on_the_standard_history() -> None:
    # as rfcnt 0.6.1 and fatpack 0.7.8 give it
    flow = count(ASTM)
    assert pairs(flow) == {(-1.0, 3.0): 1}
    assert flow.residue == [-2, 1, -3, 5, -4, 4, -2]


def test_check_3_residue_joined_to_itself_closes_the_repeating_history() -> None:
    # ASTM E1049-85 5.4.5; Amzallag et al. 1994: 9:1, 7:1, 4:1, 3:1
    first = count(ASTM)
    joined = count(first.residue + first.residue)
    closed = Counter(c.range_kn for c in first.cycles + joined.cycles)
    assert closed == {9: 1, 7: 1, 4: 1, 3: 1}


def test_check_4_simple_ranges_of_the_standard_history() -> None:
    # ASTM E1049-85 5.2: 3:0.5, 4:1, 6:1, 7:0.5, 8:1 (successive swings as halves)
    swings = Counter(abs(p - q) for p, q in itertools.pairwise(ASTM))
    assert swings == {3: 1, 4: 2, 6: 2, 7: 1, 8: 2}


@given(SERIES)
def test_check_5_closed_and_half_cycles_equal_the_rainflow_package(series: list[float]) -> None:
    assume(len(turning_points(series)) > 2)  # it counts nothing in a single swing
    rainflow = importlib.import_module("rainflow")
    theirs: Counter[tuple[float, float]] = Counter()
    for range_, mean, n, _, _ in rainflow.extract_cycles(series):
        theirs[range_, mean] += round(2 * n)
    assert with_halves(count(series)) == theirs


@given(SERIES)
def test_closed_cycles_equal_fatpack_on_exact_turning_points(series: list[float]) -> None:
    fatpack, numpy = importlib.import_module("fatpack"), importlib.import_module("numpy")
    points = turning_points(series)
    assume(len(points) > 3)  # it takes no shorter series
    cycles, residue = fatpack.find_rainflow_cycles(numpy.array(points))
    flow = count(series)
    assert pairs(flow) == Counter((float(min(p)), float(max(p))) for p in cycles)
    assert flow.residue == list(residue)


def turning_points(series: list[float]) -> list[float]:
    """First, last and every strict local extreme, plateaus taken once."""
    flat = [x for i, x in enumerate(series) if i == 0 or x != series[i - 1]]
    inner = [b for a, b, c in zip(flat, flat[1:], flat[2:], strict=False) if (b > a) != (c > b)]
    return flat[:1] + inner + flat[-1:] if len(flat) > 1 else flat


@given(SERIES, SERIES)
def test_check_6_counting_parts_and_joined_residues_equals_counting_the_whole(
    one: list[float], two: list[float]
) -> None:
    whole, left, right = count(one + two), count(one), count(two)
    joined = count(left.residue + right.residue)
    assert pairs(whole) == pairs(left) + pairs(right) + pairs(joined)
    assert whole.residue == joined.residue


@given(SERIES, st.integers(1, 6))
def test_check_7_gate_keeps_the_cycles_that_are_large_enough(series: list[float], gate: int) -> None:
    """Closed cycles of range >= h survive a filter that drops every smaller closed cycle first."""
    points = turning_points(series)
    index = 1
    while index + 2 < len(points):  # drop inner swings smaller than the gate
        a, b, c, d = points[index - 1 : index + 3]
        if abs(b - c) < gate and abs(b - c) <= min(abs(a - b), abs(c - d)):
            del points[index : index + 2]
            index = 1
        else:
            index += 1
    large = Counter({pair: n for pair, n in pairs(count(series)).items() if pair[1] - pair[0] >= gate})
    assert pairs(count(points)) == large


@given(SERIES)
def test_streaming_closes_each_cycle_at_the_first_sample_that_reaches_its_outer_point(
    series: list[float],
) -> None:
    """Counting every prefix anew, the sample at which a cycle first appears is the one that closed it."""
    flow = count(series)
    for index in range(len(series)):
        before = count(series[: index + 1])
        assert pairs(before) == Counter((c.low, c.high) for c in flow.cycles if c.closed_us <= index)


# ------------------------------------------------------------------------------------- fatigue


def test_fatigue_of_the_polyester_curve_at_known_ranges() -> None:
    # M=5.2, K=25000: R=0.1 -> 3.96223e9, R=0.3 -> 1.30891e7 (check 12; public copy of the ABS table)
    curve = Curve(math.log10(25000), 0.0, 5.2, 1000.0)
    assert 1 / curve.life(0.0, 100.0) == pytest.approx(3.96223e9, rel=2e-6)
    assert 1 / curve.life(100.0, 400.0) == pytest.approx(1.30891e7, rel=2e-6)


def test_fatigue_of_the_six_strand_curve_depends_on_the_mean() -> None:
    # API RP 2SK 3rd ed.: M=4.09, K=10^(3.20-2.79Lm); Lm=0.3, R=0.1: 2.83792e6 (check 10)
    curve = Curve(3.20, 2.79, 4.09, 500.0)
    assert 1 / curve.life(125.0, 175.0) == pytest.approx(2.83792e6, rel=2e-6)


def test_life_is_an_integer_number_of_quanta_and_posted_half_even() -> None:
    curve = Curve(0.0, 0.0, 1.0, 4.0)
    assert curve.quanta(Cycle(0.0, 1.0, 0)) == 2**98
    assert posted(2**98) == Decimal("0.25")
    assert posted(1) == Decimal("0.000000000000000000000000000001")  # 2^-100 = 7.9e-31
    assert posted(0) == 0


def test_pending_counts_the_residue_as_half_cycles() -> None:
    assert Curve(0.0, 0.0, 1.0, 10.0).pending([0.0, 8.0, 2.0]) == pytest.approx(0.7)


# ------------------------------------------------------------------------------------- raw lines


def test_outside_units() -> None:
    # NIST SP 811 App. B (check 55)
    assert UNIT_FACTORS["tf"] == 9.80665
    assert UNIT_FACTORS["kip"] == 4.4482216152605
    assert UNIT_FACTORS["long_tonf"] == pytest.approx(9.964016418183519, rel=1e-15)
    assert UNIT_FACTORS["short_tonf"] == pytest.approx(8.896443230521, rel=1e-15)


def test_outside_checksums_and_stamps() -> None:
    # check 49 (pynmea2), check 50 (RFC 3339 section 5.8)
    assert checksum("YXXDR,N,412300,N,BREAST1") == "69"
    assert checksum("GPVTG,260.06,T,,M,0.40,N,0.75,K,A") == "39"
    assert parse_rfc3339("1996-12-19T16:39:57-08:00") == parse_rfc3339("1996-12-20T00:39:57Z")
    assert parse_rfc3339("1970-01-01T00:20:27.87+00:20") == 27_870_000


def test_cells_and_stamps_by_hand() -> None:
    assert parse_cell("12,5", ",", {}) == 12.5
    assert parse_cell("12.5", ",", {}) is None
    assert parse_cell("NaN", ".", {}) is None
    assert parse_cell("SET", ".", {"SET": 1}) == 1.0
    assert parse_epoch("1700000000250", 1_000) == 1_700_000_000_250_000
    assert parse_local("07/03/24 05:06:07.5", "%d/%m/%y %H:%M:%S%.f") == datetime(2024, 3, 7, 5, 6, 7, 500_000)


SLOW_LAYOUT = {
    "name": "slow",
    "match": "*",
    "reader": "delimited",
    "text": {"separator": ",", "decimal": ".", "header_line": 2, "missing": ["-1"]},
    "time": {"column": "t", "format": "epoch_s"},
    "value": [
        {"column": "p", "channel": "P", "unit": "tf"},
        {"column": "q", "channel": "Q", "unit": "1"},
    ],
}


def test_every_line_of_a_raw_file_has_one_class() -> None:
    data = b"preamble\r\nt,p,q\r\n1,2,3\r\n,,\r\n2,x,3\r\n3,x,y\r\n4,1\r\nnoon,1,1\r\n5,-1,-1\r\n \r\n6,1,1"
    lines = read_log(data, Layout("slow", "*", SLOW_LAYOUT, "UTC"))
    assert [line.kind for line in lines] == (
        ["header"] * 2 + ["row", "blank", "row"] + ["quarantined"] * 3 + ["row", "blank", "quarantined"]
    )
    assert lines[2].readings[0].value == 2 * 9.80665
    assert lines[4].bad_cells == 1
    assert lines[4].readings[0].value is None
    assert lines[8].readings[0].value is None
    assert lines[-1].reason == "unterminated"


def test_sentences_ask_for_their_transducers_only() -> None:
    spec = {
        "name": "n",
        "match": "*",
        "reader": "sentences",
        "time": {"prefix": "rfc3339"},
        "value": [{"transducer": "BREAST1", "channel": "B1"}],
    }
    data = (
        b"1970-01-01T00:00:01Z $YXXDR,N,412300,N,BREAST1*69\n"
        b"1970-01-01T00:00:02Z $GPVTG,260.06,T,,M,0.40,N,0.75,K,A*39\n"
        b"1970-01-01T00:00:03Z $YXXDR,N,412301,N,BREAST1*69\n"
    )
    lines = read_log(data, Layout("n", "*", spec, "UTC"))
    assert [line.kind for line in lines] == ["row", "ignored", "quarantined"]
    assert (lines[0].readings[0].at_us, lines[0].readings[0].value) == (1_000_000, 412300 * 0.001)


BERLIN = ZoneInfo("Europe/Berlin")


def local(*clock: str) -> list[datetime]:
    return [datetime.fromisoformat(f"2024-10-27T{c}") for c in clock]  # clocks went back at 03:00 to 02:00


def hours_utc(answers: list[int | str]) -> list[str]:
    return [a if isinstance(a, str) else f"{a // 3_600_000_000 % 24:02d}" for a in answers]


def test_the_step_back_splits_the_repeated_hour() -> None:
    answers = resolve_local(local("02:59:58", "02:59:59", "02:00:00", "02:30:00"), BERLIN)
    assert hours_utc(answers) == ["00", "00", "01", "01"]


def test_a_file_that_runs_on_or_comes_from_unambiguous_time_is_settled() -> None:
    assert hours_utc(resolve_local(local("02:30:00", "03:00:00"), BERLIN)) == ["01", "02"]
    assert hours_utc(resolve_local(local("01:30:00", "02:00:00"), BERLIN)) == ["23", "00"]


def test_a_file_wholly_inside_the_repeated_hour_is_not() -> None:
    assert resolve_local(local("02:10:00", "02:20:00"), BERLIN) == ["ambiguous-hour"] * 2


def test_a_time_that_never_existed_is_quarantined() -> None:
    spring = [datetime.fromisoformat("2024-03-31T02:30:00")]
    assert resolve_local(spring, BERLIN) == ["never-existed"]


def test_the_larger_value_is_live_and_a_value_beats_a_missing_one() -> None:
    store = Store()
    store.readings = {"P": {5: [(None, "a"), (-3.0, "a"), (-4.0, "b")], 6: [(None, "a")]}}
    assert store.live("P", frozenset()) == [(5, -3.0), (6, None)]
    assert store.live("P", frozenset({"a"})) == [(5, -4.0)]


# ------------------------------------------------------------------------------------- time and events

S = 1_000_000


def test_a_sample_stands_until_the_first_of_its_ends() -> None:
    rigging = Rigging("L", "P", 0, 1_207 * S, "a", 1.0)
    part = Felt(
        rigging,
        [(0, 7.0), (100 * S, 12.0), (598 * S, 3.0), (1_205 * S, -0.5), (1_206 * S, 1.0)],
        [4 * S, 300 * S, 605 * S, 1_300 * S, None],
    )
    # 4 s to the next stored sample; 10 s max gap; 2 s to the bin's end; 2 s to the rigging's end; none
    assert time_at_level(part, 10 * S) == {
        (0, 5.0): 4 * S,
        (0, 10.0): 10 * S,
        (0, 0.0): 2 * S,
        (2, -5.0): 2 * S,
    }


def test_excursions_end_at_the_level_itself_and_at_gaps() -> None:
    runs = excursions([(0, 6.0), (1, 5.0), (2, 6.0), (3, 7.0), (14, 6.0)], 5.0, 10)
    assert [[at for at, _ in run] for run in runs] == [[0], [2, 3], [14]]


def test_latest_within_looks_back_one_window_and_no_further() -> None:
    assert latest_within([(0, 1.0), (10, 2.0)], 10, 5) == 2.0
    assert latest_within([(0, 1.0), (10, 2.0)], 9, 5) is None
    assert latest_within([(0, 1.0)], 5, 5) == 1.0


def test_days_are_utc() -> None:
    assert utc_day(86_400_000_000 - 1).isoformat() == "1970-01-01"
    assert utc_day(86_400_000_000).isoformat() == "1970-01-02"


def test_reference_imports_nothing_of_the_program() -> None:
    for path in Path(__file__).parent.glob("reference*.py"):
        text = path.read_text(encoding="utf-8")
        assert "import pipeline" not in text
        assert "from pipeline" not in text
