"""What moves the ship: waves, swell, slow drift, wind with a squall, a passing ship; tide and loading.

All arrays have one value a step (0.1 s) and are made from seeded streams, one for each cause, so that a
change of one leaves the others as they were. Motions in m (pitch in rad), forces in kN, moments in kN m.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_logs import world

Floats = NDArray[np.float64]

_AIR_T_M3 = 1.225e-3
_WIND_AHEAD_M = 14.0  # the wind presses ahead of midships
_STREAMS = ("surge", "sway", "heave", "pitch", "drift-x", "drift-y", "drift-n", "gust")


@dataclass(frozen=True)
class Sea:
    """Forcing of the moored ship: wave-frequency motions, slow forces, and slow change of level and mass."""

    surge_m: Floats
    sway_m: Floats
    heave_m: Floats
    pitch_rad: Floats
    force_x_kn: Floats
    force_y_kn: Floats
    moment_knm: Floats
    deck_m: Floats  # height of the fairleads above datum
    mass_t: Floats
    wind_m_s: Floats
    tug: Floats  # 1 while tugs hold the ship, 0 while the lines do


def generator(name: str, seed: int = world.SEED) -> np.random.Generator:
    """A random stream of its own for each name (PCG64 of seed and name)."""
    return np.random.Generator(np.random.PCG64([seed, *name.encode("ascii")]))


def ramp(times: list[tuple[str, float]], steps: int = world.STEPS) -> Floats:
    """Straight lines through (RFC 3339 time in UTC, value)."""
    return np.interp(np.arange(steps, dtype=np.float64), [world.at(when) for when, _ in times], [v for _, v in times])


def unit_process(rng: np.random.Generator, density: Callable[[Floats], Floats]) -> Floats:
    """A Gaussian process of unit variance with this one-sided spectral shape over frequency in Hz."""
    frequency = np.asarray(np.fft.rfftfreq(world.STEPS, world.DT_S), dtype=np.float64)
    power = np.zeros_like(frequency)
    power[1:] = density(frequency[1:])
    amplitude = np.sqrt(power / power.sum())
    normal = rng.standard_normal((2, len(frequency)))
    spectrum = (normal[0] + 1j * normal[1]) * amplitude
    return np.asarray(np.fft.irfft(spectrum, world.STEPS) * (world.STEPS / 2.0), dtype=np.float64)


def peak(period_s: float, width: float) -> Callable[[Floats], Floats]:
    """A log-normal hump of the spectrum about a period."""
    return lambda f: np.exp(-0.5 * (np.log(f * period_s) / width) ** 2) / f


def _both(wave_s: float, swell_s: float, swell_share: float) -> Callable[[Floats], Floats]:
    wave, swell = peak(wave_s, 0.14), peak(swell_s, 0.08)
    return lambda f: (1.0 - swell_share) * wave(f) + swell_share * swell(f)


def _sea_state() -> Floats:
    """Relative wave height over the three days: rising into the squall's night, then falling."""
    return ramp(
        [
            ("2026-10-24T00:00", 0.7),
            ("2026-10-24T16:00", 0.8),
            ("2026-10-24T23:40", 1.1),
            ("2026-10-25T00:10", 1.9),
            ("2026-10-25T02:00", 1.5),
            ("2026-10-25T12:00", 1.0),
            ("2026-10-26T23:00", 0.6),
        ]
    )


def loading() -> Floats:
    """Share of the cargo aboard, 0 to 1."""
    begun, pause, again, full = "2026-10-24T12:00", "2026-10-25T09:00", "2026-10-25T11:00", "2026-10-26T13:30"
    return ramp([(begun, 0.0), (pause, 0.48), (again, 0.48), (full, 1.0)])


