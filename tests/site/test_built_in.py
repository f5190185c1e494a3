"""The built-in layout reads what it says it reads."""

from pathlib import Path

from pipeline.readers import read_log
from pipeline.scaffold import new_site
from pipeline.site import open_site
from schemas.times import rfc3339_us


def test_plain_tensions_are_read_without_a_layout_of_ones_own(tmp_path: Path) -> None:
    root = tmp_path / "b"
    new_site(root)
    (root / "channels.csv").write_text(
        "channel,quantity,kind,rate_hz,capacity,place\nQ1,tension,load-pin,1,1000,quay 1\n"
    )
    site = open_site(root)
    log = tmp_path / "any.plain-tensions.csv"
    log.write_text(
        "at,channel,tension_kn\n"
        "2026-03-01T06:00:00+01:00,Q1,12.5\n"
        "2026-03-01T06:00:01+01:00,Q1,\n"
        "2026-03-01T06:00:02+01:00,Q9,1\n"
    )
    pieces = list(read_log(log, site.layouts["plain-tensions"], site.channels, site.zone))
    (rows,) = [rows for piece in pieces for rows in piece.rows]
    assert rows.place == "quay 1"
    assert rows.at_us.tolist() == [rfc3339_us("2026-03-01T05:00:00Z"), rfc3339_us("2026-03-01T05:00:01Z")]
    assert rows.line_no.tolist() == [2, 3]
    assert rows.values["Q1"][0] == 12.5
    assert rows.values["Q1"][1] != rows.values["Q1"][1], "an empty cell is a missing reading: NaN"
    assert sum(piece.ignored for piece in pieces) == 1
