"""Five lines of five materials on five load pins, two days, a rigging ended and begun again, chocks, and a winch.

All names and constants are invented for the test; only the wire's curve is a published one.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from schemas.times import rfc3339_us, us_to_rfc3339
from tests.night.berth import LAYOUT, Berth, make_berth

DAYS = ("2026-03-02", "2026-03-03")
ENDS, AGAIN = "2026-03-02T06:25:01Z", "2026-03-02T06:27:00Z"
AMBIENT_C, WIND_M_S, DESIGN_MBL_KN, RETIRE_PCT = 12.0, 3.0, 1500.0, 80.0
SOURCE = "invented for the test"

CREEP: dict[str, Any] = {
    "log10_tau0_s": -12.5, "u0_kj_mol": 125.0, "gamma_kj_mol": 60.0, "floor": 0.05, "fitted_load": [0.08, 0.4],
    "fitted_c": [5.0, 40.0], "source": SOURCE,
}  # fmt: skip
HEAT: dict[str, Any] = {
    "loss_factor": 0.06, "stiffness": 25.0, "conductivity_w_mk": 0.3, "specific_heat_j_kgk": 1500.0, "source": SOURCE,
}  # fmt: skip
ABRASION: dict[str, Any] = {
    "friction": 0.12, "stiffness": 20.0, "source": SOURCE, "allowable_work_kj": {"smooth": 9e4, "worn": 4e4},
}  # fmt: skip
LEFT: dict[str, Any] = {"exponent": 1.7, "at_end": 0.6, "source": SOURCE}
SPECS: dict[str, dict[str, Any]] = {
    "hmpe": {
        "material": "hmpe", "diameter_mm": 44.0, "mass_kg_per_m": 1.02, "break_force_kn": 1370.0,
        "fatigue": {
            "a": 3.2, "b": 0.4, "m": 4.8, "r2": 0.1, "m2": 6.1, "reference_strength": 0.95, "factor": 2.5,
            "valid_r": [0.02, 0.15], "valid_lm": [0.05, 0.18], "compression_below": 0.02, "source": SOURCE,
        },
        "creep": {**CREEP, "sustained_range": 0.015}, "heat": HEAT, "abrasion": ABRASION, "strength_left": LEFT,
        "bending": {"ratio": [2.0, 10.0], "strength": [0.7, 0.95], "source": SOURCE},
    },
    "polyester": {
        "material": "polyester", "diameter_mm": 60.0, "mass_kg_per_m": 2.4, "break_force_kn": 1200.0,
        "fatigue": {"a": 2.9, "b": 0.0, "m": 5.2, "source": SOURCE, "calibrated": True},
        "creep": CREEP, "heat": HEAT, "abrasion": ABRASION, "strength_left": LEFT,
    },
    "polyamide": {
        "material": "polyamide", "diameter_mm": 72.0, "mass_kg_per_m": 3.2, "break_force_kn": 1100.0,
        "fatigue": {"thousand_cycle_level": 0.62, "m": 5.0, "source": SOURCE},
        "creep": {**CREEP, "fitted_c": [5.0, 12.4]}, "heat": HEAT, "abrasion": ABRASION, "strength_left": LEFT,
    },
    "aramid": {
        "material": "aramid", "diameter_mm": 40.0, "mass_kg_per_m": 1.3, "break_force_kn": 1250.0,
        "fatigue": {"a": 3.5, "b": 1.2, "m": 6.3, "source": SOURCE},
        "creep": CREEP, "heat": HEAT, "abrasion": ABRASION, "strength_left": LEFT,
    },
    "wire": {
        "material": "wire", "diameter_mm": 38.0, "mass_kg_per_m": 5.9, "break_force_kn": 980.0,
        "fatigue": {"published": "api-2sk-stranded-wire"},
        "abrasion": ABRASION, "strength_left": LEFT,
    },
}  # fmt: skip
CURVES: dict[str, dict[str, Any]] = {
    name: dict(spec["fatigue"]) for name, spec in SPECS.items() if name not in ("polyamide", "wire")
} | {
    # Through the level at a thousand cycles: 1000 = 10^a * level^-m.
    "polyamide": {"a": 3 + 5.0 * math.log10(0.62), "b": 0.0, "m": 5.0},
    # API RP 2SK 3rd ed., six and multi strand wire, N = 10^(3.20 - 2.79 Lm) R^-4.09 (read in public code).
    "wire": {"a": 3.20, "b": 2.79, "m": 4.09},
}


@dataclass(frozen=True)
class Rigged:
    """One row of rigging.csv."""

    zone: str
    from_at: str
    to_at: str
    share_pct: float
    inboard_m: float
    wrap_deg: float
    surface: str
    bend_ratio: float


def riggings(material: str) -> tuple[Rigged, Rigged]:
    """A line's two riggings: polyester has half of its hook, aramid is turned end for end, polyamide's chock rolls."""
    share = 50.0 if material == "polyester" else 100.0
    surface = "pedestal roller" if material == "polyamide" else "worn"
    zone = "b" if material == "aramid" else "a"
    return (
        Rigged("a", "2026-03-02T00:00:00Z", ENDS, share, 14.0, 45.0, "worn", 6.0),
        Rigged(zone, AGAIN, "", share, 22.0, 60.0, surface, 8.5),
    )


def force_of(material: str) -> float:
    """The line's own break force: the aramid line has a certificate of its own."""
    return 1310.0 if material == "aramid" else float(SPECS[material]["break_force_kn"])