def tide_m() -> Floats:
    """Water level above datum: a mean and two semi-diurnal waves (periods 12.42 h and 12 h)."""
    turns = 2 * np.pi * np.arange(world.STEPS, dtype=np.float64) / (3600.0 * world.RATE_HZ)
    return np.asarray(2.2 + 1.05 * np.cos(turns / 12.42 - 1.57) + 0.30 * np.cos(turns / 12.0 - 2.09))


def wind_m_s(gust: Floats) -> Floats:
    """Wind speed off the berth: a breeze, gusts in proportion to it, and the squall."""
    rise_s, plateau_s, fall_s = world.SQUALL_SHAPE_S
    seconds = (np.arange(world.STEPS) - world.SQUALL) * world.DT_S
    shape = np.interp(seconds, [-rise_s, 0.0, plateau_s, plateau_s + fall_s], [0.0, 1.0, 0.86, 0.0])
    breeze = ramp([("2026-10-24T00:00", 5.5), ("2026-10-24T22:00", 8.5), ("2026-10-25T08:00", 6.0)])
    return np.asarray(np.maximum((breeze + 19.3 * shape) * (1.0 + 0.105 * gust), 0.0))


def _passing() -> tuple[Floats, Floats, Floats]:
    """A ship passing close: surge pulls one way, then the other; sway is drawn out; yaw follows surge."""
    tau = (np.arange(world.STEPS) - world.PASSING) * world.DT_S / world.PASSING_SCALE_S
    bell = np.exp(-0.5 * np.clip(tau * tau, 0.0, 200.0))
    pull = np.asarray(tau * bell, dtype=np.float64)
    return 1780.0 * np.exp(0.5) * pull, np.asarray(420.0 * bell), -9000.0 * pull


def _tugs() -> Floats:
    minute = 60 * world.RATE_HZ
    fast, slack = world.ALL_FAST, world.LET_GO
    points = [world.MAKE_FAST, fast - 6 * minute, fast, slack - 8 * minute, slack - 4 * minute, world.STEPS]
    return np.interp(np.arange(world.STEPS), points, [1.0, 1.0, 0.0, 0.0, 1.0, 1.0])


def make_sea(seed: int = world.SEED) -> Sea:
    """All forcing of the three days."""
    rng = {name: generator(name, seed) for name in _STREAMS}
    state, loaded, tide = _sea_state(), loading(), tide_m()
    slow = peak(75.0, 0.45)
    wind = wind_m_s(unit_process(rng["gust"], peak(55.0, 0.7)))
    side = world.WIND_AREA_M2[1] * (1.0 - (1.0 - world.SIDE_AREA_LOADED) * loaded)
    wind_y = 0.5 * _AIR_T_M3 * side * wind**2
    wind_x = 0.5 * _AIR_T_M3 * world.WIND_AREA_M2[0] * 0.35 * wind**2
    passing_x, passing_y, passing_n = _passing()
    draught = world.DRAUGHT_M[0] + (world.DRAUGHT_M[1] - world.DRAUGHT_M[0]) * loaded
    return Sea(
        surge_m=0.022 * state * unit_process(rng["surge"], _both(8.5, 11.8, 0.55)),
        sway_m=0.026 * state * unit_process(rng["sway"], _both(8.2, 11.8, 0.45)),
        heave_m=0.030 * state * unit_process(rng["heave"], _both(9.0, 11.8, 0.6)),
        pitch_rad=0.00035 * state * unit_process(rng["pitch"], _both(9.0, 11.8, 0.6)),
        force_x_kn=wind_x + passing_x + 55.0 * state * unit_process(rng["drift-x"], slow),
        force_y_kn=wind_y + passing_y + 60.0 * state * unit_process(rng["drift-y"], slow),
        moment_knm=passing_n + _WIND_AHEAD_M * wind_y + 2600.0 * state * unit_process(rng["drift-n"], slow),
        deck_m=world.DEPTH_M - draught + tide,
        mass_t=world.MASS_T[0] + (world.MASS_T[1] - world.MASS_T[0]) * loaded,
        wind_m_s=wind,
        tug=_tugs(),
    )
