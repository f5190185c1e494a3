"""Counts truth by kind over many seeds: `python -m sample_logs.scenarios.count 300 --family tune`."""

from __future__ import annotations

import argparse
import time
from collections import Counter

from sample_logs.scenarios.making import truth_of


def counts(seeds: range, family: str) -> tuple[Counter[str], Counter[str], Counter[str]]:
    """By kind and class: truth that counts, truth near a threshold, and truth hidden by a fault or a loss."""
    sure: Counter[str] = Counter()
    near: Counter[str] = Counter()
    hidden: Counter[str] = Counter()
    for seed in seeds:
        for truth in truth_of(seed, family)[4]:
            kept = hidden if "masked" in truth.detail else near if truth.borderline else sure
            kept[truth.name] += 1
    return sure, near, hidden


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description="Counts the truth of scenarios by kind and class.")
    parser.add_argument("seeds", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--family", default="tune")
    asked = parser.parse_args()
    began = time.monotonic()
    sure, near, hidden = counts(range(asked.first, asked.first + asked.seeds), asked.family)
    print(f"{asked.seeds} seeds of {asked.family}: {(time.monotonic() - began) / asked.seeds:.2f} s each")
    print(f"{'kind':32} {'true':>6} {'near':>6} {'hidden':>6}")
    for name in sorted(sure | near | hidden):
        print(f"{name:32} {sure[name]:6} {near[name]:6} {hidden[name]:6}")


if __name__ == "__main__":
    main()
