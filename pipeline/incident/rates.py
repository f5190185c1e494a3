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


DETECT: Final = "python -m ops.bench_detect --family tune --scenarios 10 --quiet-days 30"
INCIDENT: Final = 'make bench-incident INCIDENT="--first 400 --incidents 105"'
WHEN: Final = "2026-11-28"

MEASURED: Final = (
    Measured("load-loss", 10.0, 81.8, 97.3, 44, WHEN, DETECT),
    Measured("load-loss", 1.0, 81.8, 97.3, 44, WHEN, DETECT),
    Measured("peak-load", 10.0, 100.0, 62.5, 45, WHEN, DETECT),
    Measured("peak-load", 1.0, 95.5, 60.5, 45, WHEN, DETECT),
    Measured("brake-render with payout", None, 100.0, 100.0, 153, WHEN, DETECT),
    Measured("brake-render without payout", None, 28.5, 100.0, 14, WHEN, DETECT),
    Measured("brake-held", None, 87.5, 36.8, 24, WHEN, DETECT),
    Measured("snap-load", 10.0, 98.6, 95.7, 298, WHEN, DETECT),
    Measured("snap-load", 1.0, 80.2, 95.2, 298, WHEN, DETECT),
    Measured("slack", 10.0, 99.9, 98.3, 1717, WHEN, DETECT),
    Measured("pretension-loss", None, 100.0, 96.1, 25, WHEN, DETECT),
    Measured("sustained-load", None, 100.0, 100.0, 5, WHEN, DETECT),
    Measured("surge", None, 80.0, 100.0, 10, WHEN, DETECT),
    Measured("tending", None, 100.0, 79.3, 46, WHEN, DETECT),
    Measured("clipped", None, 100.0, 83.3, 10, WHEN, DETECT),
    Measured("clock-offset", None, 100.0, 100.0, 10, WHEN, DETECT),
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
