"""Cautions that stand beside counts of what lies outside of what constants were fitted to."""

from typing import Any

from pipeline.render_service import outside_text

NONE: dict[str, Any] = {
    "cycles": {"total": 9, "beyond_r": 0, "below_r": 0, "outside_lm": 0, "compressed": 0},
    "creep_s": {"counted": 0.0, "outside_load": 0.0, "outside_cold": 0.0, "outside_hot": 0.0},
}


def test_cycles_beyond_the_curve_may_have_used_more_than_the_figures_say() -> None:
    text = outside_text({**NONE, "cycles": {**NONE["cycles"], "beyond_r": 2}})
    assert "Of 9 closed cycles: 2 with a range above valid_r." in text
    assert "may have used more than the figures say" in text
    small = outside_text({**NONE, "cycles": {**NONE["cycles"], "below_r": 2}})
    assert "may have used more" not in small


def test_creep_that_is_not_counted_is_not_zero_and_may_be_faster() -> None:
    text = outside_text({**NONE, "creep_s": {**NONE["creep_s"], "outside_hot": 3600.0}})
    assert "1.00 h hotter than fitted_c" in text
    assert "which is not zero: above the upper ends it is faster" in text


def test_nothing_outside_is_no_text() -> None:
    assert outside_text(NONE) == ""
