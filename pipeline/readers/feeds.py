"""Which channels a layout feeds, and in which unit."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from pipeline.errors import RegisterError, nearest
from pipeline.units import QUANTITY_OF_CHANNEL, to_canonical
from schemas.registers import Channel, Layout, ValueRule

SENTENCE_UNITS: Mapping[tuple[str, str], str] = MappingProxyType(
    {
        ("N", "N"): "N",  # force, newton; negative is compression
        ("D", "M"): "m",  # displacement, metre
        ("C", "C"): "degC",  # temperature, degree Celsius
        ("S", ""): "1",  # switch, 0 or 1
        ("G", ""): "1",  # generic, without unit
    }
)
"""NMEA 0183 XDR: transducer type and unit letter -> unit, of those that a channel can be measured in.

Source: NMEA 0183 version 4.11, XDR sentence: force is type N with unit N (F is frequency); the others from
memory.
"""
_SENTENCE_UNIT_OF: Mapping[str, str] = MappingProxyType({"force": "N", "length": "m", "temperature": "degC"})


@dataclass(frozen=True)
class Feed:
    """A registered channel that one [[value]] (by its index in the layout) feeds."""

    value: int
    channel: str
    place: str


def feeds_of_key(layout: Layout, channels: Mapping[str, Channel], key: str) -> tuple[tuple[Feed, ...], tuple[str, ...]]:
    """What a row of `key` feeds, and the names among its channels that are not registered."""
    fed, unread = [], []
    for value, rule in enumerate(layout.value):
        name = rule.channel.replace("{key}", key)
        channel = channels.get(name)
        if channel is None:
            unread.append(name)
        else:
            fed.append(Feed(value, name, channel.place))
    return tuple(fed), tuple(unread)


def feeds_of_all(layout: Layout, channels: Mapping[str, Channel]) -> tuple[Feed, ...]:
    """What every row of a log without keys feeds; RegisterError for a channel that is not registered."""
    fed, unread = feeds_of_key(layout, channels, "")
    if unread:
        near = nearest(unread[0], channels)
        raise RegisterError(
            f"layout {layout.name!r} feeds the channel {unread[0]!r}, which is not registered",
            found=repr(unread[0]),
            expected="a channel of channels.csv",
            next_step="register it, or take its [[value]] out"
            if near is None
            else f"did you mean {near!r}? else register it, or take its [[value]] out",
        )
    return fed


def units_of(layout: Layout, channels: Mapping[str, Channel]) -> dict[str, str]:
    """Every registered channel that the layout can feed -> the unit that its raw numbers are in.

    Where two `{key}` patterns fit a channel, the one with the longer fixed text tells. The unit of a
    transducer is the sentence's own: the one that a channel of its quantity is read in (force: N).
    """
    units: dict[str, str] = {}
    for rule in sorted(layout.value, key=lambda rule: len(rule.channel)):
        before, keyed, after = rule.channel.partition("{key}")
        pattern = re.escape(before) + (".+" if keyed else "") + re.escape(after).replace(re.escape("{key}"), ".+")
        for name, channel in channels.items():
            if re.fullmatch(pattern, name) is not None:
                units[name] = rule.unit if rule.unit is not None else sentence_unit(rule, channel)
    return units


def sentence_unit(rule: ValueRule, channel: Channel) -> str:
    """The unit that a channel's transducer gives; RegisterError for a quantity that no transducer has."""
    quantity = QUANTITY_OF_CHANNEL[channel.quantity]
    unit = "1" if quantity == "number" else _SENTENCE_UNIT_OF.get(quantity)
    if unit is None:
        raise RegisterError(
            f"transducer {rule.transducer!r} cannot measure channel {channel.channel!r}",
            found=f"quantity {channel.quantity!r}",
            expected="tension, payout, temperature, brake, winch-mode or hook-state",
        )
    return unit


def same_quantity(unit: str, channel: Channel) -> bool:
    """Whether a channel can be read in `unit`."""
    return to_canonical(unit).quantity == QUANTITY_OF_CHANNEL[channel.quantity]
