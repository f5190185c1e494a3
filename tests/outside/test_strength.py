"""Outside checks 29, 36, 56 and 57: retirement, bending, and strength left under one load and several."""

import pytest

from pipeline.wear.bending import wire_bending_factor
from pipeline.wear.strength import after_blocks, residual, retirement_kn, used_at


def test_29_a_line_is_retired_at_three_quarters_of_ship_design_mbl() -> None:
    # Common practice, no source: check 29 has it from memory of the mooring guidelines.
    assert retirement_kn(100.0) == 75.0


@pytest.mark.parametrize(
    ("ratio", "factor"),
    [(1, 2.00), (1.5, 1.69), (2, 1.55), (3, 1.41), (4, 1.33), (5, 1.29), (6, 1.26), (7, 1.23)],
)
def test_36_wire_over_a_bend_has_the_printed_factors(ratio: float, factor: float) -> None:
    # IMCA M 179, as printed in 0027/ND Table 7-1 (read), to two places.
    assert round(wire_bending_factor(ratio), 2) == factor


@pytest.mark.parametrize(
    ("exponent", "expected"), [(1.0, [875.0, 750.0, 625.0, 500.0]), (2.0, [968.75, 875.0, 718.75, 500.0])]
)
def test_56_strength_left_from_1000_to_500(exponent: float, expected: list[float]) -> None:
    # Schaff & Davidson 1997, S0 - (S0 - Sp) * (n/N)^exponent; formula from memory, figures computed by hand.
    assert [residual(1000.0, 500.0, used, exponent) for used in (0.25, 0.5, 0.75, 1.0)] == expected


A_SP, A_CYCLES = 0.7, 1000
B_SP, B_CYCLES = 0.5, 10_000


@pytest.mark.parametrize(
    ("before", "then", "exponent", "cycles_left", "miner"),
    [
        # 500 cycles of A, then B until it parts; 5,000 of B, then A. `miner`: the sum of n/N at which it parts.
        ((A_SP, 0.5), (B_SP, B_CYCLES), 1.0, 7000.0, 1.2),
        ((B_SP, 0.5), (A_SP, A_CYCLES), 1.0, 166.667, 0.66667),
        ((A_SP, 0.5), (B_SP, B_CYCLES), 2.0, 6127.017, 1.112702),
    ],
)
def test_57_two_loads_in_sequence_by_equivalent_cycles(
    before: tuple[float, float], then: tuple[float, int], exponent: float, cycles_left: float, miner: float
) -> None:
    # Broutman & Sahu 1972 (exponent 1) and Schaff & Davidson 1997 (exponent 2); figures computed by hand.
    sp, cycles = then
    strength = after_blocks(1.0, [before], exponent)
    left = (1 - used_at(1.0, sp, strength, exponent)) * cycles
    assert left == pytest.approx(cycles_left, abs=6e-4)
    assert before[1] + left / cycles == pytest.approx(miner, abs=4e-6)
    # It parts when its strength has come down to the load.
    assert after_blocks(1.0, [before, (sp, left / cycles)], exponent) == pytest.approx(sp, rel=1e-12)
