"""What a site folder may not say: each refusal exits 78 and names file, row, finding and nearest name."""

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.errors import RegisterError
from pipeline.site import open_site

SiteMaker = Callable[..., Path]
Spoilt = Callable[[str, str, str], Path]


def refusal(root: Path) -> RegisterError:
    with pytest.raises(RegisterError) as caught:
        open_site(root)
    assert caught.value.exit_code == 78
    return caught.value


# file, what stands there, what is put there, the line named, pieces of the message
ROWS = [
    (
        "channels.csv",
        "expected_every_h",
        "expectd_every_h",
        1,
        ["column 'expectd_every_h'", "'expected_every_h'?"],
    ),
    ("channels.csv", "rate_hz,", "rate_hz,rate_hz,", 1, ["'rate_hz' stands twice"]),
    ("channels.csv", ",place,", ",kind,", 1, ["'kind' stands twice"]),
    (
        "channels.csv",
        "w1-payout,payout",
        "w1-payout,payuot",
        4,
        ["'quantity'", "found 'payuot'", "'payout'?"],
    ),
    ("channels.csv", "10,1000", "0,1000", 2, ["'rate_hz'", "found '0'", "greater than 0"]),
    ("channels.csv", "10,1000", "1_0,1000", 2, ["'rate_hz'", "found '1_0'", "expected a number"]),
    ("channels.csv", "10,1000", "nan,1000", 2, ["'rate_hz'", "found 'nan'"]),
    ("channels.csv", "10,1000", "1e999,1000", 2, ["'rate_hz'", "found '1e999'"]),
    ("channels.csv", "1000,h1,24", '"1000,5",h1,24', 2, ["'capacity'", "found '1000,5'", "decimal point"]),
    ("channels.csv", "1000,h1,24", "1000,h1", 2, ["found 6 cells, expected 7 cells", "double quotes"]),
    ("channels.csv", "w1-payout,", ",", 4, ["column 'channel': empty cell", "expected a value"]),
    ("channels.csv", "w1-payout,", "w1-tension,", 4, ["second row for the same channel", "on line 3"]),
    ("ships.csv", "ship,design_mbl_kn,source", "ship;design_mbl_kn;source", 1, ["with commas"]),
    ("ships.csv", ",source", "", 1, ["missing column 'source'", "found ship, design_mbl_kn"]),
    ("ships.csv", "1200", "-1200", 2, ["'design_mbl_kn'", "greater than 0"]),
    ("ships.csv", "invented for the tests", '"invented', 2, ["not CSV"]),
    ("lines.csv", "L1,tern", "L1,ternn", 2, ["unknown ship 'ternn'", "did you mean 'tern'?"]),
    (
        "lines.csv",
        "L1,tern,hmpe-44",
        "L1,tern,hmpe-48",
        2,
        ["unknown spec 'hmpe-48'", "did you mean 'hmpe-44'?"],
    ),
    (
        "lines.csv",
        "tail,2025-05-01",
        "tail,01.05.2025",
        3,
        ["'in_service'", "found '01.05.2025'", "RFC 3339"],
    ),
    ("lines.csv", "tail,2025-05-01", "tail,2025-02-30", 3, ["'in_service'", "found '2025-02-30'"]),
    ("rigging.csv", "L1,w1-tension", "L9,w1-tension", 2, ["unknown line 'L9'", "a line of lines.csv"]),
    ("rigging.csv", "L1,w1-tension", "L1,w1-tensoin", 2, ["unknown channel", "did you mean 'w1-tension'?"]),
    (
        "rigging.csv",
        "L1,w1-tension",
        "L1,w1-payout",
        2,
        ["measures no tension", "found 'w1-payout' (payout)"],
    ),
    ("rigging.csv", "10:00:00+01:00", "10:00:00", 2, ["'from'", "found '2026-03-02T10:00:00'", "offset"]),
    ("rigging.csv", "10:00:00+01:00", "25:00:00+01:00", 2, ["'from'", "no such time"]),
    ("rigging.csv", "10:00:00+01:00", "09:59:59.999999+01:00", 2, ["rigged twice", "by line 3"]),
    (
        "rigging.csv",
        "2026-03-02T09:00:00Z,b",
        "2026-03-01T06:00:00Z,b",
        3,
        ["`to` must be later than `from`"],
    ),
    ("rigging.csv", "09:00:00Z,b", "09:00:00Z,c", 3, ["'outboard_end'", "found 'c'", "'a' or 'b'"]),
    ("rigging.csv", "b,50", "b,0", 3, ["'share_pct'", "found '0'", "greater than 0"]),
    ("rigging.csv", "b,50", "b,100.1", 3, ["'share_pct'", "less than or equal to 100"]),
    ("calibrations.csv", "h1-tension,2026-01-01", "h2-tension,2026-01-01", 3, ["did you mean 'h1-tension'?"]),
    ("calibrations.csv", "2026-01-01T", "2026-02-01T", 3, ["second row for the same channel and from"]),
    ("calibrations.csv", "1.5,1.01", "1.5,0", 2, ["'gain'", "greater than 0"]),
    ("winches.csv", "w1,720", "w2,720", 3, ["unknown place 'w2'", "register it in channels.csv"]),
    ("services.csv", "end-for-end", "end for end", 2, ["'action'", "did you mean 'end-for-end'?"]),
    ("services.csv", "L1,", "L2,", 2, ["unknown line 'L2'"]),
]


