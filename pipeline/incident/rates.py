"""Section B-5: what the detectors were measured to be worth on our simulator. A literal table, and where it comes
from.

True of the simulator only: no sea, line or gauge has confirmed it. Figures are those of `ops/README.md`, and are
changed here when they are measured anew.
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


DETECT: Final = "python -m ops.bench_detect --scenarios 36 --quiet-days 60"
LOSSES: Final = "python -m ops.bench_detect --scenarios 24 --rate 10 --quiet-days 0"
LOSSES_1HZ: Final = "python -m ops.bench_detect --scenarios 12 --rate 1 --quiet-days 0"
INCIDENT: Final = 'make bench-incident INCIDENT="--first 400 --incidents 105"'
WHEN: Final = "2026-11-28"

MEASURED: Final = (
    Measured("load-loss", 10.0, 96.9, 90.3, 96, WHEN, LOSSES),
    Measured(
        "load-loss",
        1.0,
        97.9,
        48.4,
        47,
        WHEN,
        LOSSES_1HZ,
        "nearly all that was told falsely were shares of a hook: at 1 Hz a wave falls by as much between two readings",
    ),
    Measured("peak-load", None, 100.0, 100.0, 262, WHEN, DETECT),
    Measured("brake-render with payout", None, 100.0, 100.0, 144, WHEN, DETECT),
    Measured("brake-render without payout", 10.0, 26.1, 100.0, 23, WHEN, DETECT),
    Measured("brake-render without payout", 1.0, 30.4, 100.0, 23, WHEN, DETECT),
    Measured("brake-held", None, 100.0, 100.0, 180, WHEN, DETECT),
    Measured("snap-load", 10.0, 100.0, 100.0, 307, WHEN, DETECT),
    Measured("snap-load", 1.0, 93.6, 97.6, 307, WHEN, DETECT),
    Measured("slack", 10.0, 100.0, 99.9, 6713, WHEN, DETECT),
    Measured("slack", 1.0, 100.0, 99.3, 6713, WHEN, DETECT),
    Measured("pretension-loss", None, 100.0, 100.0, 69, WHEN, DETECT),
    Measured("sustained-load", None, 100.0, 96.4, 27, WHEN, DETECT),
    Measured("surge", 10.0, 84.2, 76.2, 19, WHEN, LOSSES),
    Measured("tending", None, 100.0, 99.5, 203, WHEN, DETECT),
    Measured("clipped", 10.0, 100.0, 100.0, 18, WHEN, LOSSES),
    Measured("clock-offset", 10.0, 100.0, 100.0, 25, WHEN, LOSSES),
    Measured(
        "loss of load, in an incident",
        None,
        100.0,
        97.8,
        179,
        WHEN,
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
        WHEN,
        INCIDENT,
        "82 of 90 claimed, the others left open, none wrong; of 724 orders of a loss and a brake slip 485, none wrong",
    ),
    Measured(
        "offset of a clock, in an incident",
        None,
        96.9,
        None,
        1008,
        WHEN,
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
