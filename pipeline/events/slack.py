"""Slack: a line that was loaded goes slack, and is loaded again.

A slack line holds nothing, and its next load may come as a blow (`snap_load`). House rules, no source; the
definition: a maximal run of samples below the slack level, ended by a sample not below it, by a gap over `max_gap_s`
or by the rigging's edge. Runs less than `slack_join_s` apart (next first - last) are one. It counts if there is a
sample of the same rigging before it that is not below the level, and one after it: a line is made fast slack and let
go slack, which is none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from pipeline.events.tension import Peak, SlackLevel, Tension, us
from pipeline.events.tension_kernel import NONE, slack_groups
from schemas.registers import Policy

KIND: Final = "slack"


@dataclass(frozen=True)
class SlackRuns:
    """Runs less than `slack_join_s` apart, of one day. `lowest`, `highest` of their samples below the level.

    `runs_in`, `runs_on`: the first, or last, of them is the first, or last, usable sample of the slice.
    """

    first_us: int
    last_us: int
    lowest: Peak
    highest: Peak
    runs: int
    runs_in: bool = False
    runs_on: bool = False

    def to_payload(self) -> dict[str, Any]:
        """As plain numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> SlackRuns:
        """The inverse of `to_payload`."""
        return cls(**{**payload, **{name: Peak(**payload[name]) for name in ("lowest", "highest")}})


@dataclass(frozen=True)
class Loaded:
    """The first and last usable sample of a slice that are not below the slack level."""

    first_us: int
    last_us: int

    def to_payload(self) -> dict[str, Any]:
        return asdict(self)


def runs_of(
    tension: Tension, level: SlackLevel, policy: Policy, least_kn: float
) -> tuple[list[SlackRuns], Loaded | None]:
    """The slack runs of a slice in time order, and between which instants it was loaded (None: never).

    `least_kn`: the least of its usable tension, so that one that is never slack need not be gone through.
    """
    if least_kn >= level.most_kn:
        usable = tension.usable_ends()
        return [], None if usable is None else Loaded(*(int(tension.at_us[end]) for end in usable))
    groups, loaded = slack_groups(
        tension.at_us,
        tension.kn,
        tension.usable,
        level.from_us,
        level.kn,
        *tension.spans(tension.extremes.low_kn < level.most_kn),
        tension.begin,
        tension.end,
        us(policy.max_gap_s),
        us(policy.slack_join_s),
    )
    at_us = tension.at_us
    found = [
        SlackRuns(
            int(at_us[first]),
            int(at_us[last]),
            Peak(int(at_us[low]), float(tension.kn[low])),
            Peak(int(at_us[high]), float(tension.kn[high])),
            int(runs),
            bool(runs_in),
            bool(runs_on),
        )
        for first, last, low, high, runs, runs_in, runs_on in groups.tolist()
    ]
    if loaded[0] == NONE:
        return found, None
    return found, Loaded(int(at_us[loaded[0]]), int(at_us[loaded[1]]))


def join(pieces: Sequence[SlackRuns], loaded: Sequence[Loaded], policy: Policy) -> list[SlackRuns]:
    """Events in time order. `pieces`, `loaded`: of one rigging, of any number of days, in any order."""
    if not loaded:
        return []
    from_us, to_us = min(one.first_us for one in loaded), max(one.last_us for one in loaded)
    whole: list[SlackRuns] = []
    for piece in sorted(pieces, key=lambda one: one.first_us):
        apart_us = piece.first_us - whole[-1].last_us if whole else None
        if apart_us is None:
            whole.append(piece)
        elif whole[-1].runs_on and piece.runs_in and apart_us <= us(policy.max_gap_s):
            whole[-1] = _joined(whole[-1], piece, runs=whole[-1].runs + piece.runs - 1)
        elif apart_us < us(policy.slack_join_s):
            whole[-1] = _joined(whole[-1], piece, runs=whole[-1].runs + piece.runs)
        else:
            whole.append(piece)
    return [one for one in whole if from_us < one.first_us and one.last_us < to_us]


def _joined(piece: SlackRuns, later: SlackRuns, *, runs: int) -> SlackRuns:
    return replace(
        piece,
        last_us=later.last_us,
        lowest=min(piece.lowest, later.lowest, key=lambda peak: (peak.kn, peak.at_us)),
        highest=max(piece.highest, later.highest, key=lambda peak: (peak.kn, -peak.at_us)),
        runs=runs,
        runs_on=later.runs_on,
    )
