"""A failing input made as small as it will go while something still fails."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from ops.fuzz_child import scratch_file, what_is_wrong
from ops.fuzz_inputs import Input

MOST_TRIES = 2000


def shrink(made: Input, most_tries: int = MOST_TRIES) -> Input:
    """Take out halves, quarters and so on down to single bytes, as long as what is left fails."""
    tries, size = 0, max(1, len(made.data) // 2)
    while size >= 1 and tries < most_tries:
        at, smaller = 0, False
        while at < len(made.data) and tries < most_tries:
            less = replace(made, data=made.data[:at] + made.data[at + size :], content=None)
            tries += 1
            if fails(less):
                made, smaller = less, True
            else:
                at += size
        if not smaller or size > len(made.data):
            size = size // 2
    return made


def fails(made: Input) -> bool:
    """Whether anything is wrong with an input, read in any of the ways."""
    path = scratch_file()
    try:
        return any(what_is_wrong(made, path, Random(number))[0] is not None for number in range(4))
    finally:
        path.unlink(missing_ok=True)
