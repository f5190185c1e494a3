"""The registers of the machine's berth, in memory, and as the files that people keep. Constants are invented."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from hypothesis import strategies as st

from tests.machine.logs import DAY_US, FIRST_US, HOUR_US, Log, S, moment

MAINS, TAILS = ("L1", "L2", "L3"), ("T1",)
LINES = (*MAINS, *TAILS)
CHANNELS = ("H1", "H2", "W1-pull")
SITE = """[site]
id = "machine"
name = "Berth of the state machine"
timezone = "UTC"
[policy]
"""
# H2 is clipped from 320 kN and cannot read more than 640, or less than -80.
CHANNEL_ROWS = """channel,quantity,kind,rate_hz,capacity,place
H1,tension,load-pin,1,,H1
H2,tension,load-pin,1,320,H2
W1-pull,tension,winch-brake,1,2000,W1
W1-payout,payout,other,1,,W1
W1-brake,brake,other,1,,W1
"""
HOOKS_TOML = """name = "hooks"
reader = "delimited"
match = "hooks_*.csv"
[text]
separator = ","
decimal = "."
header_line = 1
missing = {missing}
final_newline = {final_newline}
[time]
column = "at"
format = "rfc3339"
[rows]
key = "hook"
[[value]]
column = "kn"
channel = "{{key}}"
unit = "{unit}"
"""
WINCH_TOML = """name = "winch"
reader = "delimited"
match = "winch_*.csv"
[text]
separator = ";"
decimal = "{decimal}"
header_line = 1
missing = {missing}
final_newline = {final_newline}
[time]
column = "time"
format = "%Y-%m-%d %H:%M:%S%.f"
zone = "{zone}"
[[value]]
column = "pull"
channel = "W1-pull"
unit = "{unit}"
[[value]]
column = "payout"
channel = "W1-payout"
unit = "{payout_unit}"
[[value]]
column = "brake"
channel = "W1-brake"
unit = "1"
words = {words}
"""
LAYOUT_TEXTS: Mapping[Log, str] = {"hooks": HOOKS_TOML, "winch": WINCH_TOML}
_UNITS, _YES_NO = ("kN", "tf", "kip"), ("true", "false")
_SENTINELS = ('["---"]', '["---", "0"]', '["---", "160", "SET"]')
LAYOUT_CHOICES: Mapping[Log, Mapping[str, tuple[str, ...]]] = {
    "hooks": {"unit": _UNITS, "missing": _SENTINELS, "final_newline": _YES_NO},
    "winch": {
        "unit": _UNITS,
        "missing": _SENTINELS,
        "final_newline": _YES_NO,
        "decimal": (".", ","),  # payout is always written with a point
        "zone": ("UTC", "Etc/GMT-5", "Etc/GMT+3"),
        "payout_unit": ("m", "ft"),
        "words": ("{ OPEN = 0, SET = 1 }", "{ OPEN = 1, SET = 0 }"),
    },
}
"""What a layout may say; the first of each is as the logs were written."""
POLICY_CHOICES: Mapping[str, tuple[float, ...]] = {
    # Percentages are exact as fractions of one, so that a level is the same double however it is reckoned.
    "peak_load_pct": (50, 25, 62.5),
    "max_gap_s": (10, 1, 11),
    "cluster_gap_s": (60, 0, 5),
}
SPEC = """id = "rope"
material = "hmpe"
construction = "12-strand"
diameter_mm = 40
mass_kg_per_m = 0.9
break_force_kn = {break_force_kn}
[fatigue]
a = {a}
b = {b}
m = {m}
source = "invented for the test"
"""
SPEC_CHOICES: Mapping[str, tuple[float, ...]] = {
    "break_force_kn": (1200, 1437.5),
    "a": (3.1, 2.75),
    "b": (0.4, 0.0),
    "m": (4.5, 5.3, 3.0),
}
BREAK_FORCES = ("1111", "1300.5", "")
MBL_CHOICES = ("1000", "", "800")


@dataclass(frozen=True)
class Stretch:
    """One rigging of a line."""

    channel: str
    from_us: int
    to_us: int | None
    zone: str = "a"
    share_pct: int = 100


@dataclass
class Registers:
    """All that people keep; `write` makes the site folder say so."""

    rigged: dict[str, tuple[Stretch, ...]]
    calibrations: dict[str, dict[int, tuple[float, float]]] = field(default_factory=dict)
    policy: dict[str, float] = field(default_factory=dict)
    spec: dict[str, float] = field(default_factory=lambda: {name: found[0] for name, found in SPEC_CHOICES.items()})
    own_break_force_kn: dict[str, str] = field(default_factory=dict)
    mbl_kn: dict[str, str] = field(default_factory=lambda: {"S1": "1000", "S2": ""})
    layouts: dict[Log, dict[str, str]] = field(
        default_factory=lambda: {
            log: {name: found[0] for name, found in choices.items()} for log, choices in LAYOUT_CHOICES.items()
        }
    )
    withdrawn: dict[str, str] = field(default_factory=dict)

    def write(self, root: Path) -> None:
        for relative, text in self._files().items():
            path = root / relative
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")

    def _files(self) -> dict[str, str]:
        # No settling: a file counts on the night it comes.
        policy = "settle_s = 0\n" + "".join(f"{name} = {value}\n" for name, value in self.policy.items())
        lines = [
            f"{line},{'S2' if line == 'L3' else 'S1'},rope,{'tail' if line in TAILS else 'main'},2026-01-01,"
            f"{self.own_break_force_kn.get(line, '')}"
            for line in LINES
        ]
        return {
            "site.toml": SITE + policy,
            "channels.csv": CHANNEL_ROWS,
            "winches.csv": "place,brake_set_kn,set_on,layer,reeling,barrel_mm,rope_mm\nW1,400,,,,,\n",
            "ships.csv": _csv("ship,design_mbl_kn,source", (f"{s},{kn},invented" for s, kn in self.mbl_kn.items())),
            "lines.csv": _csv("line,ship,spec,part,in_service,break_force_kn", lines),
            "rigging.csv": _csv("line,channel,from,to,outboard_end,share_pct", self._rigging_rows()),
            "calibrations.csv": _csv(
                "channel,from,zero_kn,gain",
                (
                    f"{channel},{_stamp(from_us)},{zero_kn},{gain}"
                    for channel, rows in self.calibrations.items()
                    for from_us, (zero_kn, gain) in rows.items()
                ),
            ),
            "withdrawn.csv": _csv("sha256,reason", (f"{sha256},{why}" for sha256, why in self.withdrawn.items())),
            "specs/rope.toml": SPEC.format(**self.spec),
            **{f"layouts/{log}.toml": text.format(**self.layouts[log]) for log, text in LAYOUT_TEXTS.items()},
        }

    def _rigging_rows(self) -> list[str]:
        return [
            f"{line},{one.channel},{_stamp(one.from_us)},{'' if one.to_us is None else _stamp(one.to_us)},"
            f"{one.zone},{one.share_pct}"
            for line, stretches in self.rigged.items()
            for one in stretches
        ]


def _csv(columns: str, rows: Iterable[str]) -> str:
    return "\n".join((columns, *rows)) + "\n"


def _stamp(at_us: int) -> str:
    return moment(at_us).isoformat().replace("+00:00", "Z")


def first_registers() -> Registers:
    """L1 with its tail on H1, L2 on H2, L3 on the winch, all rigged from the first midnight on."""
    on = {"L1": "H1", "L2": "H2", "L3": "W1-pull", "T1": "H1"}
    return Registers({line: (Stretch(channel, FIRST_US, None),) for line, channel in on.items()})


# ------------------------------------------------------------------------------------ how a line may be rigged

EDGES_US = [
    FIRST_US + offset
    for offset in (
        0,
        6 * HOUR_US + 2 * S,
        6 * HOUR_US + 11 * S // 2,
        DAY_US - 5 * S,
        DAY_US,
        DAY_US + 2 * S,
        DAY_US + 10 * HOUR_US + 4 * S,
        2 * DAY_US,
        2 * DAY_US + 6 * HOUR_US + 3 * S,
        2 * DAY_US + 12 * HOUR_US,
    )
]
"""At midnights, at samples, between samples, and where there are none."""
_STRETCHES = st.builds(
    Stretch,
    st.sampled_from(CHANNELS),
    st.just(0),
    st.none(),
    st.sampled_from("ab"),
    st.sampled_from([100, 50, 70]),
)


@st.composite
def histories(draw: st.DrawFn) -> tuple[Stretch, ...]:
    """All riggings of one line: none, or stretches one after the other, some of them ashore between."""
    edges = sorted(draw(st.sets(st.sampled_from(EDGES_US), max_size=4)))
    bounds: list[int | None] = [*edges, *([] if draw(st.booleans()) else [None])]
    found = []
    for from_us, to_us in pairwise(bounds):
        assert from_us is not None
        if draw(st.integers(0, 4)) < 4:
            one = draw(_STRETCHES)
            found.append(Stretch(one.channel, from_us, to_us, one.zone, one.share_pct))
    return tuple(found)