@pytest.mark.parametrize(("file", "old", "new", "line_no", "pieces"), ROWS)
def test_a_wrong_row_is_refused_by_its_number(
    spoilt: Spoilt, file: str, old: str, new: str, line_no: int, pieces: list[str]
) -> None:
    error = refusal(spoilt(file, old, new))
    assert (error.file, error.line_no) == (file, line_no)
    for piece in pieces:
        assert piece in str(error)


KEYS = [
    ("site.toml", "timezone", "timezoen", 4, ["unknown key 'site.timezoen'", "did you mean 'timezone'?"]),
    ("site.toml", "ambient_c = 15", "ambient_c = nan", 5, ["'site.ambient_c'", "found nan", "finite"]),
    ("site.toml", "ambient_c = 15", "ambient_c = true", 5, ["'site.ambient_c'", "found True"]),
    ("site.toml", "ambient_c = 15", "ambient_c = ", 5, ["not TOML"]),
    ("site.toml", 'name = "Berth one"\n', "", 1, ["missing key 'site.name'"]),
    ("specs/hmpe-44.toml", "mass_kg_per_m", "mass_kg_m", 5, ["'mass_kg_m'", "did you mean 'mass_kg_per_m'?"]),
    ("specs/hmpe-44.toml", "m = 5.0", "m = 0", 10, ["'fatigue.m'", "found 0", "greater than 0"]),
    (
        "specs/hmpe-44.toml",
        'source = "invented for the demo"',
        'source = ""',
        11,
        ["where the figure comes from"],
    ),
    ("specs/hmpe-44.toml", '"hmpe"', '"hppe"', 2, ["'material'", "found 'hppe'", "did you mean 'hmpe'?"]),
    ("specs/hmpe-44.toml", "[fatigue]", "[fatique]", 7, ["unknown key 'fatique'", "did you mean 'fatigue'?"]),
    (
        "layouts/winches.toml",
        'unit = "tf"',
        'unit = "ft "',
        None,
        ["unit 'ft' cannot measure", "of force"],
    ),
    ("layouts/winches.toml", 'unit = "tf"', 'unit = "tonf"', None, ["unknown unit 'tonf'", "did you mean"]),
    ("layouts/winches.toml", "{key}-payout", "{key}-pay", None, ["not registered"]),
    ("layouts/winches.toml", "{key}-payout", "w1-payout", None, ["{key} goes together with a [rows] key"]),
    ("layouts/winches.toml", "{key}-payout", "{key}-{hook}", None, ["no braces other than {key}"]),
    ("layouts/winches.toml", 'column = "out"', 'columm = "out"', 14, ["'value[2].columm'", "'column'?"]),
    ("layouts/winches.toml", 'column = "out"', 'column = "load"', None, ["name the same column 'load'"]),
    ("layouts/winches.toml", '"rfc3339"', '"iso"', 6, ["'time.format'", "found 'iso'"]),
    ("layouts/winches.toml", '"delimited"', '"sentences"', None, ["needs [time] prefix"]),
    ("layouts/winches.toml", '"delimited"', '"delimted"', 2, ["'reader'", "did you mean 'delimited'?"]),
    ("layouts/winches.toml", "[rows]", '[text]\nencoding = "utf-9"\n[rows]', 8, ["a text encoding"]),
    ("layouts/winches.toml", "[rows]", '[text]\nseparator = ";;"\n[rows]', 8, ["one ASCII character"]),
    (
        "layouts/winches.toml",
        "[rows]",
        '[text]\ndecimal = ","\n[rows]',
        7,
        ["separator and decimal must differ"],
    ),
    (
        "layouts/winches.toml",
        "[rows]",
        "[text]\nmissing = [9999]\n[rows]",
        8,
        ["'text.missing[1]'", "found 9999"],
    ),
    ("layouts/winches.toml", '"rfc3339"', '"%H:%M"\nzone = "Europe/Lisbn"', None, ["mean 'Europe/Lisbon'?"]),
]


