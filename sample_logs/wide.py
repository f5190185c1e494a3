"""A wide hook log of any size, in the layout of the demo's hook loggers, written in pieces: for benchmarks.

Texture, not physics: every channel is a pretension with waves (8 to 12 s), swell, slow drift, and noise of
0.03 tf, rounded to the resolution. Memory stays flat, whatever the hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sample_logs import text
from sample_logs.writers import PREAMBLE

Floats = NDArray[np.float64]

NOISE_TF = 0.03
_PIECE_ROWS = 36_000
_PERIODS_S = (8.1, 8.9, 9.6, 10.4, 11.3, 11.9, 12.4, 12.9, 61.0, 83.0, 140.0, 290.0, 2700.0, 44_700.0)
_HEIGHTS_TF = (0.22, 0.30, 0.34, 0.28, 0.22, 0.42, 0.36, 0.25, 0.35, 0.45, 0.30, 0.25, 0.6, 1.6)


@dataclass(frozen=True)
class _Texture:
    """Sinusoids common to all channels, and how much of each a channel feels."""

    omega: Floats  # (k,) rad/s
    shares: Floats  # (2 k, channels) of cosines, then sines
    level_tf: Floats  # (channels,)

    def at(self, seconds: Floats) -> Floats:
        """Smooth tension [tf], one row a second given, one column a channel."""
        angle = seconds[:, np.newaxis] * self.omega
        waves = np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
        return np.asarray(self.level_tf + waves @ self.shares)


def _texture(rng: np.random.Generator, channels: int) -> _Texture:
    periods = np.array(_PERIODS_S) * rng.uniform(0.98, 1.02, len(_PERIODS_S))
    heights = np.array(_HEIGHTS_TF)[:, np.newaxis]
    phase = rng.uniform(0, 2 * np.pi, (len(periods), channels))
    gain = heights * rng.uniform(0.6, 1.8, (len(periods), channels))
    shares = np.concatenate([gain * np.cos(phase), gain * np.sin(phase)])
    return _Texture(2 * np.pi / periods, shares, rng.uniform(12.0, 22.0, channels))


def make_wide_log(
    path: Path,
    *,
    channels: Sequence[str],
    rate_hz: int = 10,
    start: datetime,
    hours: float,
    seed: int,
    resolution_tf: float = 0.01,
) -> int:
    """Writes a wide hook log with a column for each of `channels`; returns its rows.

    `start` must be aware; times are written in its own zone, as `%d.%m.%Y %H:%M:%S%.f`. `rate_hz` divides
    1,000,000 and `resolution_tf` is a whole number of hundredths. ValueError otherwise.
    """
    step = round(resolution_tf * 100)
    if start.tzinfo is None:
        raise ValueError("start needs a zone, such as datetime(2026, 3, 1, tzinfo=UTC)")
    if 1_000_000 % rate_hz or step < 1 or abs(step - resolution_tf * 100) > 1e-9:
        raise ValueError("rate_hz must divide 1,000,000; resolution_tf must be hundredths of a tf")
    rng = np.random.Generator(np.random.PCG64(seed))
    texture, cells = _texture(rng, len(channels)), text.Decimals(-2_000, 15_000, digits=2, mark=",")
    start_us = round(start.astimezone(UTC).timestamp() * 1e6)
    rows = round(hours * 3600 * rate_hz)
    with path.open("wb") as out:
        out.write("\n".join([*PREAMBLE, ";".join(["Time", *channels]), ""]).encode("ascii"))
        for first in range(0, rows, _PIECE_ROWS):
            index = np.arange(first, min(first + _PIECE_ROWS, rows), dtype=np.int64)
            smooth = texture.at(index / rate_hz)
            noise = rng.standard_normal(smooth.shape, dtype=np.float32) * NOISE_TF
            values = np.rint((smooth + noise) * (100.0 / step)).astype(np.int64) * step
            out.write(_piece(start_us + index * (1_000_000 // rate_hz), values, cells, start.tzinfo))
    return rows


def _piece(at_us: text.Ints, values: text.Ints, cells: text.Decimals, zone: tzinfo) -> bytes:
    columns = [text.day_first(at_us, zone)]
    semicolon = text.constant(";", len(at_us))
    for column in range(values.shape[1]):
        columns += [semicolon, cells.take(cells.of(values[:, column]))]
    return text.squeeze([*columns, text.constant("\n", len(at_us))])


def wide_layout(channels: Sequence[str], *, name: str = "wide-hooks", match: str = "wide_*.csv") -> str:
    """The layout of such a log as TOML: column `H1` feeds channel `H1-tension`, and so on."""
    head = [
        f'name = "{name}"', 'reader = "delimited"', f'match = "{match}"',
        "[text]", 'separator = ";"', 'decimal = ","', f"header_line = {len(PREAMBLE) + 1}",
        'missing = ["", "---", "9999,9"]',
        "[time]", 'column = "Time"', 'format = "%d.%m.%Y %H:%M:%S%.f"', 'zone = "site"',
    ]  # fmt: skip
    for column in channels:
        head += ["[[value]]", f'column = "{column}"', f'channel = "{column}-tension"', 'unit = "tf"']
    return "\n".join([*head, ""])
