"""The benchmark's wide logs: right text, right texture, right clocks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from sample_logs import text
from sample_logs.wide import make_wide_log, wide_layout
from sample_logs.writers import sentence

LISBON = ZoneInfo("Europe/Lisbon")
CHANNELS = ["H1", "H2", "H3"]


def _make(path: Path, *, hours: float = 1.0, seed: int = 1, resolution_tf: float = 0.01) -> pl.DataFrame:
    start = datetime(2026, 3, 1, tzinfo=LISBON)
    rows = make_wide_log(path, channels=CHANNELS, start=start, hours=hours, seed=seed, resolution_tf=resolution_tf)
    frame = pl.read_csv(path, separator=";", decimal_comma=True, skip_rows=3)
    assert frame.height == rows == round(hours * 36_000)
    return frame


def test_waves_swell_drift_and_noise_are_in_a_wide_log(tmp_path: Path) -> None:
    frame = _make(tmp_path / "wide_1.csv")
    for name in CHANNELS:
        load = frame[name].to_numpy()
        assert 5 < load.mean() < 30
        # A Hann window keeps the slow drift out of the high frequencies; it passes 3/8 of white noise.
        power = np.abs(np.fft.rfft((load - load.mean()) * np.hanning(len(load)))) ** 2
        hertz = np.fft.rfftfreq(len(load), 0.1)
        waves = power[(hertz > 1 / 13.5) & (hertz < 1 / 7.9)].sum()
        fast = power[hertz > 1.0]
        assert waves > 0.2 * power.sum()
        # The mean of |X|^2 over many frequencies is n sigma^2; rounding to 0.01 adds 0.01^2 / 12.
        assert np.sqrt(fast.mean() / (0.375 * len(load))) == pytest.approx(0.0301, rel=0.03)


def test_a_wide_log_is_the_same_for_the_same_seed_and_another_for_another(tmp_path: Path) -> None:
    one, again, other = (tmp_path / name for name in ("a.csv", "b.csv", "c.csv"))
    for path, seed in ((one, 1), (again, 1), (other, 2)):
        _make(path, hours=0.1, seed=seed)
    assert one.read_bytes() == again.read_bytes() != other.read_bytes()


def test_a_coarse_resolution_is_kept(tmp_path: Path) -> None:
    frame = _make(tmp_path / "wide_1.csv", hours=0.1, resolution_tf=0.05)
    centi = np.rint(frame["H1"].to_numpy() * 100).astype(int)
    assert (centi % 5 == 0).all()


def test_a_start_without_zone_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="zone"):
        make_wide_log(tmp_path / "x.csv", channels=CHANNELS, start=datetime(2026, 1, 1), hours=1, seed=1)


def test_a_resolution_that_is_no_hundredth_is_refused(tmp_path: Path) -> None:
    start = datetime(2026, 1, 1, tzinfo=UTC)
    with pytest.raises(ValueError, match="hundredths"):
        make_wide_log(tmp_path / "x.csv", channels=CHANNELS, start=start, hours=1, seed=1, resolution_tf=0.003)


def test_the_layout_of_a_wide_log_is_a_layout() -> None:
    import tomllib

    from schemas.registers import Layout

    layout = Layout.model_validate(tomllib.loads(wide_layout(CHANNELS)))
    assert [rule.channel for rule in layout.value] == ["H1-tension", "H2-tension", "H3-tension"]


def test_local_times_are_what_python_says_around_both_changes_of_the_clocks() -> None:
    for middle in (datetime(2026, 10, 25, 1, tzinfo=UTC), datetime(2026, 3, 29, 1, tzinfo=UTC)):
        instants = [middle + timedelta(seconds=7 * k, milliseconds=100 * k) for k in range(-900, 900)]
        at_us = np.array([round(at.timestamp() * 10) * 100_000 for at in instants], dtype=np.int64)
        lines = text.squeeze([text.day_first(at_us, LISBON), text.constant("\n", len(at_us))]).split(b"\n")
        expected = [at.astimezone(LISBON).strftime("%d.%m.%Y %H:%M:%S.%f")[:22] for at in instants]
        assert [line.decode() for line in lines[:-1]] == expected
        iso = text.squeeze([text.rfc3339(at_us, LISBON), text.constant("\n", len(at_us))]).split(b"\n")
        assert [datetime.fromisoformat(line.decode()) for line in iso[:-1]] == instants


def test_numbers_are_written_as_python_writes_them() -> None:
    table = text.Decimals(-1234, 1234, digits=2)
    values = np.arange(-1234, 1235, dtype=np.int64)
    written = text.squeeze([table.take(table.of(values)), text.constant("\n", len(values))]).split(b"\n")
    assert [line.decode() for line in written[:-1]] == [f"{k / 100:.2f}" for k in values]


def test_a_number_outside_its_table_is_an_error() -> None:
    with pytest.raises(IndexError, match=r"outside 0\.\.9"):
        text.Decimals(0, 9, digits=0).of(np.array([10], dtype=np.int64))


@pytest.mark.parametrize(
    ("body", "checksum"),
    [
        # Outside check 49: recomputed with pynmea2.
        ("HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ", "41"),
        ("YXXDR,N,412300,N,BREAST1", "69"),
        ("GPVTG,260.06,T,,M,0.40,N,0.75,K,A", "39"),
    ],
)
def test_checksums_are_right(body: str, checksum: str) -> None:
    assert sentence(body).decode() == f"${body}*{checksum}"
