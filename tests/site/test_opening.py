"""What a site folder says, read rightly."""

import pickle
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import RegisterError, StoreError
from pipeline.site import open_site, site_from_archive
from schemas.registers import Policy
from schemas.times import rfc3339_us

SiteMaker = Callable[..., Path]


def test_registers_become_typed_rows(site_folder: SiteMaker) -> None:
    site = open_site(site_folder())
    assert site.info.id == "b1"
    assert site.zone.key == "Europe/Lisbon"
    assert site.channels["h1-tension"].capacity == 1000.0
    assert site.channels["w1-payout"].capacity is None
    assert site.channels["w1-payout"].recorded == "instant"
    assert site.lines["L1"].in_service == date(2025, 5, 1)
    assert site.strength_tests == ()
    assert set(site.specs) == {"hmpe-44"}
    assert {"winches", "plain-tensions"} <= set(site.layouts)


def test_riggings_are_in_order_of_time_whatever_the_order_of_the_rows(site_folder: SiteMaker) -> None:
    riggings = open_site(site_folder()).riggings
    assert [(row.line, row.channel) for row in riggings] == [
        ("L1", "h1-tension"),
        ("T1", "h1-tension"),
        ("L1", "w1-tension"),
    ]
    # One rigging ends in the very microsecond in which the next begins: [from, to) does not overlap.
    assert riggings[0].to_us == riggings[2].from_us == rfc3339_us("2026-03-02T09:00:00Z")
    assert riggings[2].to_us is None


def test_calibrations_of_a_channel_are_in_order_of_time(site_folder: SiteMaker) -> None:
    site = open_site(site_folder())
    assert [row.gain for row in site.calibrations_of("h1-tension")] == [1.0, 1.01]
    assert site.calibrations_of("w1-tension") == ()


def test_a_line_breaks_at_its_own_certificate_or_else_at_its_specs(site_folder: SiteMaker) -> None:
    site = open_site(site_folder())
    assert site.break_force_kn("L1") == 1370.0
    assert site.break_force_kn("T1") == 1250.5
    assert site.design_mbl_kn("L1") == 1200.0


def test_an_unknown_design_mbl_stays_unknown(spoilt: Callable[[str, str, str], Path]) -> None:
    assert open_site(spoilt("ships.csv", "1200", "")).design_mbl_kn("L1") is None


def test_a_brake_setting_holds_from_the_day_it_was_made(site_folder: SiteMaker) -> None:
    site = open_site(site_folder())
    before, after = rfc3339_us("2026-03-04T23:59:59Z"), rfc3339_us("2026-03-05T00:00:00Z")
    first, second = site.brake_setting("w1", before), site.brake_setting("w1", after)
    assert first is not None
    assert second is not None
    assert (first.brake_set_kn, second.brake_set_kn) == (700.0, 720.0)
    assert site.brake_setting("h1", after) is None


def test_an_empty_policy_is_a_complete_one(site_folder: SiteMaker) -> None:
    policy = open_site(site_folder()).policy
    assert policy == Policy()
    assert (policy.max_gap_s, policy.peak_load_pct, policy.cluster_gap_s) == (10.0, 50.0, 60.0)


def test_one_quality_limit_can_be_changed_for_one_kind_alone(spoilt: Callable[[str, str, str], Path]) -> None:
    changed = "ambient_c = 15\n[policy.quality.load-pin]\nspike_pct = 7\n"
    policy = open_site(spoilt("site.toml", "ambient_c = 15\n", changed)).policy
    assert policy.quality.for_kind("load-pin").spike_pct == 7.0
    assert policy.quality.for_kind("load-pin").flat_s == Policy().quality.load_pin.flat_s
    assert policy.quality.for_kind("winch-brake") == Policy().quality.winch_brake


def test_optional_registers_may_be_left_out(site_folder: SiteMaker) -> None:
    site = open_site(site_folder({"calibrations.csv": None, "winches.csv": None, "services.csv": None}))
    assert not site.calibrations
    assert not site.winches
    assert not site.services


def test_a_spreadsheets_habits_are_taken(site_folder: SiteMaker) -> None:
    # Byte-order mark, CRLF, padding, quotes around a comma, an empty row, no final newline.
    ships = '\ufeffship , design_mbl_kn,source\r\n"tern", 1200 ,"certificate, page 2"\r\n,,\r\n"gull",,'
    site = open_site(site_folder({"ships.csv": ships}))
    assert site.ships["tern"].source == "certificate, page 2"
    assert site.ships["gull"].design_mbl_kn is None


def test_the_archive_opens_to_the_same_site_without_the_folder(site_folder: SiteMaker, tmp_path: Path) -> None:
    site = open_site(site_folder())
    again = site_from_archive(site.archive, site.root)
    assert again == site
    for file, data in site.archive.items():
        if "built-in" not in file:
            assert data == (site.root / file).read_bytes()
    assert "strength_tests.csv" not in site.archive


def test_a_site_can_be_sent_to_a_worker_process(site_folder: SiteMaker) -> None:
    site = open_site(site_folder())
    assert pickle.loads(pickle.dumps(site)) == site


def test_examples_and_hidden_files_are_not_loaded(site_folder: SiteMaker) -> None:
    extra = {"specs/x.toml.example": "not toml", "specs/.x.toml": "not toml", "layouts/notes.txt": "not toml"}
    assert set(open_site(site_folder(extra)).specs) == {"hmpe-44"}


def test_a_folder_without_site_toml_is_not_a_site(tmp_path: Path) -> None:
    with pytest.raises(RegisterError, match=r"no site\.toml; next: .*tautlog new"):
        open_site(tmp_path)


def test_a_register_that_cannot_be_read_is_an_io_error(site_folder: SiteMaker) -> None:
    root = site_folder({"ships.csv": None})
    (root / "ships.csv").mkdir()
    with pytest.raises(StoreError, match=r"ships\.csv"):
        open_site(root)
