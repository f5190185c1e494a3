"""Cautions that stand beside counts of what lies outside of what constants were fitted to."""

from typing import Any

from pipeline.render_service import outside_text, strength_text

NONE: dict[str, Any] = {
    "cycles": {"total": 9, "beyond_r": 0, "below_r": 0, "outside_lm": 0, "compressed": 0},
    "creep_s": {"counted": 0.0, "outside_load": 0.0, "outside_cold": 0.0, "outside_hot": 0.0},
}


def test_cycles_beyond_the_curve_may_have_used_more_than_the_figures_say() -> None:
    text = outside_text({**NONE, "cycles": {**NONE["cycles"], "beyond_r": 2}})
    assert "Of 9 closed cycles: 2 with a range above valid_r (0.5 where the spec has none)." in text
    assert "may have used more than the figures say" in text
    small = outside_text({**NONE, "cycles": {**NONE["cycles"], "below_r": 2}})
    assert "may have used more" not in small


def test_creep_that_is_not_counted_is_not_zero_and_may_be_faster() -> None:
    text = outside_text({**NONE, "creep_s": {**NONE["creep_s"], "outside_hot": 3600.0}})
    assert "1.00 h hotter than fitted_c" in text
    assert "which is not zero: above the upper ends it is faster" in text


def test_nothing_outside_is_no_text() -> None:
    assert outside_text(NONE) == ""


def strong(peak_share: float | None, bend: dict[str, Any] | None) -> dict[str, Any]:
    least = {
        **{"zone": "a", "band": "contact band", "day": "2026-03-02", "peak_kn": 300.0},
        **{"peak_at": "2026-03-02T12:00:00Z", "left_kn": 0.0, "bend": bend, "peak_share": peak_share},
        "margin_kn": -300.0,
    }
    return {
        **{"retirement_kn": 750.0, "retirement_of": "75 % of ship design MBL 1000 kN", "reckoned": True},
        **{"as_if_new": False, "source": "laboratory report 13", "basis": "severity index", "basis_reasons": []},
        **{"left_kn": {"a": {"contact band": 0.0}}, "least_margin": least},
    }


def test_a_line_of_which_nothing_is_left_is_told_and_no_percent_of_nothing() -> None:
    text = strength_text(strong(None, None), ())
    assert "-300 kN between them; nothing was left." in text
    assert "(severity index; source: laboratory report 13)" in text
    assert "(straight: no bend is reckoned)" in text


def test_a_bend_smaller_than_its_source_serves_may_leave_less() -> None:
    bend = {"ratio": 3.0, "strength": 0.5, "outside": True, "source": "laboratory report 14"}
    text = strength_text(strong(0.6, bend), ())
    assert "times 0.5 over a bend of D/d 3, a smaller bend than its source serves, so that less may be left" in text
    assert "less may be left" not in strength_text(strong(0.6, {**bend, "outside": False}), ())
