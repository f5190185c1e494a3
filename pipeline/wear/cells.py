"""The grid on which sheets gather time and swings, as wear reads it.

Rooms know nothing of their neighbours, so the figures stand here too; a test holds them to those of the sheets.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

BIN_US: Final = 600_000_000
"""Length of a time bin: bin b is [b, b + 1) times this, since the epoch."""
CLASS_KN: Final = 5.0
"""Width of a level class: class c is [5c, 5c + 5) kN."""


def middles_kn(classes: NDArray[np.int64]) -> NDArray[np.float64]:
    """Middles of classes (n,) [kN], at which wear takes what is told by class."""
    return (classes.astype(np.float64) + 0.5) * CLASS_KN
