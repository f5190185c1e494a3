"""Numbers in cells: what text is a number, and compiled loops that read columns of them.

A number is an optional sign, ASCII digits with at most one decimal mark, and an optional exponent, with
nothing else around it but white space or double quotes; it must be finite as float64. Its value is the
float64 nearest to the text (ties to even), as Python's `float` gives it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Offsets = NDArray[np.int32]

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
LONGEST_CELL = 63
"""Cells of more bytes than this are read one by one."""


def bare(text: str) -> str:
    """A cell, key or name as it is compared: without white space and pairs of double quotes around it."""
    text = text.strip()
    if len(text) < 2 or not text[0] == text[-1] == '"':
        return text
    # By index, not by one copy a pair: a line may hold half a million of them.
    start, end = 0, len(text)
    while end - start >= 2 and text[start] == text[end - 1] == '"':
        start, end = start + 1, end - 1
        while start < end and text[start].isspace():
            start += 1
        while end > start and text[end - 1].isspace():
            end -= 1
    return text[start:end]


def shown(text: str) -> str:
    """A text as it is shown where it explains something: in quotes, and not all of a long one."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def number_in(text: str, decimal: str) -> float | None:
    """The finite number that a bare text is, or None."""
    if decimal != ".":
        if "." in text:
            return None
        text = text.replace(decimal, ".")
    if _NUMBER.fullmatch(text) is None:
        return None
    value = float(text)
    return value if isfinite(value) else None


@dataclass(frozen=True)
class CellRules:
    """How the cells of one column are read: first as one of `texts` (a sentinel gives NaN, a word its
    number), else as a number."""

    texts: Mapping[str, float]
    decimal: str

    def read(self, cell: str) -> float | None:
        """The raw number of a cell, NaN when it says that the reading is missing, None when it is bad."""
        text = bare(cell)
        known = self.texts.get(text)
        return known if known is not None else number_in(text, self.decimal)

    def packed(self) -> PackedTexts:
        """The texts as arrays for the compiled loop."""
        texts = [text.encode() for text in self.texts if len(text.encode()) <= LONGEST_CELL]
        lengths = sum(1 << n for n in {len(text) for text in texts})
        return PackedTexts(
            np.frombuffer(b"".join(texts), np.uint8),
            np.cumsum([0, *map(len, texts)], dtype=np.int32),
            np.array([self.texts[text.decode()] for text in texts], np.float64),
            np.uint64(lengths),
        )


@dataclass(frozen=True)
class PackedTexts:
    """Known texts of a column: their bytes end to end, where each begins, the number each stands for, and a
    bit for each length that occurs."""

    letters: Bytes
    bounds: Offsets
    values: NDArray[np.float64]
    lengths: np.uint64


def cell_rules(missing: tuple[str, ...], words: Mapping[str, float] | None, decimal: str) -> CellRules:
    """The rules of a column; where a text is both a sentinel and a word, it is a sentinel."""
    texts = {bare(word): float(value) for word, value in (words or {}).items()}
    return CellRules({**texts, **dict.fromkeys(map(bare, missing), nan)}, decimal)