def readings(material: str) -> list[tuple[int, float]]:
    """What the line's load pin read (instant, kN): swings, a load that stands, little load, swings over midnight."""
    rng = random.Random(material)
    blocks = (
        ("2026-03-02T06:00:00Z", 90, 80.0, 330.0),
        ("2026-03-02T06:20:00Z", 200, 296.0, 304.0),
        ("2026-03-02T06:50:00Z", 60, 14.0, 34.0),
        ("2026-03-02T23:57:30Z", 150, 60.0, 380.0),
        ("2026-03-03T07:00:00Z", 80, 15.0, 420.0),
        ("2026-03-03T07:20:00Z", 60, 590.0, 596.0),
        ("2026-03-03T07:30:01Z", 60, 250.0, 256.0),
    )
    return [
        (rfc3339_us(at) + i * 2_000_000, round(rng.uniform(low, high), 1))
        for at, count, low, high in blocks
        for i in range(count)
    ]


MAST = [
    (rfc3339_us(at) + i * 60_000_000, 12.0 + 0.2 * i, round(2.0 + 0.7 * i, 1))
    for at, count in (("2026-03-02T05:58:00Z", 15), ("2026-03-03T07:01:00Z", 25))
    for i in range(count)
]
"""What a mast read of the air: instant, degC, m/s. A thermometer and an anemometer, a reading a minute."""
AIR = ("M-temperature,temperature,other,0.02,,mast", "M-wind,wind,other,0.02,,mast")
OUTBOARD_M = {"hmpe": (20.0, 35.0)}
"""Where the rope of each rigging lay on its chock, from the eye; of the other lines it is not registered."""
ZERO_KN, GAIN = 2.0, 1.01
PAYOUT = [(rfc3339_us("2026-03-03T07:00:01Z") + i * 2_000_000, 30.0 + 0.5 * i) for i in range(9)]
"""Of the winch behind the hmpe line: half a metre every two seconds."""


def line_kn(material: str, reading: float) -> float:
    """A reading as the line's tension: the hmpe line's pin is calibrated."""
    kn = (reading - ZERO_KN) * GAIN if material == "hmpe" else reading
    return kn * (riggings(material)[0].share_pct / 100)


