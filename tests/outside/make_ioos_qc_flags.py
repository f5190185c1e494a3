"""Makes ioos_qc_flags.json: what ioos_qc 3.0.0 says of some seeded records.

The library weighs too much to be locked for the tests' sake, hence its answers are kept beside them. To make
them anew: install ioos-qc==3.0.0 into an environment of its own, and run `python -m
tests.outside.make_ioos_qc_flags`.
"""

import importlib
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

KEPT = Path(__file__).with_name("ioos_qc_flags.json")


def record(seed: int, missing: float) -> NDArray[np.float64]:
    """Sixty readings of whole kN, so that no rounding stands between two ways to the same figure."""
    rng = np.random.default_rng(seed)
    value: NDArray[np.float64] = np.round(200 + 8 * np.cumsum(rng.normal(0, 1, 60)) + rng.choice([0, 0, 0, 90], 60))
    value[15:27] = 150
    value[rng.uniform(size=60) < missing] = np.nan
    return value


def cases(qartod: Any) -> list[dict[str, Any]]:
    """One case a check and record: its limits, the readings (null: missing) and the library's flags."""
    found: list[dict[str, Any]] = []

    def keep(check: str, limits: dict[str, float], value: Any, flags: Any) -> None:
        readings = [None if np.isnan(one) else int(one) for one in value]
        flags = [int(one) for one in np.ma.getdata(flags)]
        found.append({"check": check, "limits": limits, "value": readings, "flags": flags})

    at_s = np.arange(60)
    for seed in range(12):
        value = record(seed, missing=0.1)
        keep("gross-range", {"low": 150, "high": 290}, value, qartod.gross_range_test(value, (150, 290)))
        keep("suspect-above", {"high": 240}, value, qartod.gross_range_test(value, (-1e9, 1e9), (-1e9, 240)))
        keep("spike", {"suspect": 20.5, "fail": 60.5}, value, qartod.spike_test(value, 20.5, 60.5))
        keep("rate", {"per_s": 12.5}, value, qartod.rate_of_change_test(value, at_s, 12.5))
        whole = record(seed, missing=0)
        for tolerance in (0.5, 12.5):
            limits = {"suspect_s": 4, "fail_s": 7, "tolerance": tolerance}
            keep("flat-line", limits, whole, qartod.flat_line_test(whole, at_s, 4, 7, tolerance))
    return found


if __name__ == "__main__":
    lines = [json.dumps(case) for case in cases(importlib.import_module("ioos_qc.qartod"))]
    KEPT.write_text("[\n" + ",\n".join(lines) + "\n]\n", encoding="utf-8")
