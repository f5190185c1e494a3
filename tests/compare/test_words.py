"""What a comparison says beside its figures, so that no low one is read as leave to fit a rope."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.render_compare import compare_text


def answer(mbl_kn: float | None) -> dict[str, Any]:
    method: dict[str, Any] = {
        **{"zone": "a", "fatigue": None, "creep": None, "creep_at_most": None, "abrasion": None},
        **{"used": None, "used_at_most": None, "peak_share": None},
    }
    rope: dict[str, Any] = {
        **{"spec": "thin", "own": False, "break_force_kn": 900.0, "design_mbl_kn": mbl_kn, "mass_kg_per_m": 1.0},
        **{"strength_to_weight_kn_m_kg": 900.0, "factor": 1.0, "equal_load": method, "equal_motion": None},
        **{"not_reckoned": {}, "basis": "severity index", "basis_reasons": [], "class_error": None},
    }
    line = {"line": "L1", "ropes": [rope], "ranked": None, "why": "there is nothing to compare it with"}
    return {
        **{"site": "quay", "exact": False, "lines": [line], "weight": "", "limits": [], "not_modelled": ["cuts"]},
        "caution": "",
    }


@pytest.mark.parametrize(("mbl_kn", "told"), [(900.5, True), (900.0, False), (None, False)])
def test_a_rope_weaker_than_ship_design_mbl_is_told_whatever_it_would_have_used(
    mbl_kn: float | None, told: bool
) -> None:
    text = " ".join(compare_text(answer(mbl_kn)).split())
    assert ("BREAK FORCE BELOW SHIP DESIGN MBL: thin, 900 kN against 900.5 kN (L1)" in text) is told
