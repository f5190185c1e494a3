"""An open recorded load history, from raw text through the command to a line's statement.

Source of the history: `tests/long_series.csv` of the package rfcnt 0.6.1 (BSD-2-Clause), 10,001 whole numbers from
-2000 to 2950, without a unit. Scale chosen here, invented: (number + 2000) / 100 tonnes-force, so 0 to 49.5 tf
(0 to 485 kN), what a load pin under a 44 mm rope reads; one reading every 10 s, so that two midnights pass.

Oracles: rainflow 3.2.0 (ASTM E1049-85, open ranges as half cycles); rfcnt 0.6.1 (four-point, by classes of 0.01 tf,
on whole numbers). Both are handed the points of 0 kN at the beginning and end of the rigging that DESIGN.md adds.
"""

import json
import math
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rainflow
import rfcnt
from click.testing import CliRunner

from pipeline.cli import tautlog

TF_KN = 9.80665
"""Source: NIST SP 811, B.8: 1 metric ton-force = 9.80665 kN."""
BREAK_FORCE_KN = 1370.0
A, B, M = 3.2, 0.7, 5.0  # invented for the test
START = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)
STEP = timedelta(seconds=10)
RIGGED_FROM, RIGGED_TO, THROUGH = "2026-03-02T19:59:00Z", "2026-03-04T00:30:00Z", "2026-03-04"
REGISTERS = {
    "site.toml": '[site]\nid = "pier"\nname = "Invented pier"\ntimezone = "UTC"\n',
    "channels.csv": "channel,quantity,kind,rate_hz,capacity,place\nhook,tension,load-pin,0.1,1000,hook\n",
    "ships.csv": "ship,design_mbl_kn,source\nS1,1300,invented for the test\n",
    "lines.csv": "line,ship,spec,part,in_service\nL1,S1,rope,main,2026-01-01\n",
    "specs/rope.toml": (
        f'id = "rope"\nmaterial = "hmpe"\nconstruction = "12-strand"\ndiameter_mm = 44\nmass_kg_per_m = 1.02\n'
        f"break_force_kn = {BREAK_FORCE_KN}\n[fatigue]\na = {A}\nb = {B}\nm = {M}\n"
        'source = "invented for the test"\n'
    ),
    "layouts/pin.toml": (
        'name = "pin"\nreader = "delimited"\nmatch = "pin_*.txt"\n[text]\nseparator = ";"\ndecimal = ","\n'
        '[time]\ncolumn = "Time"\nformat = "%d.%m.%Y %H:%M:%S"\nzone = "UTC"\n'
        '[[value]]\ncolumn = "Load_t"\nchannel = "hook"\nunit = "tf"\n'
    ),
}
HEADER = "Time;Load_t\n"
Cycles = Counter[tuple[float, float]]
"""(range, mean) in kN: twice the count, so that a half cycle is 1."""


@dataclass(frozen=True)
class Counted:
    """What the program answers: closed cycles (once each) and open points [kN], and the line's statement."""

    closed: Cycles
    residue: list[float]
    statement: dict[str, Any]


@pytest.fixture(scope="module")
def centitonnes() -> list[int]:
    """The history as whole hundredths of a tonne-force, as they are written into the log."""
    text = (files(rfcnt) / "tests" / "long_series.csv").read_text(encoding="utf-8")
    numbers = [int(float(word)) for word in text.split()]
    assert len(numbers) == 10_001
    return [number + 2000 for number in numbers]


def rows_of(centitonnes: Sequence[int]) -> list[str]:
    """The lines of the log."""
    return [
        f"{START + i * STEP:%d.%m.%Y %H:%M:%S};{load // 100},{load % 100:02d}\n" for i, load in enumerate(centitonnes)
    ]


def kn_of(centitonnes: Sequence[int]) -> list[float]:
    """The values that DESIGN.md defines: the float64 of the text, times the exact factor of its unit."""
    return [float(f"{load // 100}.{load % 100:02d}") * TF_KN for load in centitonnes]


