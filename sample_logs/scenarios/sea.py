"""What moves the ship: waves and swell, slow drift, wind and squalls, passing ships, tugs, tide.

As in `sample_logs.sea`, with sizes told in parts of what the lines can bear together, so that a squall of 0.4 is
one on any berth. Motions in m (pitch in rad), forces in kN, moments in kN m, one row a step of 0.1 s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfftfreq

from sample_logs.scenarios.berth import Berth
from sample_logs.scenarios.kernel import DT_S
from sample_logs.scenarios.plan import MINUTE, Plan, Span
from sample_logs.scenarios.streams import Streams

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sea:
    """wave (steps, 4) and slow (steps, 5) as the stepper wants them; wind_m_s (steps,); passing_kn by span."""

    wave: Floats
    slow: Floats
    wind_m_s: Floats


def unit_process(rng: np.random.Generator, steps: int, dt_s: float, humps: list[tuple[float, float, float]]) -> Floats:
    """A Gaussian process of unit variance; humps: (period s, log width, share of the variance)."""
    size = next_fast_len(steps)
    frequency = np.asarray(rfftfreq(size, dt_s), dtype=np.float64)
    power = np.zeros_like(frequency)
    for period_s, width, share in humps:
        shape = np.exp(-0.5 * (np.log(frequency[1:] * period_s) / width) ** 2) / frequency[1:]
        power[1:] += share * shape / shape.sum()
    # Only where there is power are random numbers drawn: most frequencies of 10 Hz hold none.
    live = np.flatnonzero(power > power.max() * 1e-9)
    spectrum = np.zeros(len(frequency), dtype=np.complex128)
    normal = rng.standard_normal((2, len(live)))
    spectrum[live] = (normal[0] + 1j * normal[1]) * np.sqrt(power[live] / power.sum())
    return np.asarray(irfft(spectrum, size)[:steps] * (size / 2.0), dtype=np.float64)


def slow_process(rng: np.random.Generator, steps: int, period_s: float, width: float) -> Floats:
    """The same for periods of a minute: made at 1 Hz and joined by straight lines."""
    coarse = unit_process(rng, steps // 10 + 2, 1.0, [(period_s, width, 1.0)])
    fine = np.interp(np.arange(steps) * DT_S, np.arange(len(coarse), dtype=np.float64), coarse)
    return np.asarray(fine, dtype=np.float64)


def capacity_kn(berth: Berth) -> tuple[float, float]:
    """What the lines of one way could bear: springs along (the lesser way), all lines across [kN]."""
    along = {"fore": 0.0, "aft": 0.0}
    across = 0.0
    for line in berth.lines:
        length = np.sqrt(line.level_m**2 + 8.0**2)
        across += berth.ship_design_mbl_kn * abs(line.hook[1] - line.fairlead[1]) / length
        if line.role == "spring":
            along[line.end] += berth.ship_design_mbl_kn * line.level_m / length
    return min(along.values()), across


def _plateau(steps: int, span: Span, rise: int, fall: int) -> Floats:
    """0, up over `rise` steps from the span's first, 1, down over `fall` to its last, 0."""
    at = np.arange(steps)
    return np.interp(at, [span.first, span.first + rise, span.last - fall, span.last], [0.0, 1.0, 1.0, 0.0])


def make_sea(berth: Berth, plan: Plan, streams: Streams) -> Sea:
    """All forcing of a scenario."""
    steps = plan.steps
    along_kn, across_kn = capacity_kn(berth)
    state = np.full(steps, plan.sea_state)
    gusty = np.full(steps, plan.breeze)
    fx, fy, moment = np.zeros(steps), np.zeros(steps), np.zeros(steps)
    for span in plan.spans:
        size = abs(span.size)
        if span.word in ("squall", "wind", "breeze"):
            rise = {"squall": 4 * MINUTE, "wind": 4 * MINUTE, "breeze": 12 * MINUTE}[span.word]
            shape = _plateau(steps, span, rise, rise)
            gusty += size * shape
            state *= 1.0 + (0.6 if span.word == "squall" else 0.2) * shape * (plan.theme != "quiet")
        elif span.word == "rough":
            shape = _plateau(steps, span, 3 * MINUTE, 4 * MINUTE)
            state += (size - plan.sea_state) * shape
        elif span.word == "tug":
            fy -= size * across_kn * _plateau(steps, span, MINUTE, MINUTE)
        elif span.word == "passing":
            bell, pull = passing_shape(steps, span)
            fx += np.sign(span.size) * size * along_kn * np.exp(0.5) * pull
            fy += 0.06 * across_kn * bell
            moment -= np.sign(span.size) * 0.008 * across_kn * berth.length_m * pull
    state *= plan.calm
    gust = 1.0 + 0.1 * slow_process(streams("gust"), steps, 55.0, 0.7)
    wind_y = across_kn * gusty * gust**2
    ease = np.minimum(np.arange(steps) / (5.0 * MINUTE), 1.0)  # nothing begins with a jerk
    waves, swell = 1.0 - plan.swell_share, plan.swell_share
    humps = [(plan.wave_s, 0.14, waves), (plan.swell_s, 0.08, swell)]
    sizes = (("surge", 0.022), ("sway", 0.026), ("heave", 0.030), ("pitch", 0.00035))
    wave = np.stack([size * ease * state * unit_process(streams(w), steps, DT_S, humps) for w, size in sizes], axis=1)
    drift = np.sqrt(state) * ease
    total_kn = berth.ship_design_mbl_kn * len(berth.lines)
    drift_x, drift_y, drift_n = (slow_process(streams(f"drift-{w}"), steps, 75.0, 0.45) for w in "xyn")
    fx += 0.0035 * total_kn * drift * drift_x + 0.12 * wind_y * ease
    fy += 0.0038 * total_kn * drift * drift_y + wind_y * ease
    moment += 0.16 * total_kn * drift * drift_n + 0.03 * berth.length_m * wind_y * ease
    return Sea(
        wave, np.stack([fx, fy, moment, _deck_m(berth, plan), _tugs(plan)], axis=1), 40.0 * np.sqrt(wind_y / across_kn)
    )


def passing_shape(steps: int, span: Span) -> tuple[Floats, Floats]:
    """A ship passing close: a bell, and a pull one way and then the other, six scales long."""
    scale = (span.last - span.first) / 6.0
    tau = (np.arange(steps) - 0.5 * (span.first + span.last)) / scale
    bell = np.exp(-0.5 * np.clip(tau * tau, 0.0, 200.0))
    return np.asarray(bell, dtype=np.float64), np.asarray(tau * bell, dtype=np.float64)


def _deck_m(berth: Berth, plan: Plan) -> Floats:
    """Height of the fairleads: tide, and the ship sinking or rising as she works cargo (8 cm an hour)."""
    hours = np.arange(plan.steps) * DT_S / 3600.0
    tide = plan.calm * plan.tide_m * np.cos(2 * np.pi * hours / 12.42 + plan.tide_phase)
    return np.asarray(berth.deck_m + tide - 0.08 * np.minimum(hours, 8.0))


def _tugs(plan: Plan) -> Floats:
    """1 while tugs hold the ship, 0 while the lines do."""
    if plan.theme == "quiet":
        return np.zeros(plan.steps)
    fast, slack = plan.all_fast, plan.let_go
    points = [0, fast - 4 * MINUTE, fast - MINUTE, slack, slack + MINUTE, plan.steps]
    return np.interp(np.arange(plan.steps), points, [1.0, 1.0, 0.0, 0.0, 1.0, 1.0])
