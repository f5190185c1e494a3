"""Checks of the registers against each other: a function a rule, each a RegisterError that names the row."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import BaseModel

from pipeline.errors import RegisterError
from pipeline.registers import Row, did_you_mean
from pipeline.units import QUANTITY_OF_CHANNEL, to_canonical
from schemas.registers import (
    Calibration,
    Channel,
    Layout,
    Line,
    Rigging,
    Service,
    Ship,
    StrengthTest,
    Winch,
    Withdrawn,
)
from schemas.times import us_to_rfc3339

M = TypeVar("M", bound=BaseModel)
K = TypeVar("K", bound=Hashable)


@dataclass(frozen=True)
class Tables:
    """The rows of every register, each with the line it stands on."""

    channels: Sequence[Row[Channel]]
    calibrations: Sequence[Row[Calibration]]
    ships: Sequence[Row[Ship]]
    lines: Sequence[Row[Line]]
    riggings: Sequence[Row[Rigging]]
    winches: Sequence[Row[Winch]]
    services: Sequence[Row[Service]]
    strength_tests: Sequence[Row[StrengthTest]]
    withdrawn: Sequence[Row[Withdrawn]]


def check_tables(tables: Tables, specs: Collection[str]) -> None:
    """Every rule that holds between rows: ids stand once, names are registered, riggings do not overlap."""
    channels = unique("channels.csv", "channel", tables.channels, lambda row: row.channel)
    ships = unique("ships.csv", "ship", tables.ships, lambda row: row.ship)
    lines = unique("lines.csv", "line", tables.lines, lambda row: row.line)
    places = {row.value.place for row in tables.channels}
    check_links("lines.csv", "ship", tables.lines, lambda row: row.ship, ships, "ships.csv")
    check_links("lines.csv", "spec", tables.lines, lambda row: row.spec, specs, "specs/*.toml")
    check_links("rigging.csv", "line", tables.riggings, lambda row: row.line, lines, "lines.csv")
    check_links("rigging.csv", "channel", tables.riggings, lambda row: row.channel, channels, "channels.csv")
    check_links("calibrations.csv", "channel", tables.calibrations, lambda row: row.channel, channels, "channels.csv")
    check_links("winches.csv", "place", tables.winches, lambda row: row.place, places, "channels.csv")
    check_links("services.csv", "line", tables.services, lambda row: row.line, lines, "lines.csv")
    check_links("strength_tests.csv", "line", tables.strength_tests, lambda row: row.line, lines, "lines.csv")
    check_riggings(tables.riggings, channels)
    unique("calibrations.csv", "channel and from", tables.calibrations, lambda row: (row.channel, row.from_us))
    unique("winches.csv", "place and set_on", tables.winches, lambda row: (row.place, row.set_on_us))
    unique("withdrawn.csv", "sha256", tables.withdrawn, lambda row: row.sha256)


def zone_named(name: str, *, file: str, key: str) -> ZoneInfo:
    """The IANA zone of that name; RegisterError with the nearest one."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise RegisterError(
            f"unknown {key} {name!r}",
            file=file,
            found=repr(name),
            expected="an IANA zone name such as 'Europe/Lisbon'",
            next_step=did_you_mean(name, sorted(available_timezones())),
        ) from None


def unique(file: str, what: str, rows: Sequence[Row[M]], key: Callable[[M], K]) -> dict[K, M]:
    """Rows by their key; RegisterError for the second row of one key."""
    first: dict[K, Row[M]] = {}
    for row in rows:
        name = key(row.value)
        if name in first:
            raise RegisterError(
                f"second row for the same {what}",
                file=file,
                line_no=row.line_no,
                found=str(name) if isinstance(name, str) else ", ".join(map(str, _shown(name))),
                expected=f"one row; the first is on line {first[name].line_no}",
                next_step="remove one of the two",
            )
        first[name] = row
    return {name: row.value for name, row in first.items()}


def one_each(what: str, documents: Mapping[str, M], key: Callable[[M], str]) -> dict[str, M]:
    """Documents by their id or name; RegisterError when two files give the same one."""
    file_of: dict[str, str] = {}
    for file, document in documents.items():
        name = key(document)
        if name in file_of:
            raise RegisterError(
                f"two files give the {what} {name!r}",
                file=file,
                found=f"{name!r}, as in {file_of[name]}",
                expected=f"a {what} of its own",
                next_step="rename or remove one of the two",
            )
        file_of[name] = file
    return {key(document): document for document in documents.values()}