def answer(*words: str) -> Any:
    result = CliRunner().invoke(tautlog, [*words, "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def pier(root: Path, to: str) -> Path:
    for name, text in {
        **REGISTERS,
        "rigging.csv": f"line,channel,from,to,outboard_end,share_pct\nL1,hook,{RIGGED_FROM},{to},a,100\n",
    }.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    (root / "inbox").mkdir()
    return root


def asked(root: Path) -> Counted:
    cycles = answer("cycles", str(root), "L1", "--from", "2026-03-01", "--to", "2026-03-06")
    return Counted(
        Counter((cycle["range_kn"], cycle["mean_kn"]) for cycle in cycles["cycles"]),
        [point["kn"] for point in cycles["residue"]],
        answer("statement", str(root), "L1"),
    )


def delivered_whole(root: Path, rows: Sequence[str], to: str) -> Counted:
    """One file, read by `ingest`, reckoned by `nightly --through`."""
    log = pier(root, to).parent / "pin_1.txt"
    log.write_text(HEADER + "".join(rows), encoding="utf-8")
    (receipt,) = answer("ingest", str(root), str(log))["receipts"]
    assert (receipt["lines"], receipt["header"], receipt["stored"]) == (10_002, 1, 10_001)
    answer("nightly", str(root), "--through", THROUGH)
    return asked(root)


def delivered_in_pieces(root: Path, rows: Sequence[str], to: str) -> Counted:
    """Eleven files cut anywhere, each with a few lines of the next, shuffled, over two nights."""
    rng = random.Random("pieces")
    cuts = [0, *sorted(rng.sample(range(1, len(rows)), 10)), len(rows)]
    pieces = [rows[max(0, begin - 3) : end + 5] for begin, end in pairwise(cuts)]
    rng.shuffle(pieces)
    pier(root, to)
    for night in (pieces[:6], pieces[6:]):
        for piece in night:
            (root / "inbox" / f"pin_{rng.randrange(10**9)}.txt").write_text(HEADER + "".join(piece), encoding="utf-8")
        answer("nightly", str(root), "--through", THROUGH)
    assert sum(receipt["stored"] for receipt in answer("receipts", str(root))["receipts"]) == 10_001
    return asked(root)


@dataclass(frozen=True)
class Told:
    """The program's answers, and the series [kN] that the line felt, points of 0 kN included."""

    felt_kn: list[float]
    felt_centitonnes: list[int]
    whole: Counted
    pieces: Counted


@pytest.fixture(scope="module", params=["", RIGGED_TO], ids=["still rigged", "let go"])
def told(request: pytest.FixtureRequest, centitonnes: list[int], tmp_path_factory: pytest.TempPathFactory) -> Told:
    folder, rows = tmp_path_factory.mktemp("recorded"), rows_of(centitonnes)
    end = [0] if request.param else []
    return Told(
        [0.0, *kn_of(centitonnes), *map(float, end)],
        [0, *centitonnes, *end],
        delivered_whole(folder / "whole", rows, request.param),
        delivered_in_pieces(folder / "pieces", rows, request.param),
    )


def test_closed_cycles_and_open_ranges_as_halves_equal_the_count_of_rainflow(told: Told) -> None:
    theirs: Cycles = Counter()
    for extent, mean, count, _, _ in rainflow.extract_cycles(told.felt_kn):
        theirs[extent, mean] += round(2 * count)
    ours: Cycles = Counter()
    for cycle, count in told.whole.closed.items():
        ours[cycle] += 2 * count
    for first, second in pairwise(told.whole.residue):
        ours[abs(first - second), (first + second) / 2] += 1
    assert ours == theirs


def test_closed_cycles_and_residue_equal_the_count_of_rfcnt(told: Told) -> None:
    closed, residue = rfcnt_count(told.felt_centitonnes)
    assert sum(told.whole.closed.values()) == sum(closed.values()) > 2000
    assert told.whole.closed == closed
    assert told.whole.residue == residue


def test_life_equals_an_independent_sum_in_plain_python(told: Told) -> None:
    closed, residue = rfcnt_count(told.felt_centitonnes)
    consumed = math.fsum(count * life(*cycle) for cycle, count in closed.items())
    pending = math.fsum(life(abs(a - b), (a + b) / 2) / 2 for a, b in pairwise(residue))
    statement = told.whole.statement
    assert statement["consumed"]["zones"]["a"]["fatigue"] == pytest.approx(consumed, rel=1e-12, abs=0)
    assert statement["consumed"]["zones"]["a"]["total"] == pytest.approx(consumed, rel=1e-12, abs=0)
    assert statement["pending"]["zones"]["a"] == pytest.approx(pending, rel=1e-12, abs=0)
    assert statement["consumed"]["zones"]["b"]["total"] == statement["pending"]["zones"]["b"] == 0
    assert math.fsum(entry["life"] for entry in statement["entries"]) == pytest.approx(consumed, rel=1e-12, abs=0)


def test_life_is_posted_on_each_of_the_three_days(told: Told) -> None:
    assert [entry["day"] for entry in told.whole.statement["entries"]] == ["2026-03-02", "2026-03-03", "2026-03-04"]


def test_the_same_log_in_other_pieces_gives_the_same_account(told: Told) -> None:
    assert told.pieces.closed == told.whole.closed
    assert told.pieces.residue == told.whole.residue
    for name in ("consumed", "pending", "coverage"):
        assert told.pieces.statement[name] == told.whole.statement[name]
    days = ("zone", "day", "mechanism", "life")
    assert [[entry[name] for name in days] for entry in told.pieces.statement["entries"]] == [
        [entry[name] for name in days] for entry in told.whole.statement["entries"]
    ]


def life(range_kn: float, mean_kn: float) -> float:
    """Life of one cycle, as DESIGN.md defines it."""
    return math.pow(range_kn / BREAK_FORCE_KN, M) / math.pow(10.0, A - B * (mean_kn / BREAK_FORCE_KN))


def rfcnt_count(centitonnes: Sequence[int]) -> tuple[Cycles, list[float]]:
    """rfcnt's closed cycles and residue [kN], a class for each hundredth of a tonne."""
    found = rfcnt.rfc(
        np.array(centitonnes, np.float64),
        class_width=1,
        class_count=max(centitonnes) + 1,
        class_offset=-0.5,
        hysteresis=0,
        residual_method=rfcnt.ResidualMethod.NONE,
        spread_damage=rfcnt.SDMethod.NONE,
    )
    closed: Cycles = Counter()
    for first, second in np.argwhere(found["rfm"] > 0).tolist():
        a, b = kn_of([first, second])
        closed[abs(a - b), (a + b) / 2] += round(found["rfm"][first, second])
    return closed, kn_of([round(value) for value in found["res"].tolist()])
