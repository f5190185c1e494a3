"""Section B-5: what the detectors were measured to be worth on our simulator. A literal table, and where it comes
from.

True of the simulator only: no sea, line or gauge has confirmed it. Figures are those of `ops/DETECTION.md` and, of
incidents, of `ops/README.md`, and are changed here when they are measured anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipeline.incident.numbering import Numbers
from pipeline.incident.record import ErrorRate

SECTION: Final = "B-5"
TEXT: Final = (
    "Measured on simulated calls of an invented berth, with exact truth. The simulator leaves out much that a real "
    "berth has (its list stands in sample_logs/README.md), so that a real detector may be worse, and none is known to "
    "be better. A share of few true instances says little."
)


@dataclass(frozen=True)
class Measured:
    """One row: a kind, at a rate [Hz] (None: all rates), recall and precision [%], how many true instances."""

    kind: str
    rate_hz: float | None
    recall: float | None
    precision: float | None
    of: int | None
    on: str
    command: str
    text: str = ""


SEEDS: Final = 450
DETECT: Final = f"python -m ops.bench_detect --scenarios {SEEDS} --quiet-days 0"
INCIDENT: Final = 'make bench-incident INCIDENT="--first 400 --incidents 105"'
WHEN: Final = "2026-11-29"
WHEN_INCIDENT: Final = "2026-11-28"

MEASURED: Final = (
    Measured("load-loss", 10.0, 99.4, 98.1, 1633, WHEN, DETECT),
    Measured("load-loss", 1.0, 98.8, 96.8, 1633, WHEN, DETECT),
    Measured("peak-load", 10.0, 100.0, 100.0, 3272, WHEN, DETECT),
    Measured("peak-load", 1.0, 100.0, 100.0, 3187, WHEN, DETECT),
    Measured("brake-render with payout", 10.0, 99.9, 99.8, 5923, WHEN, DETECT),
    Measured("brake-render with payout", 1.0, 99.8, 99.8, 5936, WHEN, DETECT),
    Measured("brake-render without payout", 10.0, 40.0, 98.3, 285, WHEN, DETECT),
    Measured("brake-render without payout", 1.0, 40.4, 98.3, 285, WHEN, DETECT),
    Measured("brake-held", 10.0, 98.8, 99.5, 2991, WHEN, DETECT),
    Measured("brake-held", 1.0, 99.0, 97.7, 2768, WHEN, DETECT),
    Measured("snap-load", 10.0, 100.0, 99.8, 3915, WHEN, DETECT),
    Measured("snap-load", 1.0, 98.8, 96.1, 3826, WHEN, DETECT),
    Measured("slack", 10.0, 100.0, 99.1, 83390, WHEN, DETECT),
    Measured("slack", 1.0, 100.0, 98.6, 79675, WHEN, DETECT),
    Measured("pretension-loss", 10.0, 100.0, 99.3, 958, WHEN, DETECT),
    Measured("pretension-loss", 1.0, 100.0, 99.3, 958, WHEN, DETECT),
    Measured("sustained-load", 10.0, 100.0, 100.0, 321, WHEN, DETECT),
    Measured("sustained-load", 1.0, 100.0, 100.0, 321, WHEN, DETECT),
    Measured(
        "surge",
        10.0,
        94.6,
        98.9,
        276,
        WHEN,
        DETECT,
        "the simulator pulls with the very shape that is looked for: a real ship may be missed more often",
    ),
    Measured("surge", 1.0, 94.6, 98.9, 276, WHEN, DETECT),
    Measured("tending", 10.0, 100.0, 99.8, 3437, WHEN, DETECT),
    Measured("tending", 1.0, 100.0, 99.8, 3437, WHEN, DETECT),
    Measured("clipped", 10.0, 99.7, 100.0, 393, WHEN, DETECT),
    Measured("clipped", 1.0, 99.5, 100.0, 393, WHEN, DETECT),
    Measured("clock-offset", 10.0, 100.0, 99.3, 402, WHEN, DETECT),
    Measured("clock-offset", 1.0, 100.0, 99.3, 402, WHEN, DETECT),
    Measured(
        "loss of load, in an incident",
        None,
        100.0,
        97.8,
        179,
        WHEN_INCIDENT,
        INCIDENT,
        "179 true losses found, each within one reading, and 4 told that were none; of 421 in two runs before two were "
        "missed, by defects put right since",
    ),
    Measured(
        "order of two losses, in an incident",
        None,
        91.1,
        100.0,
        90,
        WHEN_INCIDENT,
        INCIDENT,
        "82 of 90 claimed, the others left open, none wrong; of 724 orders of a loss and a brake slip 485, none wrong",
    ),
    Measured(
        "offset of a clock, in an incident",
        None,
        96.9,
        None,
        1008,
        WHEN_INCIDENT,
        INCIDENT,
        "recall: true offsets within their 95 % interval, over three runs (seeds 0 to 119, 200 to 314, 400 to 504)",
    ),
)


def error_rates(numbers: Numbers) -> tuple[ErrorRate, ...]:
    """The table, numbered."""
    return tuple(
        ErrorRate(
            numbers.next(SECTION),
            one.kind,
            one.rate_hz,
            one.recall,
            one.precision,
            one.of,
            one.on,
            one.command,
            one.text,
        )
        for one in MEASURED
    )
