"""A small site that is right in every row; each test spoils one thing of it."""

from collections.abc import Callable
from pathlib import Path

import pytest

FILES = {
    "site.toml": '[site]\nid = "b1"\nname = "Berth one"\ntimezone = "Europe/Lisbon"\nambient_c = 15\n',
    "channels.csv": (
        "channel,quantity,kind,rate_hz,capacity,place,expected_every_h\n"
        "h1-tension,tension,load-pin,10,1000,h1,24\n"
        "w1-tension,tension,winch-brake,2,800,w1,\n"
        "w1-payout,payout,winch-brake,2,,w1,\n"
    ),
    "calibrations.csv": (
        "channel,from,zero_kn,gain,uncertainty_pct,due,certificate\n"
        "h1-tension,2026-02-01T00:00:00Z,1.5,1.01,,2027-02-01,C-2\n"
        "h1-tension,2026-01-01T00:00:00Z,0,1,2,,\n"
    ),
    "ships.csv": "ship,design_mbl_kn,source\ntern,1200,invented for the tests\n",
    "lines.csv": (
        "line,ship,spec,part,in_service,break_force_kn\n"
        "L1,tern,hmpe-44,main,2025-05-01,\n"
        "T1,tern,hmpe-44,tail,2025-05-01,1250.5\n"
    ),
    "rigging.csv": (
        "line,channel,from,to,outboard_end,share_pct\n"
        "L1,w1-tension,2026-03-02T10:00:00+01:00,,a,100\n"
        "L1,h1-tension,2026-03-01T06:00:00Z,2026-03-02T09:00:00Z,b,50\n"
        "T1,h1-tension,2026-03-01T06:00:00Z,2026-03-02T09:00:00Z,a,50\n"
    ),
    "winches.csv": (
        "place,brake_set_kn,set_on,layer,reeling,barrel_mm,rope_mm\n"
        "w1,700,,1,right,600,44\n"
        "w1,720,2026-03-05,1,right,600,44\n"
    ),
    "services.csv": "line,at,action,detail\nL1,2026-03-02T09:30:00Z,end-for-end,\n",
    "specs/hmpe-44.toml": (
        'id = "hmpe-44"\nmaterial = "hmpe"\nconstruction = "12-strand"\ndiameter_mm = 44\n'
        "mass_kg_per_m = 1.02\nbreak_force_kn = 1370\n"
        '[fatigue]\na = 3.2\nb = 0.0\nm = 5.0\nsource = "invented for the demo"\n'
    ),
    "layouts/winches.toml": (
        'name = "winches"\nreader = "delimited"\nmatch = "w_*.csv"\n'
        '[time]\ncolumn = "t"\nformat = "rfc3339"\n[rows]\nkey = "Winch"\n'
        '[[value]]\ncolumn = "load"\nchannel = "{key}-tension"\nunit = "tf"\n'
        '[[value]]\ncolumn = "out"\nchannel = "{key}-payout"\nunit = "m"\n'
    ),
}

SiteMaker = Callable[..., Path]


@pytest.fixture
def site_folder(tmp_path: Path) -> SiteMaker:
    """Writes the small site with the files named replaced (None: left out) and returns its folder."""

    def write(changed: dict[str, str | None] | None = None) -> Path:
        root = tmp_path / "b1"
        for file, text in {**FILES, **(changed or {})}.items():
            if text is not None:
                (root / file).parent.mkdir(parents=True, exist_ok=True)
                (root / file).write_bytes(text.encode("utf-8"))
        return root

    return write


@pytest.fixture
def spoilt(site_folder: SiteMaker) -> Callable[[str, str, str], Path]:
    """Writes the small site with one piece of one file's text replaced by another."""

    def write(file: str, old: str, new: str) -> Path:
        assert FILES[file].count(old) == 1, "the piece to spoil must stand exactly once"
        return site_folder({file: FILES[file].replace(old, new)})

    return write
