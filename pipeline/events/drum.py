"""What rope wound on a drum in layers does to the pull that a brake holds."""

from __future__ import annotations


def first_layer_kn(pull_kn: float, *, layer: int, barrel_mm: float, rope_mm: float) -> float:
    """The pull in the first layer that needs the same brake torque as `pull_kn` in layer `layer` (1, 2, …).

    Brakes are set and tested in the first layer; rope in a higher one pulls with a longer arm, so that the
    brake lets it go at less: F_n = F_1 * (D + d) / (D + (2n - 1) * d), for barrel diameter D, rope diameter
    d, the rope's own centre line, and layers that lie one upon the other without sinking in. Source: statics;
    agrees with published figures of 11 % less in the second layer, and 80 % of a breaking load in the first
    being about 65 % in the third.
    """
    if layer < 1 or barrel_mm <= 0 or rope_mm <= 0:
        raise ValueError(f"no such drum: layer {layer}, barrel {barrel_mm} mm, rope {rope_mm} mm")
    return pull_kn * (barrel_mm + (2 * layer - 1) * rope_mm) / (barrel_mm + rope_mm)
