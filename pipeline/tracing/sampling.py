"""Is the logger fast enough: each tension channel's verdict from stored samples, priced with the lines rigged there.

Samples are those that the sheets count (calibrated, shared, without flags 4 and 9), without the 0 kN of a rigging's own
begin and end. Life is fatigue by the line's curve: closed cycles, and open ones as half cycles, since the widest swing
of a day is seldom closed on it; the spec's factor is left out, as it changes no verdict. Of several lines on a channel
the one with the worst verdict is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, Final

import numpy as np

from pipeline.errors import RegisterError, nearest
from pipeline.ledger.account import last_site
from pipeline.ledger.basis import basis_of
from pipeline.ledger.database import Ledger
from pipeline.outlook.sampling import LifeOf, Sampling, judge_sampling
from pipeline.sheets.cycles import Floats, Ints, close_cycles, tally_sorted, turning_points
from pipeline.site import Site
from pipeline.tracing.series import Series
from pipeline.wear.fatigue import UNIT_EXPONENT, life_units, pending_units, to_decimal
from schemas.registers import Channel
from schemas.times import DAY_US, day_start_us, us_to_rfc3339

LIMITS: Final = (
    "A jolt shorter than the interval leaves no trace, and a logger that filters before it samples looks fast enough "
    "whatever it missed. `fast enough` is for fatigue, not for peaks, and no word on the line.",
    "The verdict is for the days looked at: rougher weather may need more. 5 %, 1000 samples and the least ratio are "
    "house rules.",
)
_WORST_FIRST: Final = ("too slow", "cannot be told", "fast enough")
NO_LINE: Final = Sampling("cannot be told", "no line was rigged on it then, nothing prices its tension: cannot be told")
NO_SAMPLES: Final = Sampling("cannot be told", "no samples of it are stored for this time: cannot be told")


@dataclass(frozen=True)
class Window:
    """The time looked at, [from_us, to_us)."""

    from_us: int
    to_us: int

    def touches(self, day: date) -> bool:
        return day_start_us(day) < self.to_us and day_start_us(day) + DAY_US > self.from_us


def sampling_json(
    ledger: Ledger, channels: Sequence[str] = (), *, from_us: int | None = None, to_us: int | None = None
) -> dict[str, Any]:
    """The answer of `tautlog sampling`: all tension channels, or those named.

    Without bounds: each channel's last full UTC day with a line on it, which is the last that a reading of a later day
    follows (the last one of all where none does). RegisterError for a name that is no tension channel.
    """
    site = last_site(ledger)
    tension = {name: channel for name, channel in site.channels.items() if channel.quantity == "tension"}
    for name in channels:
        if name not in tension:
            near = nearest(name, tension)
            raise RegisterError(
                f"no tension channel is called {name!r}",
                file="channels.csv",
                next_step=f"did you mean {near}?" if near is not None else "see channels.csv for those there are",
            )
    series = Series(ledger, site)
    wanted = list(dict.fromkeys(channels)) or list(tension)
    return {
        "site": site.info.id,
        "channels": [_channel(site, series, tension[name], from_us, to_us) for name in wanted],
        "limits": list(LIMITS),
    }


def _channel(site: Site, series: Series, channel: Channel, from_us: int | None, to_us: int | None) -> dict[str, Any]:
    window = _window(series, channel, from_us, to_us)
    judged = _judged(site, series, channel, window) if window is not None else (None, NO_SAMPLES)
    line, found = judged
    return {
        "channel": channel.channel,
        "place": channel.place,
        "recorded": channel.recorded,
        "from_at": None if window is None else us_to_rfc3339(window.from_us),
        "to_at": None if window is None else us_to_rfc3339(window.to_us),
        "line": line,
        "basis": None if line is None else basis_of(site, line)[0],
        "outcome": found.outcome,
        "words": found.words,
        "rate_hz": found.rate_hz,
        "life": {name: _life(getattr(found, name)) for name in ("full", "half", "quarter")},
        "ratio": found.ratio,
        "shortfall_pct": found.shortfall_pct,
        "at_least_pct": found.at_least_pct,
    }


def _window(series: Series, channel: Channel, from_us: int | None, to_us: int | None) -> Window | None:
    """The time to look at; None where the channel has no stored reading at all."""
    days = series.days_of_channel(channel)
    if not days:
        return None
    if from_us is None and to_us is None:
        rigged = [day for day in series.rigged_days(channel) if day in days] or days
        day_us = day_start_us(([day for day in rigged if day < days[-1]] or rigged)[-1])
        return Window(day_us, day_us + DAY_US)
    first_us, end_us = day_start_us(days[0]), day_start_us(days[-1]) + DAY_US
    return Window(first_us if from_us is None else from_us, end_us if to_us is None else to_us)


def _judged(site: Site, series: Series, channel: Channel, window: Window) -> tuple[str | None, Sampling]:
    """The worst verdict of the lines rigged in the window, and whose it is."""
    if channel.recorded != "instant":
        return None, judge_sampling(np.empty(0, np.int64), np.empty(0), _nothing, channel.recorded)
    felt = _felt(series, channel, window)
    verdicts = [
        (line, judge_sampling(at_us, kn, _life_of(site, line), channel.recorded))
        for line, (at_us, kn) in sorted(felt.items())
    ]
    if not verdicts:
        return None, NO_LINE if any(map(window.touches, series.days_of_channel(channel))) else NO_SAMPLES
    return min(verdicts, key=lambda found: (_WORST_FIRST.index(found[1].outcome), -(found[1].shortfall_pct or 0.0)))


def _felt(series: Series, channel: Channel, window: Window) -> dict[str, tuple[Ints, Floats]]:
    """Usable tension in the window of every line rigged on a channel, in order of time."""
    pieces: dict[str, list[tuple[Ints, Floats]]] = {}
    for line, samples in series.of_channel(channel, window.touches):
        keep = samples.usable & (samples.at_us >= window.from_us) & (samples.at_us < window.to_us)
        pieces.setdefault(line, []).append((samples.at_us[keep], samples.kn[keep]))
    return {
        line: (np.concatenate([at_us for at_us, _ in found]), np.concatenate([kn for _, kn in found]))
        for line, found in pieces.items()
    }


def _life_of(site: Site, line: str) -> LifeOf:
    """Fatigue of successive tensions of a line, in units of 2^-101."""
    force, curve = site.break_force_kn(line), site.spec_of(line).fatigue

    def life(kn: Floats) -> int:
        turns = kn[turning_points(kn)]
        first, second, open_ = close_cycles(turns)
        low, high, count = tally_sorted(np.minimum(first, second), np.maximum(first, second))
        closed = life_units(low, high, count, break_force_kn=force, curve=curve)
        return 2 * closed + pending_units(turns[open_], break_force_kn=force, curve=curve)

    return life


def _life(units: float | None) -> Decimal | None:
    """Units of 2^-101 as life."""
    return None if units is None else to_decimal(round(units), UNIT_EXPONENT + 1)


def _nothing(kn: Floats) -> int:
    return 0
