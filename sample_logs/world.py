"""The invented world: berth, ship, lines and times. Every constant is invented for the demo.

Axes: x along the quay towards the bow, y away from the quay, z up from chart datum; metres.
Times are steps of 0.1 s since `START`; forces are kN, lengths m.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

SEED = 20261025
RATE_HZ = 10
DT_S = 1.0 / RATE_HZ
START = datetime(2026, 10, 24, tzinfo=UTC)
HOURS = 72
STEPS = HOURS * 3600 * RATE_HZ
ZONE = ZoneInfo("Europe/Lisbon")  # summer time ends on 2026-10-25 at 01:00 UTC: local 01:00-02:00 comes twice

TF_KN = 9.80665  # NIST SP 811
SHIP_DESIGN_MBL_KN = 1300.0
OWN_WEIGHT_KN = 2.5  # a slack line still hangs from its hook


def at(text: str) -> int:
    """The step of an RFC 3339 time in UTC, such as "2026-10-24T09:10"."""
    when = datetime.fromisoformat(text).replace(tzinfo=UTC)
    return round((when - START).total_seconds() * RATE_HZ)


def instant(step: int) -> datetime:
    """The UTC time of a step."""
    return START + timedelta(milliseconds=int(step) * 1000 // RATE_HZ)


def stamp(step: int) -> str:
    """A step as RFC 3339 text in UTC, to a tenth of a second."""
    when = instant(step)
    return when.strftime("%Y-%m-%dT%H:%M:%S") + (f".{when.microsecond // 100_000}Z")


LOGGERS_ON = at("2026-10-24T05:00")
LOGGERS_OFF = at("2026-10-26T18:00")
SENTENCES_OFF = at("2026-10-26T11:40")  # that logger lost its power, and nobody noticed
SENTENCES_GAP = (at("2026-10-25T14:05"), at("2026-10-25T14:31"))  # restarted for 26 minutes

MAKE_FAST = at("2026-10-24T09:10")
ALL_FAST = at("2026-10-24T10:06")
LET_GO = at("2026-10-26T15:30")
SQUALL = at("2026-10-24T23:56:30")  # across UTC midnight, and into the repeated local hour
SQUALL_SHAPE_S = (150.0, 420.0, 500.0)  # rise, plateau, fall
PASSING = at("2026-10-26T05:20")
PASSING_SCALE_S = 75.0
AUTO_TENSION = (at("2026-10-25T10:30"), at("2026-10-25T12:00"))  # winch W08 tends by itself

# The ship: in ballast when she makes fast, nearly full when she leaves.
LENGTH_M = 246.0
DEPTH_M = 21.0
DRAUGHT_M = (8.2, 13.4)
MASS_T = (62_000.0, 104_000.0)
ADDED_MASS = (0.08, 0.85, 0.55)  # share of mass (inertia for yaw) in surge, sway, yaw
GYRADIUS_M = 0.25 * LENGTH_M
WIND_AREA_M2 = (1150.0, 5200.0)  # frontal, side in ballast
SIDE_AREA_LOADED = 0.66  # side area left when loaded
DAMPING_RATIO = 0.10
FENDER_X_M = (-62.0, 62.0)
FENDER_KN_M = 5200.0  # each; pushes only
FENDER_DAMPING = 900.0  # kN s/m each


@dataclass(frozen=True)
class Rope:
    """A rope: break force [kN]; main: `ea_kn` [kN]; tail: strain e0 * (sqrt(1 + T/t0) - 1)."""

    spec: str
    break_force_kn: float
    ea_kn: float = 0.0
    t0_kn: float = 0.0
    e0: float = 0.0


HMPE = Rope("hmpe-44", 1370.0, ea_kn=52_000.0)
POLYESTER = Rope("polyester-76", 1700.0, t0_kn=170.0, e0=0.060)
POLYAMIDE = Rope("polyamide-88", 1720.0, t0_kn=150.0, e0=0.115)


@dataclass(frozen=True)
class Brake:
    """A band brake: the load it was set to, the load at which this one really slips, what a slip leaves."""

    place: str
    set_kn: float
    holds_kn: float
    grips_kn: float


@dataclass(frozen=True)
class MooringLine:
    """One main line with its tail: role, fairlead (on the ship), hook (on the quay), where it is measured."""

    line: str
    role: str
    fairlead: tuple[float, float]
    hook: tuple[float, float, float]
    tail: Rope
    tail_m: float
    pretension_kn: float
    place: str
    brake: Brake | None = None

    @property
    def tail_line(self) -> str:
        return "T" + self.line[1:]


NEVER_KN = 1e9  # a line whose winch nobody records: taken as holding
SET_KN = 0.60 * SHIP_DESIGN_MBL_KN
BRAKES = {
    "W04": Brake("W04", SET_KN, 1120.0, 900.0),  # seized: holds when it should render
    "W05": Brake("W05", SET_KN, 770.0, 600.0),  # as it should be
    "W08": Brake("W08", SET_KN, 790.0, 620.0),  # as it should be
    "W10": Brake("W10", SET_KN, 560.0, 440.0),  # set low
}


def _line(
    number: int, role: str, fairlead: tuple[float, float], hook: tuple[float, float, float], place: str
) -> MooringLine:
    tail, tail_m = (POLYAMIDE, 14.0) if role in ("head", "stern") else (POLYESTER, 11.0)
    pretension_kn = {"head": 110.0, "stern": 110.0, "breast": 130.0, "spring": 120.0}[role]
    return MooringLine(f"L{number:02d}", role, fairlead, hook, tail, tail_m, pretension_kn, place, BRAKES.get(place))


LINES: tuple[MooringLine, ...] = (
    _line(1, "head", (119.0, -9.0), (158.0, -58.0, 6.0), "H1"),
    _line(2, "head", (117.0, -11.0), (151.0, -60.0, 6.0), "H2"),
    _line(3, "breast", (96.0, -19.0), (101.0, -64.0, 5.5), "H3"),
    _line(4, "breast", (92.0, -19.5), (95.0, -64.0, 5.5), "W04"),
    _line(5, "spring", (72.0, -20.5), (14.0, -29.0, 5.0), "W05"),
    _line(6, "spring", (68.0, -20.5), (9.0, -29.0, 5.0), "F1"),
    _line(7, "spring", (-66.0, -20.5), (-9.0, -29.0, 5.0), "F2"),
    _line(8, "spring", (-70.0, -20.5), (-14.0, -29.0, 5.0), "W08"),
    _line(9, "breast", (-91.0, -19.5), (-94.0, -64.0, 5.5), "H4"),
    _line(10, "breast", (-95.0, -19.0), (-100.0, -64.0, 5.5), "W10"),
    _line(11, "stern", (-114.0, -12.0), (-150.0, -60.0, 6.0), "H5"),
    _line(12, "stern", (-116.0, -11.0), (-157.0, -58.0, 6.0), "H5"),  # two lines on one hook pin
)
NUMBER = {mooring.line: index for index, mooring in enumerate(LINES)}
FAST_ORDER = ("L05", "L08", "L04", "L09", "L01", "L12", "L06", "L07", "L03", "L10", "L02", "L11")
LET_GO_ORDER = ("L02", "L11", "L01", "L12", "L03", "L10", "L04", "L09", "L06", "L07", "L05", "L08")
FAST_EVERY = 240 * RATE_HZ
LET_GO_EVERY = 180 * RATE_HZ


def made_fast(line: str) -> int:
    """The step at which a line's eye goes over its hook."""
    return MAKE_FAST + FAST_ORDER.index(line) * FAST_EVERY


def let_go(line: str) -> int:
    """The step at which a line's eye comes off its hook."""
    return LET_GO + LET_GO_ORDER.index(line) * LET_GO_EVERY + 120 * RATE_HZ
