"""Arrow columns as NumPy arrays over the same memory.

Arrow's own `to_numpy` and `cast` load pandas where it is installed, and the compute functions: a quarter of a second in
each process, for nothing.
"""

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

_KINDS: dict[Any, np.dtype[Any]] = {
    pa.int32(): np.dtype(np.int32),
    pa.int64(): np.dtype(np.int64),
    pa.float64(): np.dtype(np.float64),
    pa.timestamp("us", "UTC"): np.dtype(np.int64),
}


def numbers(column: pa.ChunkedArray | pa.Array) -> NDArray[Any]:
    """The numbers of a column, (n,), read-only; instants as integer microseconds. Any number where it is null."""
    array = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    kind = _KINDS[array.type]
    if len(array) == 0:
        return np.empty(0, kind)
    return np.frombuffer(array.buffers()[1], kind, len(array), array.offset * kind.itemsize)


def listed(column: pa.ChunkedArray) -> NDArray[Any]:
    """The numbers of all lists of a column, one after another, (n,), read-only."""
    if column.num_chunks != 1:
        return numbers(column.combine_chunks().flatten())
    lists = column.chunk(0)
    if len(lists) == 0:
        return numbers(lists.values)[:0]
    # Files that others wrote may have lists with long offsets.
    kind = np.dtype(np.int64 if isinstance(lists, pa.LargeListArray) else np.int32)
    ends = np.frombuffer(lists.buffers()[1], kind, len(lists) + 1, lists.offset * kind.itemsize)
    return numbers(lists.values)[int(ends[0]) : int(ends[-1])]


def nulls(column: pa.ChunkedArray) -> NDArray[np.bool_] | None:
    """Where a column is null, (n,); None where it nowhere is."""
    array = column.combine_chunks()
    if array.null_count == 0:
        return None
    there = np.unpackbits(np.frombuffer(array.buffers()[0], np.uint8), bitorder="little")
    absent: NDArray[np.bool_] = there[array.offset : array.offset + len(array)] == 0
    return absent


def wake() -> None:
    """Have Arrow load what its first array of Python values loads."""
    pa.array([0])
