"""lang-skjer: one sample in five seconds over a week, on a clock that springs forward; shares, calibrations,
hooks that change, riggings that touch midnight, hold one sample or none, and days without a sample.
Invented throughout.
"""

import random
from datetime import date
from zoneinfo import ZoneInfo

from tests.independent.foreign import (
    Ideal,
    RawLog,
    S,
    Signal,
    Style,
    Writer,
    csv_text,
    delimited,
    local_clock,
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

ATHENS = ZoneInfo("Europe/Athens")  # springs forward: 2024-03-31 01:00 UTC
STEP = 5 * S
SLOW_TOML = """name = "slow-book"
reader = "delimited"
match = "slow_*.txt"
[text]
encoding = "utf-8"
separator = "|"
decimal = "."
header_line = 3
missing = ["", "999.9"]
final_newline = true
[time]
column = "clock"
format = "%Y-%m-%d %H:%M:%S"
zone = "Europe/Athens"
[[value]]
column = "q4"
channel = "Q4"
unit = "short_tonf"
[[value]]
column = "q1"
channel = "Q1"
unit = "tf"
[[value]]
column = "q2"
channel = "Q2"
unit = "tf"
[[value]]
column = "q3"
channel = "Q3"
unit = "kgf"
"""
RIGGING = (
    "S1,Q1,2024-03-28T00:00:00Z,2024-03-29T10:00:00Z,a,100",  # changes hook in the middle of a day
    "S1,Q2,2024-03-29T10:00:00Z,2024-03-31T00:00:00Z,a,100",  # ends exactly at midnight
    "S1,Q1,2024-03-31T00:00:00Z,2024-04-01T02:00:00Z,b,100",  # the other end outboard
    "S1,Q1,2024-04-01T02:00:00Z,,a,100",
    "S1T,Q1,2024-03-28T00:00:00Z,2024-03-29T10:00:00Z,a,100",
    "S1T,Q2,2024-03-29T10:00:00Z,2024-03-31T00:00:00Z,a,100",
    "S2,Q3,2024-03-28T09:30:02.5Z,2024-04-02T00:00:00Z,b,33.3",
    "S3,Q3,2024-03-28T09:30:02.5Z,,a,66.7",
    "S4,Q4,2024-03-28T10:00:00Z,2024-03-28T10:00:05Z,a,100",  # one sample, at its very start
    "S4,Q4,2024-03-29T03:00:00Z,2024-03-29T04:00:00Z,a,100",  # none: the logger slept
    "S4,Q4,2024-03-30T00:00:00Z,,a,100",
)


def lang_skjer(seed: int = 1) -> Foreign:
    """Pipe-separated tonnes, kilograms and short tons over a week, with its own policy."""
    rng = random.Random(2_000 + seed)
    policy = "max_gap_s = 12\npeak_load_pct = 45\ncluster_gap_s = 90\n"
    site = Foreign("lang-skjer", date(2024, 4, 2))
    site.files = SPECS | {
        "site.toml": site_toml("lang-skjer", "UTC", policy),
        "channels.csv": csv_text(CHANNEL_COLUMNS, *(f"Q{n},tension,load-pin,0.2,1800,post {n}" for n in (1, 2, 3, 4))),
        "ships.csv": csv_text("ship,design_mbl_kn,source", "Plover,800,invented for the test"),
        "calibrations.csv": csv_text(
            "channel,from,zero_kn,gain,uncertainty_pct,due,certificate",
            "Q2,2024-01-01T00:00:00Z,0,1.02,2,2025-01-01T00:00:00Z,C-11",
            "Q2,2024-03-30T09:00:00Z,3.5,1,2,2025-01-01T00:00:00Z,C-12",
            "Q4,2024-03-31T00:00:00Z,-1.25,0.97,2,2025-01-01T00:00:00Z,C-13",
        ),
        "lines.csv": csv_text(
            LINE_COLUMNS,
            "S1,Plover,hm40,main,2021-01-01T00:00:00Z,1010",
            "S1T,Plover,pa72,tail,2021-01-01T00:00:00Z,",
            "S2,Plover,pe60,main,2021-01-01T00:00:00Z,",
            "S3,Plover,pe60,main,2021-01-01T00:00:00Z,880",
            "S4,Plover,hm40,main,2021-01-01T00:00:00Z,",
        ),
        "rigging.csv": csv_text(RIGGING_COLUMNS, *RIGGING),
        "layouts/slow.toml": SLOW_TOML,
    }
    windows = [
        ("2024-03-28T09:30:00", 9_000),
        ("2024-03-29T08:00:00", 10_800),
        ("2024-03-29T23:00:00", 6_000),
        ("2024-03-30T22:30:00", 12_600),  # over midnight and the hour that never was
        ("2024-04-01T00:30:00", 9_000),
        ("2024-04-01T23:10:00", 6_000),
    ]
    site.logs = [_slow_book(rng, site, f"slow_{n}.txt", *window) for n, window in enumerate(windows)]
    return site


def _slow_book(rng: random.Random, site: Foreign, name: str, first: str, seconds: float) -> RawLog:
    instants = times(first, seconds, STEP)
    signals = [
        Signal(rng, 20, 4, 0.4),
        Signal(rng, 24, 5, 0.3),
        Signal(rng, 31_000, 5_000, 700),
        Signal(rng, 17, 3, 0.2),
    ]
    for signal in signals[:2]:
        top = signal.base
        start = instants.start + 1_200 * S
        signal.burst(start, STEP, [1.95 * top, 2.1 * top, 2.1 * top, 1.9 * top])
        signal.burst(start + 80 * S, STEP, [2.0 * top, 0.1, 2.05 * top])
        signal.burst(start + 300 * S, STEP, [2.2 * top])
    plateau = instants.start + 2_000 * S
    signals[3].burst(plateau, STEP, [17.0] * 60 + [22.0, 12.0] * 30)
    gap = holes(rng, instants, 4)
    style = Style(
        write=delimited("|", "999.9", "utf-8"),
        stamp=lambda at: local_clock(at, ATHENS).strftime("%Y-%m-%d %H:%M:%S"),
        blank=[b"", b"||||", b"| | | |"],
        junk=[b"2024-03-31 03:30:00|20.0|20.0|30000.0|17.0", b"2024-03-31 03:00:00|1.0|1.0|1.0|1.0", b"eof?"],
        bad_cell=["x", "1,5", "--"],
        bad_stamp=["31.03.2024 12:00", "2024-02-30 10:00:00"],
        spoil=lambda r, raw: raw.replace(b"|", b"", 1),
    )

    def ideal(at: int) -> Ideal:
        one, two, three, four = (signal.at(at) for signal in signals)
        cells = (("Q1", f"{one:.1f}"), ("Q2", f"{round(two * 2) / 2:.1f}"))
        return Ideal(at, "", (*cells, ("Q3", f"{three:.1f}"), ("Q4", f"{four:.1f}")))

    kept = [at for at in instants if not gap(at) or any(signal.near(at) for signal in signals)]
    rows = Writer(rng, site.seen, style, dirt=0.02).run(ideal(at) for at in kept)
    return RawLog(name, [b"slow book", b"", b"clock|q1|q2|q3|q4"], rows)
