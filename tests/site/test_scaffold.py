"""`tautlog new`: a folder that opens at once, and examples that are right when they are taken up."""

from pathlib import Path

import pytest

from pipeline.errors import StoreError
from pipeline.scaffold import new_site
from pipeline.site import open_site

CHANNELS = (
    "channel,quantity,kind,rate_hz,capacity,place\n"
    "hook-1-tension,tension,load-pin,10,1000,hook-1\n"
    "breast-1-tension,tension,other,1,1000,breast-1\n"
    "w1-tension,tension,winch-brake,2,1000,w1\n"
    "w1-payout,payout,winch-brake,2,,w1\n"
    "w1-brake,brake,winch-brake,2,,w1\n"
)


def test_a_new_site_opens_at_once_and_is_empty(tmp_path: Path) -> None:
    new_site(tmp_path / "Berth 7 (west)")
    site = open_site(tmp_path / "Berth 7 (west)")
    assert site.info.id == "Berth-7--west-"
    assert not site.channels
    assert not site.riggings
    assert site.inbox.is_dir()


def test_headers_name_every_column_optional_ones_too(tmp_path: Path) -> None:
    new_site(tmp_path / "b")
    header = (tmp_path / "b" / "rigging.csv").read_text().splitlines()[0]
    assert header == (
        "line,channel,from,to,outboard_end,share_pct,share_basis,share_low,share_high,role,"
        "inboard_m,outboard_m,wrap_deg,bend_ratio,surface,pretension_kn,"
        "chock_ahead_m,chock_athwart_m,lead_deg,lead_down_deg"
    )


def test_every_example_is_right_once_it_is_renamed(tmp_path: Path) -> None:
    root = tmp_path / "b"
    new_site(root)
    (root / "channels.csv").write_text(CHANNELS)
    examples = sorted(root.glob("*/*.toml.example"))
    assert {path.parent.name for path in examples} == {"specs", "layouts"}
    for path in examples:
        path.rename(path.with_suffix(""))
    site = open_site(root)
    assert set(site.specs) == {"hmpe-44"}
    assert set(site.layouts) == {"plain-tensions", "quay-hooks", "sentences", "winches"}


def test_a_folder_that_holds_anything_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "keep.txt").write_text("mine")
    with pytest.raises(StoreError, match="not empty"):
        new_site(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["keep.txt"]


def test_a_file_in_the_way_is_an_io_error(tmp_path: Path) -> None:
    (tmp_path / "b").write_text("a file")
    with pytest.raises(StoreError, match="cannot make the site folder"):
        new_site(tmp_path / "b")
