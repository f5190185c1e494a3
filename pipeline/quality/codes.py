"""What other devices say about a reading: an open winch brake, and a sensor's own status code."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled
from pipeline.quality.flags import Flags, Times, Values


@compiled
def _brake_open(at_us: Times, value: Values, brake_at_us: Times, brake_value: Values) -> Flags:
    out = np.empty(value.size, np.int8)
    latest = np.nan
    next_brake = 0
    for i in range(value.size):
        while next_brake < brake_at_us.size and brake_at_us[next_brake] <= at_us[i]:
            if brake_value[next_brake] == brake_value[next_brake]:
                latest = brake_value[next_brake]
            next_brake += 1
        flag = np.int8(4) if latest < 0.5 else np.int8(1)
        if latest != latest:
            flag = np.int8(2)
        if value[i] != value[i]:
            flag = np.int8(9)
        out[i] = flag
    return out


def brake_open(at_us: Times, value: Values, brake_at_us: Times, brake_value: Values) -> Flags:
    """For a gauge on a winch brake: 4 while the brake is open, as the load then bypasses the gauge.

    at_us, value (n,) of the gauge; brake_at_us, brake_value (k,) of the brake state (1 set, 0 open; open is
    below 0.5), both ascending. The latest brake reading at or before a sample counts, however old; missing
    ones are passed over; 2 before the first. 9 missing. House rule, no source.
    """
    return _brake_open(at_us, value, brake_at_us, brake_value)


def status_code(quality: NDArray[np.int64]) -> Flags:
    """Flags from OPC DA quality words, as process loggers deliver them beside a value: low byte QQSSSSLL.

    good 1, uncertain 3, bad 4, the reserved pattern 2; and 3, not 1, for "good, local override" (216),
    because such a value was typed in by a hand and measured by nobody (house rule). Source: OPC UA Part 8,
    A.3.2.3 (mapping of OPC DA quality).
    """
    major = quality & 0xC0
    out = np.select([major == 0xC0, major == 0x40, major == 0], [1, 3, 4], default=2).astype(np.int8)
    out[(quality & 0xFC) == 0xD8] = 3
    return out