@pytest.mark.parametrize(("file", "old", "new", "line_no", "pieces"), KEYS)
def test_a_wrong_key_is_refused_by_its_line(
    spoilt: Spoilt, file: str, old: str, new: str, line_no: int | None, pieces: list[str]
) -> None:
    error = refusal(spoilt(file, old, new))
    assert error.file == file
    for piece in pieces:
        assert piece in str(error)
    if line_no is not None:
        assert error.line_no == line_no


def test_an_unknown_time_zone_is_refused_with_the_nearest_one(spoilt: Spoilt) -> None:
    error = refusal(spoilt("site.toml", "Europe/Lisbon", "Europe/Lissabon"))
    assert "unknown timezone 'Europe/Lissabon'" in str(error)
    assert "did you mean 'Europe/Lisbon'?" in str(error)


@pytest.mark.parametrize("section", ["twist", "compression", "chemicals"])
def test_a_section_for_what_is_not_modelled_is_refused_rather_than_left_unread(spoilt: Spoilt, section: str) -> None:
    error = refusal(spoilt("specs/hmpe-44.toml", "[fatigue]", f"[{section}]\nq = 1\n[fatigue]"))
    assert f"unknown key '{section}'" in str(error)


def test_an_opening_life_without_its_source_is_refused(site_folder: SiteMaker) -> None:
    head = "line,ship,spec,part,in_service,opening_life,opening_source\n"
    error = refusal(site_folder({"lines.csv": head + "L1,tern,hmpe-44,main,,0.125,\n", "rigging.csv": None}))
    assert "opening_life needs its opening_source" in str(error)


def test_a_missing_register_is_named(site_folder: SiteMaker) -> None:
    assert "rigging.csv: missing from the site folder" in str(refusal(site_folder({"rigging.csv": None})))


def test_an_optional_register_under_a_wrong_name_is_not_passed_over(site_folder: SiteMaker) -> None:
    error = refusal(site_folder({"service.csv": "line,at,action,detail\n", "services.csv": None}))
    assert "service.csv: no register has this name" in str(error)
    assert "rename it to services.csv" in str(error)


def test_a_register_that_is_not_utf_8_is_refused_by_its_line(site_folder: SiteMaker) -> None:
    root = site_folder()
    (root / "ships.csv").write_bytes("ship,design_mbl_kn,source\ntern,1200,Prüfschein\n".encode("latin-1"))
    error = refusal(root)
    assert error.line_no == 2
    assert "byte 0xfc" in str(error)


def test_the_same_spec_id_in_two_files_is_refused(site_folder: SiteMaker) -> None:
    text = (site_folder() / "specs/hmpe-44.toml").read_text()
    error = refusal(site_folder({"specs/other.toml": text}))
    assert "two files give the id 'hmpe-44'" in str(error)
    assert "specs/hmpe-44.toml" in str(error)


def test_a_layout_named_as_a_built_in_one_is_refused(spoilt: Spoilt) -> None:
    error = refusal(spoilt("layouts/winches.toml", 'name = "winches"', 'name = "plain-tensions"'))
    assert "two files give the name 'plain-tensions'" in str(error)


def test_a_withdrawn_file_is_named_by_its_whole_digest(site_folder: SiteMaker) -> None:
    error = refusal(site_folder({"withdrawn.csv": "sha256,reason\nabc123,double delivery\n"}))
    assert "64 hexadecimal digits" in str(error)
    good = "sha256,reason\n" + "AB" * 32 + ",double delivery\n"
    assert open_site(site_folder({"withdrawn.csv": good})).withdrawn == {"ab" * 32: "double delivery"}
