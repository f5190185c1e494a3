"""The intervals of unobserved time cover what simulated gaps hid; in full by `make bench-intervals`."""

import numpy as np
import pytest

import ops.bench_intervals as bench
from ops.bench_intervals import GAPS_H, WANTED, WEATHERS, cover_gaps, days_of, hidden, hourly_life, main, together


def test_nine_in_ten_intervals_cover_the_life_of_a_hidden_gap() -> None:
    rows = [cover_gaps(what, gaps_h, weather, 12, (60, 200)) for what, gaps_h in GAPS_H for weather in WEATHERS]
    every = together("all gaps", rows)
    assert every.gaps == 216
    # A 90 % interval fails this once in 40 tries; these draws are always the same.
    assert every.coverage >= WANTED
    # Not by being without end, nor by always lying beside one and the same side.
    assert every.decades < 3
    assert 0 < every.below < every.gaps / 10
    assert 0 < every.above < every.gaps / 10


def test_what_is_hidden_and_what_is_seen_are_the_whole_record() -> None:
    rng = np.random.default_rng(1)
    life = hourly_life("storms", 60 * 24, rng)
    seen = hidden((24,), 60 * 24, rng)
    assert int((~seen).sum()) == 24
    shown = sum(day.life_units for day in days_of(life, seen))
    assert shown + sum(units for units, is_seen in zip(life, seen.tolist(), strict=True) if not is_seen) == sum(life)


@pytest.mark.parametrize("weather", ["swell", "storms"])
def test_the_simulated_life_has_a_heavy_tail_and_a_memory_of_days(weather: str) -> None:
    life = np.array(hourly_life(weather, 400 * 24, np.random.default_rng(2)), np.float64).reshape(-1, 24).sum(1)
    assert np.sort(life)[-40:].sum() > 0.5 * life.sum()  # a tenth of the days took most of it
    log = np.log(life)
    assert np.corrcoef(log[:-1], log[1:])[0, 1] > 0.3
    assert abs(np.corrcoef(log[:-10], log[10:])[0, 1]) < 0.25


def test_the_table_is_printed_and_too_little_coverage_ends_with_an_error(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    main(["--times", "3"])
    told = capsys.readouterr().out
    for what in (*(what for what, _ in GAPS_H), "all gaps", "1 day in 30", "next 30 days", "wanted at least 86 %"):
        assert what in told
    monkeypatch.setattr(bench, "WANTED", 1.01)
    with pytest.raises(SystemExit) as ended:
        main(["--times", "1"])
    assert ended.value.code == 1