def check_links(
    file: str,
    column: str,
    rows: Sequence[Row[M]],
    key: Callable[[M], str],
    known: Collection[str],
    where: str,
) -> None:
    """Every row's name must be registered in `where`."""
    for row in rows:
        name = key(row.value)
        if name not in known:
            raise RegisterError(
                f"unknown {column} {name!r}",
                file=file,
                line_no=row.line_no,
                found=repr(name),
                expected=f"a {column} of {where}",
                next_step=did_you_mean(name, known) or f"register it in {where}",
            )


def check_riggings(rows: Sequence[Row[Rigging]], channels: Mapping[str, Channel]) -> None:
    """Riggings stand on tension channels, and no line is rigged twice at one instant."""
    by_line: dict[str, list[Row[Rigging]]] = {}
    for row in rows:
        quantity = channels[row.value.channel].quantity
        if quantity != "tension":
            tension = [name for name, channel in channels.items() if channel.quantity == "tension"]
            raise RegisterError(
                f"line {row.value.line!r} is rigged on a channel that measures no tension",
                file="rigging.csv",
                line_no=row.line_no,
                found=f"{row.value.channel!r} ({quantity})",
                expected="a tension channel",
                next_step=did_you_mean(row.value.channel, tension),
            )
        by_line.setdefault(row.value.line, []).append(row)
    for line, mine in by_line.items():
        for before, after in pairwise(sorted(mine, key=lambda row: row.value.from_us)):
            to_us = before.value.to_us
            if to_us is None or to_us > after.value.from_us:
                open_end = "still rigged" if to_us is None else f"rigged to {us_to_rfc3339(to_us)}"
                from_at = us_to_rfc3339(after.value.from_us)
                raise RegisterError(
                    f"line {line!r} is rigged twice at one instant",
                    file="rigging.csv",
                    line_no=after.line_no,
                    found=f"from {from_at} while {open_end} by line {before.line_no}",
                    expected="riggings of one line that do not overlap ([from, to), to exclusive)",
                    next_step=f"end the rigging of line {before.line_no} first",
                )


def check_layout(file: str, layout: Layout, channels: Mapping[str, Channel], *, built_in: bool) -> None:
    """Units are known, fit their channels' quantities, and name channels that are registered.

    A built-in layout may name none of a site's channels; a site's own layout that does is a slip of the pen.
    """
    if layout.time.zone != "site":
        zone_named(layout.time.zone, file=file, key="zone")
    for rule in layout.value:
        quantity = None if rule.unit is None else _quantity_of(rule.unit, file)
        fed = channels_fed(rule.channel, channels)
        if not fed and not built_in:
            raise RegisterError(
                f"[[value]] feeds the channel {rule.channel!r}, which is not registered",
                file=file,
                found=repr(rule.channel),
                expected="a channel of channels.csv",
                next_step=did_you_mean(rule.channel, channels) or "register it, or take the [[value]] out",
            )
        # "{key}" may match more channels than the log holds: only when none fits is the unit surely wrong.
        if fed and quantity is not None and all(QUANTITY_OF_CHANNEL[channel.quantity] != quantity for channel in fed):
            raise RegisterError(
                f"unit {rule.unit!r} cannot measure channel {fed[0].channel!r}",
                file=file,
                found=f"{rule.unit!r} ({quantity})",
                expected=f"a unit of {QUANTITY_OF_CHANNEL[fed[0].quantity]} for {fed[0].quantity}",
            )


def _quantity_of(unit: str, file: str) -> str:
    try:
        return to_canonical(unit).quantity
    except RegisterError as error:
        raise error.at(file) from None


def channels_fed(pattern: str, channels: Mapping[str, Channel]) -> list[Channel]:
    """The channels that a layout's `channel` names; "{key}" in it stands for any key."""
    matcher = re.compile(".+".join(re.escape(part) for part in pattern.split("{key}")))
    return [channel for name, channel in channels.items() if matcher.fullmatch(name) is not None]


def _shown(key: object) -> list[object]:
    parts = key if isinstance(key, tuple) else (key,)
    return [us_to_rfc3339(part) if isinstance(part, int) else part for part in parts]
