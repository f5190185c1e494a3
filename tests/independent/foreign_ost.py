"""ost-reede: three winches in one long log (a row for each winch), payout in feet, brakes that render.

Its ship register knows no design MBL for one ship; one winch reports no brake state and has no setting.
Invented throughout.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date

from tests.independent.foreign import Ideal, RawLog, S, Signal, Style, Writer, csv_text, delimited, us
from tests.independent.foreign_site import (
    CHANNEL_COLUMNS,
    LINE_COLUMNS,
    RIGGING_COLUMNS,
    SPECS,
    WINCH_COLUMNS,
    Foreign,
    holes,
    site_toml,
    times,
)

STEP = S // 2
WINCH_TOML = """name = "winchbook"
reader = "delimited"
match = "wb-*.csv"
[text]
encoding = "utf-8"
separator = ","
decimal = "."
header_line = 1
missing = ["-", "n/a"]
final_newline = false
[time]
column = "ms"
format = "epoch_ms"
[rows]
key = "Drum"
[[value]]
column = "Load"
channel = "{key}-tension"
unit = "kN"
[[value]]
column = "Out_ft"
channel = "{key}-payout"
unit = "ft"
[[value]]
column = "Band"
channel = "{key}-brake"
unit = "1"
words = { OFF = 0, ON = 1 }
"""


@dataclass
class Winch:
    """One winch: load [kN], payout steps [ft] at instants, spans with the brake off, where dirt keeps out."""

    key: str
    load: Signal
    band: str | None
    payout_ft: float
    steps: dict[int, float] = field(default_factory=dict)
    off: list[tuple[int, int]] = field(default_factory=list)
    quiet: list[int] = field(default_factory=list)

    def slip(self, first: str, loads: list[float], feet: list[float]) -> None:
        """From `first` on: forced loads, and feet paid out by each sample."""
        start = us(first)
        self.load.burst(start, STEP, loads)
        self.quiet += [start, start + len(feet) * STEP]
        for index, feet_out in enumerate(feet):
            if feet_out:
                self.steps[start + index * STEP] = self.steps.get(start + index * STEP, 0.0) + feet_out

    def cells(self, at_us: int) -> tuple[tuple[str, str | None], ...]:
        self.payout_ft += self.steps.get(at_us, 0.0)
        band = "OFF" if any(first <= at_us < last for first, last in self.off) else self.band
        return (
            (f"{self.key}-tension", f"{self.load.at(at_us):.1f}"),
            (f"{self.key}-payout", f"{self.payout_ft:.2f}"),
            (f"{self.key}-brake", band),
        )


def _winch_one(rng: random.Random) -> Winch:
    """Early, joined, apart, too short, slack, creeping, and one across midnight."""
    one = Winch("D1", Signal(rng, 260, 35, 3.0), "ON", 61.0)
    rise = [300.0, 360.0, 430.0, 511.5, 470.0, 452.0, 449.5, 455.0, 440.0, 430.0]
    one.slip("2024-11-30T23:41:00", rise, [0, 0, 0, 0, 0.05, 0.07, 0.07, 0.04, 0.02, 0])
    # two runs 4 s apart join, a third 5.5 s later does not
    one.slip("2024-11-30T23:44:00", [280.0, 555.0, 490.0, 480.0] + [350.0] * 9, [0, 0, 0.09, 0.06] + [0.0] * 9)
    one.slip("2024-11-30T23:44:05", [351.0, 548.0, 470.0, 460.0], [0, 0.0, 0.08, 0.08])
    one.slip("2024-11-30T23:44:12", [350.0, 602.5, 470.0, 465.5], [0, 0.0, 0.11, 0.10])
    one.slip("2024-11-30T23:47:00", [350.0, 590.0, 470.0], [0, 0.0, 0.12])  # 0.037 m: too short
    one.slip("2024-11-30T23:49:00", [60.0] * 12, [0.0] + [0.4] * 10 + [0.0])  # slack: under 15 %
    one.slip("2024-11-30T23:51:00", [400.0] * 40, [0.01] * 40)  # 0.006 m/s: creep, not rendering
    one.slip("2024-11-30T23:53:00", [380.0] * 12, [0.0] + [-0.3] * 10 + [0.0])  # heaved in
    late = [400.0, 470.0, 560.0, 640.0, 655.0, 620.0, 600.0, 590.0, 585.5, 580.0, 570.0, 560.0]
    one.slip("2024-11-30T23:59:57", late, [0, 0, 0, 0, 0.06, 0.06, 0.05, 0.09, 0.08, 0.07, 0.04, 0])
    return one


def _winch_two(rng: random.Random) -> Winch:
    """Brake off and paying out under load (a gauge reading that is no line tension), then on and late."""
    two = Winch("D2", Signal(rng, 180, 30, 2.0), "ON", 140.0)
    two.off = [
        (us("2024-11-30T23:45:00"), us("2024-11-30T23:46:40")),
        (us("2024-12-01T00:02:00"), us("2024-12-01T00:02:01")),
    ]
    two.slip("2024-11-30T23:45:20", [520.0] * 40, [0.2] * 40)
    two.slip("2024-11-30T23:55:00", [300.0, 390.0, 401.5, 380.0, 371.0, 360.0], [0, 0, 0, 0.2, 0.3, 0.1])
    two.load.burst(us("2024-12-01T00:05:00"), STEP, [530.0, 540.5, 540.5, 520.0])
    return two


def _winch_three(rng: random.Random) -> Winch:
    """No brake word, no setting, no design MBL: percent of the line's break force."""
    three = Winch("D3", Signal(rng, 190, 25, 2.0), None, 12.5)
    three.slip("2024-12-01T00:08:00", [250.0, 333.5, 300.0, 305.5, 290.0, 280.0], [0, 0, 0.1, 0.1, 0.05, 0])
    three.load.burst(us("2024-12-01T00:10:00"), STEP, [400.0, 400.5, 399.5, 402.0])
    return three


