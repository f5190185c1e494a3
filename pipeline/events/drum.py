"""What a drum does to the pull that its brake holds: rope in layers, the way of reeling, the chock on the way."""

from __future__ import annotations

from typing import Final

WRONG_REELING_HOLDS: Final = 0.5
"""A band brake reeled the wrong way may hold "as much as 50 %" less: a published figure, and no more than that."""


def first_layer_kn(pull_kn: float, *, layer: int, barrel_mm: float, rope_mm: float) -> float:
    """The pull in the first layer that needs the same brake torque as `pull_kn` in layer `layer` (1, 2, …).

    Brakes are set and tested in the first layer; rope in a higher one pulls with a longer arm, so that the
    brake lets it go at less: F_n = F_1 * (D + d) / (D + (2n - 1) * d), for barrel diameter D, rope diameter
    d, the rope's own centre line, and layers that lie one upon the other without sinking in. Source: statics;
    agrees with published figures of 11 % less in the second layer, and 80 % of a breaking load in the first
    being about 65 % in the third.
    """
    return pull_kn * _arms(layer, barrel_mm, rope_mm)


def in_layer_kn(first_kn: float, *, layer: int, barrel_mm: float, rope_mm: float) -> float:
    """The pull in layer `layer` at which a brake lets go that is set to `first_kn` in the first: the inverse."""
    return first_kn / _arms(layer, barrel_mm, rope_mm)


def _arms(layer: int, barrel_mm: float, rope_mm: float) -> float:
    """The arm of a pull in a layer over that in the first."""
    if layer < 1 or barrel_mm <= 0 or rope_mm <= 0:
        raise ValueError(f"no such drum: layer {layer}, barrel {barrel_mm} mm, rope {rope_mm} mm")
    return (barrel_mm + (2 * layer - 1) * rope_mm) / (barrel_mm + rope_mm)


def least_inboard_kn(outboard_kn: float, capstan: float) -> float:
    """The least tension between chock and drum under a tension outboard of the chock: T2 = T1 / e^(mu*theta).

    `capstan`: e^(mu*theta), 1 or more (capstan equation; Beer & Johnston, Statics, problem 8.104). While a line is
    paid out it slides outboard and T2 is just this; while it holds, T2 lies between this and T1 * e^(mu*theta), and at
    the crest of a rising load it is near this.
    """
    if not capstan >= 1:
        raise ValueError(f"e^(mu*theta) is 1 or more, not {capstan}")
    return outboard_kn / capstan
