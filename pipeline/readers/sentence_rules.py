"""What a line of NMEA 0183 sentences means: the logger's stamp, then `$`, fields, `*` and the checksum.

The checksum is the exclusive or of all bytes between `$` and `*`, as two hexadecimal digits. A transducer
sentence (XDR) holds groups of four fields: type, value, unit, name. Source: NMEA 0183 version 4.11.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce
from operator import xor

from pipeline.readers.feeds import SENTENCE_UNITS, Feed, same_quantity
from pipeline.readers.pieces import Reason
from schemas.registers import Channel, Layout

STAMP_TAIL = ",; \t"
"""What a logger may write between its stamp and the sentence."""

_SENTENCE = re.compile(r"(?P<stamp>[^$!]*)(?P<start>[$!])(?P<body>[^*]*)\*(?P<sum>[0-9A-Fa-f]{2})\s*")


@dataclass(frozen=True)
class Transducer:
    """A transducer that the layout asks for, and the (type, unit) pairs that its channel can be read in."""

    name: str
    feed: Feed
    forms: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Asked:
    """A sentence that holds readings that the layout asks for: its stamp, and by transducer index each text
    in the order of the sentence. `others`: groups of a name asked for that its channel cannot be read
    in."""

    stamp: str
    readings: tuple[tuple[int, str], ...]
    others: tuple[str, ...]


@dataclass(frozen=True)
class Refused:
    """A line that cannot be used, and why."""

    reason: Reason
    detail: str


def transducers_of(layout: Layout, fed: tuple[Feed, ...], channels: Mapping[str, Channel]) -> tuple[Transducer, ...]:
    """The layout's transducers, in order."""
    return tuple(
        Transducer(
            layout.value[feed.value].transducer or "",
            feed,
            tuple(form for form, unit in SENTENCE_UNITS.items() if same_quantity(unit, channels[feed.channel])),
        )
        for feed in fed
    )


def checksum(body: bytes) -> int:
    """The checksum of what stands between `$` and `*`."""
    return reduce(xor, body, 0)


def is_blank(text: str) -> bool:
    """Whether a line holds white space and commas only."""
    return not text.replace(",", "").strip()


def read_sentence(text: str, asked: Mapping[str, int], transducers: tuple[Transducer, ...]) -> Asked | Refused:
    """What a line holds; `asked`: transducer name -> index. A sound sentence that holds nothing asked for
    has no readings."""
    match = _SENTENCE.fullmatch(text)
    if match is None:
        return Refused("checksum", "expected $...*hh with two hexadecimal digits at its end")
    body = match["body"]
    found = checksum(body.encode("utf-8", "surrogatepass"))
    if found != int(match["sum"], 16):
        return Refused("checksum", f"found *{match['sum']}, but its bytes give *{found:02X}")
    address, *fields = body.split(",")
    if match["start"] != "$" or not is_transducer_sentence(address):
        return Asked("", (), ())
    names = [name.strip() for name in fields[3::4]]
    if not any(name in asked for name in names):
        return Asked("", (), ())
    if len(fields) % 4 != 0:
        return Refused("field-count", f"found {len(fields)} fields after {address}, expected groups of four")
    readings, others = [], []
    for at, name in enumerate(names):
        index = asked.get(name)
        if index is None:
            continue
        kind, value, unit = (field.strip() for field in fields[4 * at : 4 * at + 3])
        if (kind, unit) in transducers[index].forms:
            readings.append((index, value))
        else:
            others.append(f"{name} (type {kind!r}, unit {unit!r})")
    return Asked(match["stamp"].strip().rstrip(STAMP_TAIL), tuple(readings), tuple(others))


def is_transducer_sentence(address: str) -> bool:
    """Whether an address is a talker's two characters and XDR; an address with P is a maker's own."""
    return len(address) == 5 and address.endswith("XDR") and not address.startswith("P")
