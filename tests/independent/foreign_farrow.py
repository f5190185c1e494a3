"""farrow-holm: bollards logged in tabs and Latin-1 on a clock that falls back by half an hour, load cells at
20 Hz in newtons in a compressed file, and NMEA sentences. Invented throughout.
"""

import random
from collections.abc import Sequence
from datetime import date
from zoneinfo import ZoneInfo

from tests.independent.foreign import (
    Ideal,
    RawLog,
    Row,
    S,
    Signal,
    Style,
    Writer,
    csv_text,
    delimited,
    is_repeated,
    local_clock,
    rfc3339,
    sentence,
    us,
)
from tests.independent.foreign_site import (
    CHANNEL_COLUMNS,
    LINE_COLUMNS,
    RIGGING_COLUMNS,
    SPECS,
    Foreign,
    holes,
    site_toml,
    times,
)

HOWE = ZoneInfo("Australia/Lord_Howe")  # falls back by half an hour: 2024-04-06 15:00 UTC


def farrow_holm(seed: int = 1) -> Foreign:
    """Tabs, Latin-1, CRLF, seven lines of head; lbf and kip; half-hour fall-back; 20 Hz newtons; NMEA."""
    rng = random.Random(seed)
    site = Foreign("farrow-holm", date(2024, 4, 7))
    site.files = SPECS | {
        "site.toml": site_toml("farrow-holm", "Australia/Lord_Howe"),
        "channels.csv": csv_text(
            CHANNEL_COLUMNS,
            *(f"H{n}-pull,tension,load-pin,1,2000,hook {n}" for n in (1, 2, 3)),
            *(f"H{n}-pull,tension,load-pin,20,2000,hook {n}" for n in (4, 5)),
            *(f"H{n}-pull,tension,other,1,2000,hook {n}" for n in (6, 7)),
        ),
        "ships.csv": csv_text("ship,design_mbl_kn,source", "Wren,900,invented for the test"),
        "lines.csv": csv_text(
            LINE_COLUMNS,
            *(f"F{n},Wren,hm40,main,2023-01-01T00:00:00Z," for n in (1, 2)),
            "F1T,Wren,pa72,tail,2023-01-01T00:00:00Z,1333",
            *(f"F{n},Wren,pe60,main,2023-01-01T00:00:00Z,{940 + n}" for n in (3, 4, 5, 6, 7)),
        ),
        "rigging.csv": csv_text(RIGGING_COLUMNS, *FARROW_RIGGING),
        "layouts/bollards.toml": BOLLARDS_TOML,
        "layouts/cells.toml": CELLS_TOML,
        "layouts/nmea.toml": NMEA_TOML,
    }
    site.logs = [
        _bollards(rng, site, "bollards_a.tsv", times("2024-04-06T13:40:00", 9_000, S), 4),
        _bollards(rng, site, "bollards_b.tsv", times("2024-04-06T23:52:00", 1_100, S // 2), 2),
        _cells(rng, site),
        _nmea(rng, site),
    ]
    return site


FARROW_RIGGING = (
    "F1,H1-pull,2024-04-06T13:45:00Z,2024-04-07T00:02:30Z,a,100",
    "F1T,H1-pull,2024-04-06T13:45:00Z,2024-04-07T00:02:30Z,b,100",
    "F2,H2-pull,2024-04-06T13:50:00+00:00,,a,100",
    "F3,H3-pull,2024-04-07T00:20:00+10:30,2024-04-06T14:10:00Z,a,100",  # 13:50 UTC
    "F3,H3-pull,2024-04-06T14:10:00Z,2024-04-06T15:40:00Z,b,100",
    "F3,H3-pull,2024-04-06T23:55:00Z,2024-04-07T00:05:00.5Z,a,50",
    "F4,H4-pull,2024-04-06T23:00:00Z,,a,66.7",
    "F5,H4-pull,2024-04-06T23:00:00Z,,b,33.3",
    "F6,H6-pull,2024-04-06T23:49:00Z,2024-04-07T00:30:00Z,a,100",
    "F7,H7-pull,2024-04-06T23:49:00Z,2024-04-07T00:00:00Z,a,100",
    "F7,H7-pull,2024-04-07T00:00:00Z,,b,100",
)
BOLLARDS_TOML = """name = "bollards"
reader = "delimited"
match = "bollards_*.tsv"
[text]
encoding = "latin-1"
separator = "\\t"
decimal = "."
header_line = 7
missing = ["", "--", "-99999"]
final_newline = true
[time]
column = "Zeitpunkt für Wände"
format = "%d/%m/%Y %H:%M:%S%.f"
zone = "site"
[[value]]
column = "Zug Süd (lbf)"
channel = "H1-pull"
unit = "lbf"
[[value]]
column = "Zug Nord (kip)"
channel = "H2-pull"
unit = "kip"
[[value]]
column = "Pfahl Ä (kN)"
channel = "H3-pull"
unit = "kN"
"""


def _bollards(rng: random.Random, site: Foreign, name: str, instants: range, gaps: int) -> RawLog:
    step = instants.step
    one = Signal(rng, 38_000, 7_000, 1_500)
    two = Signal(rng, 44, 9, 0.7)
    three = Signal(rng, 205, 38, 2.0)
    start = instants.start + 1_500 * S if gaps > 2 else instants.start + 450 * S
    three.burst(start, step, [450.0, 450.5, 470.5, 470.5, 450.0])  # 450.0 is the level itself: not above
    three.burst(start + 62 * S, step, [449.5, 455.0, 452.5])  # 59 or 60 s from the last above, by the rate
    three.burst(start + 200 * S, step, [451.0])
    three.burst(start + 200 * S + 60 * S, step, [460.0, 460.0])  # 60 s apart: two events
    three.burst(start + 320 * S, step, [451.0])
    three.burst(start + 320 * S + 60 * S - step, step, [453.5])  # just under 60 s: one event
    two.burst(us("2024-04-06T14:59:58"), S, [99.0, 101.5, 108.0, 108.0, 103.5, 101.0])  # across the step back
    gap = holes(rng, instants, gaps)
    remarks = ["", "", "", "ok", "wash; passing", "gust, west"]
    style = Style(
        write=delimited("\t", "--", "latin-1", extra=lambda: rng.choice(remarks)),
        stamp=lambda at: local_clock(at, HOWE).strftime("%d/%m/%Y %H:%M:%S.%f")[:-3],
        blank=[b"", b"   ", b"\t\t\t\t"],
        junk=["Gerät neu gestartet".encode("latin-1"), b"06/04/2024 13:41:00.000\t12"],
        bad_cell=["ERR", "NaN", "12,5", "1e", "inf"],
        bad_stamp=["31/02/2024 10:00:00.000", "", "2024-04-06T13:41:00Z", "06/04/2024 25:00:00.000"],
        spoil=lambda r, raw: raw + b"\t7" if r.random() < 0.5 else raw.rsplit(b"\t", 1)[0],
        calm=lambda at: us("2024-04-06T14:20:00") <= at < us("2024-04-06T15:40:00"),
        clean=lambda at: abs(at - us("2024-04-06T15:00:00")) < 20 * S,
        cut=_howe_cut,
    )
    writer = Writer(rng, site.seen, style)
    rows = writer.run(
        Ideal(
            at,
            "",
            (
                ("H1-pull", f"{one.at(at):.0f}"),
                ("H2-pull", f"{two.at(at):.1f}"),
                ("H3-pull", f"{round(three.at(at) * 2) / 2:.1f}"),
            ),
        )
        for at in instants
        if not gap(at) or two.near(at) or three.near(at) or abs(at - us("2024-04-06T15:00:00")) < 60 * S
    )
    columns = ["Zeitpunkt für Wände", "Zug Süd (lbf)", "Zug Nord (kip)", "Pfahl Ä (kN)", "Bemerkung"]
    head = ["Logger 7", "", "# Kai: Fähre", "\t", "Einheiten: gemischt", "----", "\t".join(columns)]
    return RawLog(name, [line.encode("latin-1") for line in head], rows, b"\r\n")


def _howe_cut(at_us: int) -> str:
    """One cut inside each pass of the repeated half hour, and no other there."""
    if at_us in (us("2024-04-06T14:47:00"), us("2024-04-06T15:11:00")):
        return "must"
    near = any(is_repeated(at_us + step * S, HOWE) for step in (-60, 0, 60))
    return "never" if near else "may"


CELLS_TOML = """name = "cells"
reader = "delimited"
match = "cells-*"
[text]
encoding = "utf-8"
separator = ";"
decimal = ","
header_line = 1
missing = ["9999999"]
final_newline = true
[time]
column = "stamp"
format = "rfc3339"
[[value]]
column = "cell 5"
channel = "H5-pull"
unit = "N"
[[value]]
column = "cell 4"
channel = "H4-pull"
unit = "N"
"""


def _cells(rng: random.Random, site: Foreign) -> RawLog:
    """20 Hz newtons with a fixed offset in each stamp; compressed; the last line is half written."""
    instants = times("2024-04-06T23:58:20", 200, 50_000)
    four, five = Signal(rng, 260_000, 60_000, 2_500), Signal(rng, 150_000, 20_000, 2_000)
    midnight = us("2024-04-07T00:00:00")
    four.burst(midnight - 2 * S, 50_000, [680_000 + 40 * (n % 37) for n in range(80)])
    gap = holes(rng, instants, 1)
    style = Style(
        write=delimited(";", "9999999", "utf-8"),
        stamp=lambda at: rfc3339(at, 630),
        blank=[b"", b";;", b" ; ; "],
        junk=[b"#restart", b"2024-04-07T10:30:00.000+10:30;1;2;3"],
        bad_cell=["", "***", "12.5", "-"],
        bad_stamp=["2024-04-07 10:00:00", "2024-13-07T10:00:00Z"],
        spoil=lambda r, raw: raw.replace(b";", b",", 1),
        clean=lambda at: abs(at - midnight) < 4 * S,
    )
    writer = Writer(rng, site.seen, style)
    rows = writer.run(
        Ideal(at, "", (("H5-pull", f"{five.at(at):.0f},5"), ("H4-pull", f"{four.at(at):.0f},0")))
        for at in instants
        if not gap(at) or four.near(at)
    )
    rows.append(Row(b"2024-04-07T10:31:40.000+10:30;15", "quarantined"))
    return RawLog("cells-01.txt.gz", [b"stamp;cell 5;cell 4"], rows, b"\n", ended=False)


NMEA_TOML = """name = "nmea"
reader = "sentences"
match = "*.nmea"
[text]
final_newline = true
[time]
prefix = "rfc3339"
[[value]]
transducer = "SPRING6"
channel = "H6-pull"
[[value]]
transducer = "SPRING7"
channel = "H7-pull"
"""


def _nmea(rng: random.Random, site: Foreign) -> RawLog:
    """One sentence a second with both transducers (and one nobody asked for), others in between."""
    six, seven = Signal(rng, 210_000, 45_000, 3_000), Signal(rng, 160_000, 30_000, 2_000)

    def write(stamp: str, key: str, texts: Sequence[str | None]) -> bytes:
        parts = [f"N,{text},N,{name}" for name, text in zip(key.split("+"), texts, strict=True)]
        return f"{stamp} {sentence('YXXDR,' + ','.join([*parts, 'C,11.5,C,AIR']))}".encode()

    def spoil(r: random.Random, raw: bytes) -> bytes:
        place = raw.index(b"XDR,N,") + 6
        return raw[:place] + (b"9" if raw[place : place + 1] != b"9" else b"8") + raw[place + 1 :]

    others = ("GPVTG,260.06,T,,M,0.40,N,0.75,K,A", "YXXDR,C,12.5,C,WATER", "WIMWV,214.8,R,8.1,N,A")
    style = Style(
        write=write,
        stamp=rfc3339,
        blank=[b"", b"  "],
        junk=[b"-- logger up --", b"2024-04-06T23:51:00Z $YXXDR,N,1"],
        ignored=[f"2024-04-06T23:51:00.000Z {sentence(body)}".encode() for body in others],
        bad_cell=["ERR", "12.5.1", "1e"],
        bad_stamp=["yesterday", "2024-04-06T23:61:00Z"],
        spoil=spoil,
    )
    acts = ("blank", "junk", "ignored", "stamp", "cell", "repeat", "conflict", "spoil")  # no sentinels
    writer = Writer(rng, site.seen, style, acts=acts)
    instants = times("2024-04-06T23:50:00", 1_300, S)
    gap = holes(rng, instants, 2)

    for n, at in enumerate(instants):
        left, right = ("H6-pull", f"{six.at(at):.0f}"), ("H7-pull", f"{seven.at(at):.0f}")
        if gap(at):
            continue
        if n % 7 == 0:
            writer.other(style.ignored[n % 3], "ignored", at)
        both = Ideal(at, "SPRING6+SPRING7", (left, right))
        apart = [Ideal(at, "SPRING7", (right,)), Ideal(at, "SPRING6", (left,))]
        writer.run([both] if n % 5 else apart)
    return RawLog("hut.nmea", [], writer.rows, b"\r\n")
