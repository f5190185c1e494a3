"""Cycles by class, as a day of a line's zone keeps them."""

from collections import Counter

import numpy as np
import pytest

from pipeline.night import wearing


@pytest.mark.parametrize("scale_kn", [100.0, 1e4, 1e6])
def test_classes_are_those_of_a_plain_count_however_wide_the_tensions_range(scale_kn: float) -> None:
    rng = np.random.default_rng(1)
    low = rng.normal(0, scale_kn, 500)
    high, count = low + np.abs(rng.normal(0, scale_kn, 500)), rng.integers(1, 9, 500)
    plain: Counter[tuple[int, int]] = Counter()
    for a, b, n in zip(low.tolist(), high.tolist(), count.tolist(), strict=True):
        plain[int(a // 5), int(b // 5)] += n
    found = wearing._classes([(low[:200], high[:200], count[:200]), (low[200:], high[200:], count[200:])])
    assert [*zip(*(column.tolist() for column in found), strict=True)] == [
        (*pair, plain[pair]) for pair in sorted(plain)
    ]


def test_a_day_without_cycles_has_no_classes() -> None:
    assert [column.size for column in wearing._classes([])] == [0, 0, 0]
