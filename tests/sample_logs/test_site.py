"""The demo site opens, and its registers tell of the same world as the logs."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.site import open_site
from sample_logs import sensors, world
from sample_logs.demo import copy_demo_site, deliveries
from schemas.times import rfc3339_us


def test_the_demo_site_opens_and_is_complete(tmp_path: Path) -> None:
    nights = copy_demo_site(tmp_path / "site")
    site = open_site(tmp_path / "site")
    assert len([line for line in site.lines.values() if line.part == "main"]) >= 12
    assert len(nights) == 3
    assert all(path.is_file() for night in nights for path in night)
    assert (tmp_path / "site" / "inbox").is_dir()
    assert not any((tmp_path / "site" / "inbox").iterdir())


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(FileExistsError, match="is not empty"):
        copy_demo_site(tmp_path)


def test_a_night_delivers_the_torn_file_before_the_whole_one() -> None:
    name = "pins_north_20261024_15.csv"
    held = [next(path for path in night if path.name == name) for night in deliveries()[:2]]
    first, second = (path.read_bytes() for path in held)
    assert not first.endswith(b"\n")
    assert second.startswith(first)
    assert second.endswith(b"\n")


def test_rigging_agrees_with_the_world(tmp_path: Path) -> None:
    copy_demo_site(tmp_path)
    site = open_site(tmp_path)
    start_us = rfc3339_us(world.stamp(0))
    for line in world.LINES:
        for name in (line.line, line.tail_line):
            rigging = [row for row in site.riggings if row.line == name][-1]
            assert rigging.channel == f"{line.place}-tension"
            assert rigging.from_us == start_us + world.made_fast(line.line) * 100_000
            assert rigging.to_us == start_us + world.let_go(line.line) * 100_000
            assert rigging.role == line.role
            assert rigging.share_pct == (50 if line.place == "H5" else 100)


def test_specs_brakes_and_calibrations_agree_with_the_world(tmp_path: Path) -> None:
    copy_demo_site(tmp_path)
    site = open_site(tmp_path)
    for line in world.LINES:
        for name, rope in ((line.line, world.HMPE), (line.tail_line, line.tail)):
            assert site.lines[name].spec == rope.spec
            assert site.specs[rope.spec].break_force_kn == rope.break_force_kn
    assert {winch.place: winch.brake_set_kn for winch in site.winches} == {
        place: brake.set_kn for place, brake in world.BRAKES.items()
    }
    told = {row.channel.removesuffix("-tension"): (row.zero_kn, row.gain) for row in site.calibrations}
    assert told == sensors.CALIBRATION
    assert site.ships["demo-ship"].design_mbl_kn == world.SHIP_DESIGN_MBL_KN


def test_every_constant_of_every_spec_is_called_invented(tmp_path: Path) -> None:
    copy_demo_site(tmp_path)
    for spec in open_site(tmp_path).specs.values():
        assert spec.fatigue.source == "invented for the demo"
        assert not spec.fatigue.calibrated
