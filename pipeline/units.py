"""Units of raw logs and what one of each is in the unit that tautlog keeps.

Kept (canonical) units: force kN, length m, temperature degC, speed m/s, plain numbers 1.
`value = raw * factor + offset`, float64; only temperatures have an offset.

Source of the factors: NIST Special Publication 811 (2008), Appendix B.8 and B.9: kilogram-force 9.80665 N,
pound-force 4.4482216152605 N (exact, from the pound 0.45359237 kg), foot 0.3048 m, inch 0.0254 m,
knot 1852/3600 m/s, t/degC = (t/degF - 32)/1.8, t/degC = T/K - 273.15. Each literal is the double nearest to
the exact value; the tests prove it in exact fractions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from pipeline.errors import RegisterError, nearest


@dataclass(frozen=True, slots=True)
class Unit:
    """How a raw number becomes a canonical one: ``raw * factor + offset`` in `canonical`."""

    factor: float
    offset: float
    quantity: str
    canonical: str


def _force(kn: float) -> Unit:
    return Unit(kn, 0.0, "force", "kN")


def _length(m: float) -> Unit:
    return Unit(m, 0.0, "length", "m")


def _temperature(factor: float, offset: float) -> Unit:
    return Unit(factor, offset, "temperature", "degC")


def _speed(m_s: float) -> Unit:
    return Unit(m_s, 0.0, "speed", "m/s")


UNITS: Mapping[str, Unit] = MappingProxyType(
    {
        "N": _force(0.001),
        "kN": _force(1.0),
        "MN": _force(1000.0),
        "tf": _force(9.80665),
        "kgf": _force(0.00980665),
        "lbf": _force(0.0044482216152605),
        "kip": _force(4.4482216152605),
        "long_tonf": _force(9.96401641818352),  # 2240 lbf
        "short_tonf": _force(8.896443230521),  # 2000 lbf
        "m": _length(1.0),
        "mm": _length(0.001),
        "ft": _length(0.3048),
        "in": _length(0.0254),
        "degC": _temperature(1.0, 0.0),
        "degF": _temperature(5 / 9, -160 / 9),
        "K": _temperature(1.0, -273.15),
        "m/s": _speed(1.0),
        "kn": _speed(1852 / 3600),  # knot; kilonewton is kN
        "1": Unit(1.0, 0.0, "number", "1"),
    }
)

# What a channel of each quantity is measured in, for checking a layout against the register.
QUANTITY_OF_CHANNEL: Mapping[str, str] = MappingProxyType(
    {
        "tension": "force",
        "payout": "length",
        "brake": "number",
        "winch-mode": "number",
        "hook-state": "number",
        "temperature": "temperature",
        "wind": "speed",
    }
)


def to_canonical(unit: str) -> Unit:
    """The factor and offset of `unit`; RegisterError, with the nearest known unit, when there is none."""
    known = UNITS.get(unit)
    if known is None:
        near = nearest(unit, UNITS)
        raise RegisterError(
            f"unknown unit {unit!r}",
            found=repr(unit),
            expected="one of " + ", ".join(UNITS),
            next_step=None if near is None else f"did you mean {near!r}?",
        )
    return known
