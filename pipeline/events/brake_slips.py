"""Slip runs: the stretches of one rigging and day over which a winch paid out line under load.

They are what `brake_render` makes events of. The law that ties the two: wherever a record is cut, the slip
runs of its parts make the same events as those of the whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled
from schemas.registers import Policy

Times = NDArray[np.int64]
Values = NDArray[np.float64]
Bools = NDArray[np.bool_]

# A brake state below this is open, as in the quality check of winch gauges.
BRAKE_SET: Final = 0.5


@dataclass(frozen=True)
class Rules:
    """The definition's figures. `min_kn`: the line tension from which paying out is rendering."""

    min_kn: float
    rate_m_s: float
    join_s: float
    min_payout_m: float
    window_s: float
    max_gap_s: float
    latest_s: float = 1.0

    @classmethod
    def of(cls, policy: Policy, limit_kn: float) -> Rules:
        """The rules of a site's policy; `limit_kn` is what its percentages are of (ship design MBL)."""
        return cls(
            min_kn=policy.render_min_pct / 100 * limit_kn,
            rate_m_s=policy.render_rate_m_s,
            join_s=policy.render_join_s,
            min_payout_m=policy.render_min_payout_m,
            window_s=policy.render_window_s,
            max_gap_s=policy.max_gap_s,
        )

    @property
    def edge_s(self) -> float:
        """How far before a stretch its readings must reach for its slips to be whole [s]."""
        return self.max_gap_s + max(self.window_s, self.join_s)


@dataclass(frozen=True)
class Readings:
    """What one winch recorded while one line was rigged on it; all times ascending, NaN where not usable.

    tension (n,): of the line [kN], clipped (n,): the gauge was at its capacity; payout (p,) [m], growing as
    line is paid out; brake (b,): 1 set, 0 open, empty arrays where it is not reported. made_up (n,): the reading is a
    spike, or its gauge stuck (`events.sound`); None: that none is.
    """

    tension_at_us: Times
    tension_kn: Values
    clipped: Bools
    payout_at_us: Times
    payout_m: Values
    brake_at_us: Times
    brake: Values
    made_up: Bools | None = None


@dataclass(frozen=True, order=True)
class Peak:
    """A largest tension; `at_least`: the gauge was clipped there; `made_up`: it is none of the line's load."""

    at_us: int
    kn: float
    at_least: bool
    made_up: bool = False


