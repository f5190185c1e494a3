"""Outside check 60: a brake holds less with the rope in a higher layer of the drum.

F_n = F_1 * (D + d) / (D + (2n - 1) * d). Sources: the formula computed; a published figure of about 11 % less
in the second layer; another of 80 % in the first being about 65 % in the third; D = 16 d from a third.
"""

import pytest

from pipeline.events.drum import first_layer_kn


def held_kn(first_kn: float, layer: int) -> float:
    """What the brake holds in a layer: the pull that our function takes back to `first_kn` in the first."""
    return first_kn / first_layer_kn(1.0, layer=layer, barrel_mm=16 * 40.0, rope_mm=40.0)


def test_60_the_first_layer_is_the_first_layer() -> None:
    assert held_kn(80.0, 1) == 80.0


def test_60_the_second_layer_holds_about_eleven_percent_less() -> None:
    # Computed -10.53 %; published "about 11 %".
    assert held_kn(100.0, 2) - 100.0 == pytest.approx(-10.53, abs=0.005)


def test_60_eighty_percent_in_the_first_layer_is_about_sixty_five_in_the_third() -> None:
    # Computed 64.76 %; published "about 65 %".
    assert held_kn(80.0, 3) == pytest.approx(64.76, abs=0.005)


@pytest.mark.parametrize(("layer", "barrel_mm", "rope_mm"), [(0, 640.0, 40.0), (2, 0.0, 40.0), (2, 640.0, 0.0)])
def test_60_a_drum_that_cannot_be_is_refused(layer: int, barrel_mm: float, rope_mm: float) -> None:
    with pytest.raises(ValueError, match="no such drum"):
        first_layer_kn(1.0, layer=layer, barrel_mm=barrel_mm, rope_mm=rope_mm)
