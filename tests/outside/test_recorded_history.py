"""An open recorded load history, from raw text through the command to a line's statement.

Source of the history: `tests/long_series.csv` of the package rfcnt 0.6.1 (BSD-2-Clause), 10,001 whole numbers from
-2000 to 2950, without a unit. Scale chosen here, invented: (number + 2000) / 100 tonnes-force, so 0 to 49.5 tf
(0 to 485 kN), what a load pin under a 44 mm rope reads; one reading every 10 s, so that two midnights pass.

Oracles: rainflow 3.2.0 (ASTM E1049-85, open ranges as half cycles); rfcnt 0.6.1 (four-point, by at most 1,024 classes:
it counts exactly what the history is when read in steps of 0.05 tf). Both are handed the points of 0 kN at the
beginning and end of the rigging that DESIGN.md adds.
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
START = datetime(2026, 3, 2, 22, 0, tzinfo=UTC)
STEP = timedelta(seconds=10)
STEP_CENTITONNES = 5
RIGGED_FROM, RIGGED_TO, THROUGH = "2026-03-02T21:59:00Z", "2026-03-04T02:00:00Z", "2026-03-04"
REGISTERS = {
    "site.toml": '[site]\nid = "pier"\nname = "Invented pier"\ntimezone = "UTC"\n[policy]\nsettle_s = 0\n',
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
"""Cycles by (range, mean) in kN."""


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
    """The program's answers, and what the line felt in hundredths of a tonne, the points of 0 kN included."""

    step: int
    felt: list[int]
    whole: Counted
    pieces: Counted


@pytest.fixture(
    scope="module",
    params=[(1, RIGGED_TO), (STEP_CENTITONNES, "")],
    ids=["as recorded, let go", "in steps of 0.05 tf, still rigged"],
)
def told(request: pytest.FixtureRequest, centitonnes: list[int], tmp_path_factory: pytest.TempPathFactory) -> Told:
    step, to = request.param
    read = [step * round(load / step) for load in centitonnes]
    folder, rows = tmp_path_factory.mktemp("recorded"), rows_of(read)
    return Told(
        step,
        [0, *read, *([0] if to else [])],
        delivered_whole(folder / "whole", rows, to),
        delivered_in_pieces(folder / "pieces", rows, to),
    )


def test_closed_cycles_and_open_ranges_as_halves_equal_the_count_of_rainflow(told: Told) -> None:
    ours: Cycles = Counter()
    for cycle, count in told.whole.closed.items():
        ours[cycle] += 2 * count
    for first, second in pairwise(told.whole.residue):
        ours[abs(first - second), (first + second) / 2] += 1
    assert ours == rainflow_halves(told.felt)


def test_life_with_open_cycles_equals_a_sum_over_the_count_of_rainflow_in_plain_python(told: Told) -> None:
    expected = math.fsum(halves * life(*cycle) / 2 for cycle, halves in rainflow_halves(told.felt).items())
    statement = told.whole.statement
    zones, pending = statement["consumed"]["zones"], statement["pending"]["zones"]
    assert zones["a"]["total"] + pending["a"] == pytest.approx(expected, rel=1e-12, abs=0)
    assert zones["b"]["total"] == pending["b"] == 0


def test_closed_cycles_residue_and_life_equal_those_of_rfcnt_in_steps_it_can_class(told: Told) -> None:
    if told.step == 1:
        with pytest.raises(RuntimeError, match="Invalid arguments"):
            rfcnt_count(told.felt, told.step)  # 4,951 classes are too many for it
        return
    closed, residue = rfcnt_count(told.felt, told.step)
    assert sum(closed.values()) > 2000
    assert told.whole.closed == closed
    assert told.whole.residue == residue
    consumed = math.fsum(count * life(*cycle) for cycle, count in closed.items())
    pending = math.fsum(life(abs(a - b), (a + b) / 2) / 2 for a, b in pairwise(residue))
    statement = told.whole.statement
    assert statement["consumed"]["zones"]["a"]["fatigue"] == pytest.approx(consumed, rel=1e-12, abs=0)
    assert math.fsum(entry["life"] for entry in statement["entries"]) == pytest.approx(consumed, rel=1e-12, abs=0)
    assert statement["pending"]["zones"]["a"] == pytest.approx(pending, rel=1e-12, abs=0)


def test_life_is_posted_on_each_of_the_three_days(told: Told) -> None:
    assert [entry["day"] for entry in told.whole.statement["entries"]] == ["2026-03-02", "2026-03-03", "2026-03-04"]


def test_the_same_log_in_other_pieces_gives_the_same_account(told: Told) -> None:
    assert told.pieces.closed == told.whole.closed
    assert told.pieces.residue == told.whole.residue
    for name in ("consumed", "pending", "coverage"):
        assert told.pieces.statement[name] == told.whole.statement[name]
    columns = ("zone", "day", "mechanism", "life")
    assert [[entry[name] for name in columns] for entry in told.pieces.statement["entries"]] == [
        [entry[name] for name in columns] for entry in told.whole.statement["entries"]
    ]


def life(range_kn: float, mean_kn: float) -> float:
    """Life of one cycle, as DESIGN.md defines it."""
    return math.pow(range_kn / BREAK_FORCE_KN, M) / math.pow(10.0, A - B * (mean_kn / BREAK_FORCE_KN))


def rainflow_halves(felt: Sequence[int]) -> Cycles:
    """Rainflow's cycles, each a half times two, by range and mean [kN]."""
    halves: Cycles = Counter()
    for extent, mean, count, _, _ in rainflow.extract_cycles(kn_of(felt)):
        halves[extent, mean] += round(2 * count)
    return halves


def rfcnt_count(felt: Sequence[int], step: int) -> tuple[Cycles, list[float]]:
    """rfcnt's closed cycles and residue [kN], a class for each step."""
    classes = [load // step for load in felt]
    found = rfcnt.rfc(
        np.array(classes, np.float64),
        class_width=1,
        class_count=max(classes) + 1,
        class_offset=-0.5,
        hysteresis=0.5,
        residual_method=rfcnt.ResidualMethod.NONE,
        spread_damage=rfcnt.SDMethod.NONE,
    )
    closed: Cycles = Counter()
    for first, second in np.argwhere(found["rfm"] > 0).tolist():
        a, b = kn_of([first * step, second * step])
        closed[abs(a - b), (a + b) / 2] += round(found["rfm"][first, second])
    return closed, kn_of([round(value) * step for value in found["res"].tolist()])