@dataclass(frozen=True)
class SlipRun:
    """Slips less than `join_s` apart, of one day: from the payout sample before the first one to the last.

    breakout: largest tension from `window_s` before `start_us` to `first_slip_us`; peak: the same to
    `end_us`. tensions_kn: the latest tension at each slip sample. approach: for a run that may continue one
    of the day before, the tensions before its window that no later one of them tops, so that the peak between
    is known.
    """

    start_us: int
    first_slip_us: int
    end_us: int
    payout_start_m: float
    payout_end_m: float
    breakout: Peak
    peak: Peak
    tensions_kn: tuple[float, ...]
    approach: tuple[Peak, ...] = ()

    def to_payload(self) -> dict[str, Any]:
        """As plain lists and numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> SlipRun:
        """The inverse of `to_payload`."""
        peaks = {name: Peak(**payload[name]) for name in ("breakout", "peak")}
        approach = tuple(Peak(**peak) for peak in payload["approach"])
        tensions_kn = tuple(payload["tensions_kn"])
        return cls(**{**payload, **peaks, "approach": approach, "tensions_kn": tensions_kn})


@compiled
def _slip_steps(
    tension_at_us: Times,
    tension_kn: Values,
    payout_at_us: Times,
    payout_m: Values,
    brake_at_us: Times,
    brake: Values,
    from_us: int,
    to_us: int,
    min_kn: float,
    rate_m_s: float,
    max_gap_us: int,
    latest_us: int,
    brake_set: float,
) -> tuple[NDArray[np.int64], Values]:
    """Payout indices i, in [from_us, to_us), whose step from i - 1 slipped, and the tension at each."""
    steps = np.empty(payout_m.size, np.int64)
    tensions = np.empty(payout_m.size, np.float64)
    count = tension_next = brake_next = 0
    for i in range(1, payout_m.size):
        at = payout_at_us[i]
        while tension_next < tension_at_us.size and tension_at_us[tension_next] <= at:
            tension_next += 1
        while brake_next < brake_at_us.size and brake_at_us[brake_next] <= at:
            brake_next += 1
        apart_us = at - payout_at_us[i - 1]
        if at < from_us or at >= to_us or tension_next == 0 or apart_us > max_gap_us:
            continue
        if (payout_m[i] - payout_m[i - 1]) / (apart_us / 1e6) < rate_m_s:
            continue
        if at - tension_at_us[tension_next - 1] > latest_us or tension_kn[tension_next - 1] < min_kn:
            continue
        if brake_next > 0 and brake[brake_next - 1] < brake_set:
            continue
        steps[count] = i
        tensions[count] = tension_kn[tension_next - 1]
        count += 1
    return steps[:count].copy(), tensions[:count].copy()


def slips(readings: Readings, rules: Rules, *, from_us: int, to_us: int) -> list[SlipRun]:
    """Slip runs of the payout steps that end in [from_us, to_us), in time order.

    A step slips where payout grew by at least `rate_m_s` since the sample before (at most `max_gap_s` ago),
    the latest tension, at most `latest_s` old, is `min_kn` or more, and the latest brake state is set or
    there is none. The readings reach `edge_s` before `from_us`, or to the start of the rigging; more changes
    nothing, save that the latest brake state counts however old it is. Runs that can no longer become an
    event (too little paid out, and too far from both ends to be continued) are left out.
    """
    known = _without_missing(readings)
    steps, tensions = _slip_steps(
        known.tension_at_us,
        known.tension_kn,
        known.payout_at_us,
        known.payout_m,
        known.brake_at_us,
        known.brake,
        from_us,
        to_us,
        rules.min_kn,
        rules.rate_m_s,
        round(rules.max_gap_s * 1e6),
        round(rules.latest_s * 1e6),
        BRAKE_SET,
    )
    if steps.size == 0:
        return []
    starts, ends = known.payout_at_us[steps - 1], known.payout_at_us[steps]
    join_us = round(rules.join_s * 1e6)
    apart_us = starts[1:] - ends[:-1]
    fresh = np.flatnonzero((apart_us > 0) & (apart_us >= join_us)) + 1
    firsts = np.concatenate(([0], fresh))
    lasts = np.concatenate((fresh, [steps.size])) - 1
    paid_out_m = known.payout_m[steps[lasts]] - known.payout_m[steps[firsts] - 1]
    # A run that starts before the border plus join_s may continue one; its first step may reach back a gap.
    margin_us = join_us + round(rules.max_gap_s * 1e6)
    opens = starts[firsts] < from_us + margin_us
    kept = (paid_out_m >= rules.min_payout_m) | opens | (ends[lasts] > to_us - margin_us)
    return [
        _slip_run(known, rules, steps[first : last + 1], tensions[first : last + 1], bool(open_))
        for first, last, open_ in zip(firsts[kept], lasts[kept], opens[kept], strict=True)
    ]


def _slip_run(known: Readings, rules: Rules, steps: NDArray[np.int64], tensions: Values, opens: bool) -> SlipRun:
    start_us = int(known.payout_at_us[steps[0] - 1])
    first_slip_us = int(known.payout_at_us[steps[0]])
    end_us = int(known.payout_at_us[steps[-1]])
    window_us = start_us - round(rules.window_s * 1e6)
    return SlipRun(
        start_us=start_us,
        first_slip_us=first_slip_us,
        end_us=end_us,
        payout_start_m=float(known.payout_m[steps[0] - 1]),
        payout_end_m=float(known.payout_m[steps[-1]]),
        breakout=_largest(known, window_us, first_slip_us),
        peak=_largest(known, window_us, end_us),
        tensions_kn=tuple(tensions.tolist()),
        approach=_untopped(known, start_us - round(rules.join_s * 1e6), window_us) if opens else (),
    )


def _largest(known: Readings, from_us: int, to_us: int) -> Peak:
    """The largest tension of [from_us, to_us], the first of equals; a slip's own tension is among them."""
    begin, stop = np.searchsorted(known.tension_at_us, (from_us, to_us + 1))
    index = int(begin + np.argmax(known.tension_kn[begin:stop]))
    return _peak(known, index)


def _untopped(known: Readings, from_us: int, to_us: int) -> tuple[Peak, ...]:
    """The tensions of [from_us, to_us) that no later one of them tops, in time order."""
    begin, stop = np.searchsorted(known.tension_at_us, (from_us, to_us))
    found: list[Peak] = []
    for index in range(int(stop) - 1, int(begin) - 1, -1):
        if not found or known.tension_kn[index] >= found[-1].kn:
            found.append(_peak(known, index))
    return tuple(reversed(found))


def _peak(known: Readings, index: int) -> Peak:
    made_up = known.made_up is not None and bool(known.made_up[index])
    return Peak(int(known.tension_at_us[index]), float(known.tension_kn[index]), bool(known.clipped[index]), made_up)


def _without_missing(readings: Readings) -> Readings:
    tension = np.isnan(readings.tension_kn)
    payout = np.isnan(readings.payout_m)
    brake = np.isnan(readings.brake)
    if not (tension.any() or payout.any() or brake.any()):
        return readings
    return Readings(
        readings.tension_at_us[~tension],
        readings.tension_kn[~tension],
        readings.clipped[~tension],
        readings.payout_at_us[~payout],
        readings.payout_m[~payout],
        readings.brake_at_us[~brake],
        readings.brake[~brake],
        None if readings.made_up is None else readings.made_up[~tension],
    )
