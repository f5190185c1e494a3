"""What invented foreign sites have in common: a folder to be, register columns, rope specs, gaps.

Every rope constant here is invented for the test.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from tests.independent.foreign import RawLog, S, us

CHANNEL_COLUMNS = "channel,quantity,kind,rate_hz,capacity,place"
LINE_COLUMNS = "line,ship,spec,part,in_service,break_force_kn"
RIGGING_COLUMNS = "line,channel,from,to,outboard_end,share_pct"
WINCH_COLUMNS = "place,brake_set_kn,set_on,layer,reeling,barrel_mm,rope_mm"


@dataclass
class Foreign:
    """A site to be: registers and layouts as text by relative path, raw logs, the day to post through."""

    name: str
    through: date
    files: dict[str, str] = field(default_factory=dict)
    logs: list[RawLog] = field(default_factory=list)
    seen: dict[tuple[str, int], set[float | str | None]] = field(default_factory=dict)

    def build(self, root: Path) -> Path:
        """Write the site folder (no raw logs)."""
        for relative, text in self.files.items():
            path = root / relative
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        (root / "inbox").mkdir(parents=True, exist_ok=True)
        return root

    def deliver(self, folder: Path) -> list[Path]:
        """Write every raw log whole into a folder."""
        return [log.write(folder) for log in self.logs]

    def lines(self) -> list[str]:
        return [row.split(",")[0] for row in self.files["lines.csv"].splitlines()[1:]]


def site_toml(name: str, zone: str, policy: str = "") -> str:
    return (
        f'[site]\nid = "{name}"\nname = "Invented berth {name}"\ntimezone = "{zone}"\nambient_c = 11.5\n'
        f"[policy]\nsettle_s = 0\n{policy}"
    )


def spec_toml(name: str, material: str, break_force_kn: float, a: float, b: float, m: float) -> str:
    return (
        f'id = "{name}"\nmaterial = "{material}"\nconstruction = "12-strand"\ndiameter_mm = 40\n'
        f"mass_kg_per_m = 0.9\nbreak_force_kn = {break_force_kn}\n"
        f'[fatigue]\na = {a}\nb = {b}\nm = {m}\nsource = "invented for the test"\n'
    )


SPECS = {
    "specs/hm40.toml": spec_toml("hm40", "hmpe", 1100.0, 3.1, 0.0, 4.7),
    "specs/pe60.toml": spec_toml("pe60", "polyester", 900.0, 2.6, 1.3, 5.2),
    "specs/pa72.toml": spec_toml("pa72", "polyamide", 1250.0, 2.2, 0.4, 3.05),
}


def times(first: str, seconds: float, step_us: int) -> range:
    """Instants from an ISO stamp, `seconds` long."""
    return range(us(first), us(first) + round(seconds * S), step_us)


def holes(rng: random.Random, instants: range, count: int) -> Callable[[int], bool]:
    """A few random gaps of 4 to 200 s: whether an instant falls in one."""
    gaps = []
    for _ in range(count):
        first = rng.choice(instants)
        gaps.append((first, first + round(rng.uniform(4, 200) * S)))
    return lambda at_us: any(first <= at_us < last for first, last in gaps)
