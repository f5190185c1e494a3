"""Incidents measured on simulated ones, by the functions that make them; in full by `make bench-incident`."""

import pytest

import ops.bench_incident as bench
from ops.bench_incident import Seen, table


def test_the_short_measurement_runs_and_finds_the_losses(capsys: pytest.CaptureFixture[str]) -> None:
    bench.main(["--short"])
    out = capsys.readouterr().out
    assert out.startswith("2 incidents of the family report")
    (row,) = [line for line in out.splitlines() if line.startswith("losses found")]
    found, _, all_ = row.split()[2:5]
    assert found == all_


def test_what_is_missed_is_named() -> None:
    good = Seen(1, losses=1, found=1, inside=1, within=1, offsets=100, held=91, first_right=1)
    assert table([good], "tune")[1] == []
    assert table([Seen(1, losses=1, offsets=100, held=90)], "tune")[1] == [
        "losses found",
        "instant within its interval",
        "instant within one reading",
        "offsets within their 95 % interval",
    ]
    assert table([Seen(1, wrong=1, first_wrong=1)], "tune")[1] == ["orders of two losses claimed", "first line to go"]