def ost_reede(seed: int = 1) -> Foreign:
    """One long winch log over midnight, comma separated, epoch milliseconds, never ends its last line."""
    rng = random.Random(1_000 + seed)
    site = Foreign("ost-reede", date(2024, 12, 1))
    site.files = SPECS | {
        "site.toml": site_toml("ost-reede", "UTC", "max_gap_s = 7.5\n"),
        "channels.csv": csv_text(
            CHANNEL_COLUMNS,
            *(
                f"{drum}-{what},{what},winch-brake,2,{capacity},{drum}"
                for drum in ("D1", "D2", "D3")
                for what, capacity in (("tension", 1500), ("payout", 220), ("brake", 1))
            ),
        ),
        "ships.csv": csv_text(
            "ship,design_mbl_kn,source", "Teal,1000,invented for the test", "Smew,,not found on board"
        ),
        "lines.csv": csv_text(
            LINE_COLUMNS,
            "R1,Teal,hm40,main,2022-06-01T00:00:00Z,",
            "R1T,Teal,pa72,tail,2022-06-01T00:00:00Z,1290.5",
            "R2,Teal,pe60,main,2022-06-01T00:00:00Z,",
            "R3,Smew,pe60,main,2022-06-01T00:00:00Z,800",
        ),
        "rigging.csv": csv_text(
            RIGGING_COLUMNS,
            "R1,D1-tension,2024-11-30T23:40:10Z,,b,100",
            "R1T,D1-tension,2024-11-30T23:40:10Z,,a,100",
            "R2,D2-tension,2024-11-30T12:00:00Z,2024-12-01T00:20:00Z,a,100",
            "R3,D3-tension,2024-11-30T23:40:00.250Z,2024-12-01T00:24:59Z,a,100",
        ),
        "winches.csv": csv_text(
            WINCH_COLUMNS,
            "D1,600,2024-01-15T00:00:00Z,1,right,600,44",
            "D2,350,2024-01-15T00:00:00Z,2,right,600,44",
        ),
        "layouts/winchbook.toml": WINCH_TOML,
    }
    site.logs = [_winch_book(rng, site)]
    return site


def _winch_book(rng: random.Random, site: Foreign) -> RawLog:
    winches = [_winch_one(rng), _winch_two(rng), _winch_three(rng)]
    quiet = [instant for winch in winches for instant in winch.quiet]
    quiet += [edge for winch in winches for span in winch.off for edge in span]
    instants = times("2024-11-30T23:40:00", 2_700, STEP)
    gap = holes(rng, instants, 3)

    def clean(at_us: int) -> bool:
        return any(abs(at_us - instant) < 12 * S for instant in quiet)

    style = Style(
        write=delimited(",", "-", "utf-8", keyed=True, extra=lambda: str(rng.randint(1, 3))),
        stamp=lambda at: str(at // 1_000),
        blank=[b"", b",,,,,", b"\t"],
        junk=[b"power lost", b"1733009999000,D1,12.0"],
        bad_cell=["***", "1.2.3", "nan", "0x10"],
        bad_stamp=["", "soon", "2024-11-30T23:50:00Z"],
        spoil=lambda r, raw: raw + b",1",
        clean=clean,
        calm=clean,
        fixed=frozenset(f"{winch.key}-{what}" for winch in winches for what in ("payout", "brake")),
    )

    def ideals() -> Iterator[Ideal]:
        for at in instants:
            for winch in winches:
                cells = winch.cells(at)
                if not gap(at) or clean(at) or winch.load.near(at):
                    yield Ideal(at, winch.key, cells)

    rows = Writer(rng, site.seen, style, dirt=0.006).run(ideals())
    head = [b"ms,Drum,Load,Out_ft,Band,Layer"]
    return RawLog("wb-1130.csv", head, rows, b"\n", ended=False)