def explained_berth(root: Path) -> Berth:
    """The site after one night."""
    hooks = {material: f"P-{material}" for material in SPECS}
    berth = make_berth(root, (), hooks=())
    berth.write(
        "site.toml",
        f'[site]\nid = "e1"\nname = "Berth explained"\ntimezone = "UTC"\nambient_c = {AMBIENT_C}\n'
        f"wind_m_s = {WIND_M_S}\n[policy]\nsettle_s = 0\nretire_pct = {RETIRE_PCT}\n",
    )
    (root / "specs" / "rope.toml").unlink()
    for name, spec in SPECS.items():
        berth.write(f"specs/{name}.toml", toml_of(name, spec))
    pins = [f"{hook},tension,load-pin,0.5,3000,{hook}" for hook in hooks.values()]
    berth.write(
        "channels.csv",
        "\n".join(("channel,quantity,kind,rate_hz,capacity,place", *pins, "W-out,payout,other,0.5,,P-hmpe", *AIR, "")),
    )
    berth.write("calibrations.csv", f"channel,from,zero_kn,gain\nP-hmpe,2026-01-01T00:00:00Z,{ZERO_KN},{GAIN}\n")
    berth.write("ships.csv", f"ship,design_mbl_kn,source\nS1,{DESIGN_MBL_KN},invented for the test\n")
    rows = [f"{m},S1,{m},main,2026-01-01,{force_of(m) if m == 'aramid' else ''},," for m in SPECS if m != "wire"]
    rows.append("wire,S1,wire,main,2026-01-01,,0.015,an invented guess")
    berth.write(
        "lines.csv",
        "\n".join(("line,ship,spec,part,in_service,break_force_kn,opening_life,opening_source", *rows, "")),
    )
    rigged = [
        f"{m},{hooks[m]},{r.from_at},{r.to_at},{r.zone},{r.share_pct},{r.inboard_m},{r.wrap_deg},{r.surface},{r.bend_ratio},{at}"
        for m in SPECS
        for r, at in zip(riggings(m), OUTBOARD_M.get(m, ("", "")), strict=True)
    ]
    head = "line,channel,from,to,outboard_end,share_pct,inboard_m,wrap_deg,surface,bend_ratio,outboard_m"
    berth.write("rigging.csv", "\n".join((head, *rigged, "")))
    payout = LAYOUT.replace('"hooks"', '"payout"').replace("hooks_*", "payout_*").replace('"kN"', '"m"')
    berth.write("layouts/payout.toml", payout)
    for quantity, unit in (("temperature", "degC"), ("wind", "m/s")):
        berth.write(
            f"layouts/{quantity}.toml",
            LAYOUT.replace('"hooks"', f'"{quantity}"').replace("hooks_*", f"{quantity}_*").replace('"kN"', f'"{unit}"'),
        )
        read = [(us, c if quantity == "temperature" else m_s) for us, c, m_s in MAST]
        berth.deliver(f"{quantity}_1.csv", [(us, f"M-{quantity}", f"{value:.1f}") for us, value in read])
    for material, hook in hooks.items():
        berth.deliver(f"hooks_{material}.csv", [(us, hook, kn) for us, kn in readings(material)])
    berth.deliver(
        "payout_1.csv", "".join(["at,hook,kn\n", *(f"{us_to_rfc3339(us)},W-out,{m}\n" for us, m in PAYOUT)]).encode()
    )
    berth.night(through=DAYS[-1])
    return berth


def toml_of(name: str, spec: dict[str, Any]) -> str:
    """A spec as TOML."""
    tables = {key: value for key, value in spec.items() if isinstance(value, dict)}
    lines = [f'id = "{name}"', 'construction = "12-strand"']
    lines += [f"{key} = {_toml(value)}" for key, value in spec.items() if key not in tables]
    for key, table in tables.items():
        lines += [f"[{key}]", *(f"{inner} = {_toml(value)}" for inner, value in table.items())]
    return "\n".join((*lines, ""))


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)
