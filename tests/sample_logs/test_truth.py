"""Truth events agree with a plain reading of the noiseless record, and the raw logs show them."""

from __future__ import annotations

import csv
import statistics
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import zstandard

import sample_logs
from sample_logs import truth, world
from sample_logs.model import Call

ROOT = Path(sample_logs.__file__).parent
LEVEL_KN = 650.0  # 50 % of the ship design MBL of the invented ship


def _events(kind: str) -> list[dict[str, str]]:
    with (ROOT / "truth" / "events.csv").open(encoding="utf-8", newline="") as text:
        return [row for row in csv.DictReader(text) if row["kind"] == kind]


def _winch_rows(place: str, night: str, day: str) -> list[tuple[datetime, float, float, str]]:
    path = ROOT / "raw" / night / f"winches_{day}.csv.zst"
    text = zstandard.ZstdDecompressor().decompressobj().decompress(path.read_bytes()).decode()
    rows = [line.split(",") for line in text.split("\n")[1:]]
    return [(datetime.fromisoformat(row[0]), float(row[2]), float(row[3]), row[4]) for row in rows if row[1] == place]


def test_peak_loads_agree_with_a_loop_over_the_record(call: Call) -> None:
    for row, line in enumerate(world.LINES):
        found: list[tuple[int, int, float]] = []
        above = np.flatnonzero(call.tension_kn[row] > LEVEL_KN).tolist()
        for step in above:
            load = float(call.tension_kn[row, step])
            if found and step - found[-1][1] < 600:
                found[-1] = (found[-1][0], step, max(load, found[-1][2]))
            else:
                found.append((step, step, load))
        told = [event for event in truth.peak_loads(call) if event.line == line.line]
        assert [(event.first, event.last, event.peak_kn) for event in told] == found


def test_there_are_a_few_peak_loads_and_two_to_four_renders() -> None:
    assert 5 <= len(_events("peak-load")) <= 15
    renders = _events("brake-render")
    assert 2 <= len(renders) <= 4
    assert {row["verdict"] for row in renders} == {"early", "as set"}
    assert {row["place"] for row in renders if row["verdict"] == "early"} == {"W10"}
    assert {row["place"] for row in _events("brake-held")} == {"W04"}


def test_one_peak_load_runs_across_utc_midnight() -> None:
    across = [row for row in _events("peak-load") if row["from"][:10] != row["to"][:10]]
    assert [row["line"] for row in across] == ["L09"]


def test_no_peak_load_hangs_by_a_hair(call: Call) -> None:
    events = truth.peak_loads(call)
    assert min(event.peak_kn or 0.0 for event in events) > LEVEL_KN + 30
    for row, line in enumerate(world.LINES):
        own = [event for event in events if event.line == line.line]
        quiet = call.tension_kn[row].copy()
        for event in own:
            quiet[event.first - 300 : event.last + 300] = 0.0
        assert quiet.max() < LEVEL_KN - 10
        for earlier, later in pairwise(own):
            assert later.first - earlier.last > 640, "clusters are further apart than noise could bridge"


@pytest.mark.parametrize("render", _events("brake-render"), ids=lambda row: row["line"] + row["from"])
def test_the_winch_log_shows_each_render(render: dict[str, str]) -> None:
    first, last = (datetime.fromisoformat(render[name]) for name in ("from", "to"))
    # The ship's own day (UTC+1) of the render names its file.
    night, day = ("night3", "20261026") if first.day == 26 else ("night2", "20261025")
    rows = _winch_rows(render["place"], night, day)
    during = [row for row in rows if (row[0] - first).total_seconds() > -1.0 and (row[0] - last).total_seconds() < 1.0]
    assert {row[3] for row in during} == {"SET"}
    paid_m = during[-1][2] - during[0][2]
    assert paid_m == pytest.approx(float(render["payout_m"]), abs=0.011), "payout is logged to a centimetre"
    moving = [later[1] for earlier, later in pairwise(during) if later[2] > earlier[2]]
    assert statistics.median(moving) == pytest.approx(float(render["render_kn"]), abs=30)
    before = [row[1] for row in rows if -2.0 <= (row[0] - first).total_seconds() <= 0.6]
    assert max(before) == pytest.approx(float(render["breakout_kn"]), rel=0.08)


def test_runs_and_joins_are_what_they_say() -> None:
    mask = np.array([1, 1, 0, 0, 1, 0, 1], dtype=np.bool_)
    assert truth.runs(mask) == [(0, 1), (4, 4), (6, 6)]
    assert truth.joined(truth.runs(mask), 3) == [(0, 1), (4, 6)]
    assert truth.joined(truth.runs(mask), 4) == [(0, 6)]
    assert truth.runs(np.zeros(3, dtype=np.bool_)) == []
