"""What the fuzzer feeds: for each recipe a layout, its channels, and logs made up to fit it, more or less.

A recipe stands for one way of reading: wide, long or sentences; encoding; decimal mark; kind of time; header
or none; a last line that must be ended or need not. All of it is invented.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import reduce
from operator import xor
from random import Random
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from schemas.registers import Channel, Layout

ZONE = ZoneInfo("Europe/Berlin")
_PLACES = {"a-tension": "hook 1", "b-tension": "hook 1", "c-brake": "winch/2"}
_KEYED = {"w1-tension": "w1", "w1-brake": "w1", "w2-tension": "deck", "w3-brake": "deck", "wé-tension": "wé"}
_SENT = {"b1-tension": "hook 1", "b2-tension": "hook 2", "air-temperature": "mast", "sw-brake": "winch"}

Stamp = Callable[[Random, datetime], str]


@dataclass(frozen=True)
class Recipe:
    """`header`: preamble and header line, as text. `stamp`: writes an instant as the layout reads it. `reader`: the
    reader's kind, for the figures."""

    name: str
    reader: str
    layout: Layout
    channels: Mapping[str, Channel]
    header: tuple[str, ...]
    stamp: Stamp
    starts: tuple[str, ...]

    def make(self, rng: Random) -> bytes:
        """A log of a few lines, mostly as the layout wants it, in its encoding."""
        at = datetime.fromisoformat(rng.choice(self.starts)) + timedelta(seconds=rng.randrange(3600))
        step = timedelta(milliseconds=rng.choice((1, 100, 1000, 61_000, 600_000)))
        lines = list(self.header)
        for _ in range(rng.randrange(9)):
            lines.append(self._line(rng, at))
            at += step
            if rng.random() < 0.05:
                at -= timedelta(seconds=rng.choice((1, 59, 61, 1800, 3600, 3599, 7200)))
        end = "\r\n" if rng.random() < 0.3 else "\n"
        text = end.join(lines) + (end if rng.random() < 0.8 else "")
        return text.encode(self.layout.text.encoding, "replace")

    def is_whole_row(self, channels: set[str]) -> bool:
        """Whether a good row can give just these channels: all of a wide log, all of its key in a long one."""
        if self.layout.rows is None:
            return self.reader == "sentences" or channels == set(self.channels)
        keys = {channel.partition("-")[0] for channel in channels}
        return len(keys) == 1 and channels == {name for name in self.channels if name.startswith(f"{min(keys)}-")}

    def _line(self, rng: Random, at: datetime) -> str:
        if self.reader == "sentences":
            return _sentence(rng, self.stamp(rng, at))
        text = self.layout.text
        fields = [self.stamp(rng, at)]
        if self.layout.rows is not None:
            fields.append(rng.choice(("w1", "w2", '"w1"', " w2", "w3", "wé", "w9")))
        fields += [_cell(rng, text.decimal, text.missing) for _ in range(3)]
        return text.separator.join(fields)


def _cell(rng: Random, decimal: str, missing: tuple[str, ...]) -> str:
    chance = rng.random()
    if chance < 0.8:
        return f"{rng.uniform(-20, 900):.{rng.randrange(4)}f}".replace(".", decimal)
    if chance < 0.9:
        return rng.choice((*missing, "OPEN", "SET", ""))
    return rng.choice(NASTY_CELLS)


NASTY_CELLS = (
    *("nan", "inf", "-inf", "1e400", "-1e400", "1e-400", "9" * 25, "0." + "3" * 40, "1e5", "+.5e-3", "-0.0", "5."),
    *("0x1F", "1_000", "1 000", "1.2.3", "1,2,3", '"12.5"', '""""', '"', "''", "\u0663", "\u00a07", "µ", "=1+1"),
    *("'; DROP TABLE entries; --", "<script>", "../../etc/passwd", "\x1b[31m", "\u202e", "\u2028", "\x85", "\x00"),
    *("9007199254740993", "2.2250738585072011e-308", "1.7976931348623159e308", "179769313486231580793e289", "4" * 70),
)
"""Cells that number readers stumble over, and texts that other programs would take for code."""

NASTY_STAMPS = (
    *(
        "31.02.2026 00:00:00",
        "29.03.2026 02:30:00",
        "25.10.2026 02:30:00",
        "01.01.0001 00:00:00",
        "31.12.9999 23:59:59",
    ),
    *("0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59.999999-23:59", "2016-12-31T23:59:60Z", "2026-13-01T00:00:00Z"),
    *("2026-03-01T24:00:00Z", "2026-03-01T00:00:00.1234567890123456789Z", "-1", "1e9", "253402300799", "253402300800"),
    *("9" * 30, "1774999999.9999995", "0.0000005", "366", "2026-366 00:00:00+0000", "2024-366 00:00:00-2359"),
    *("Feb 30 2026 12:00:00 PM", "Mar  1 2026 00:00:00 AM", "mar 1 2026 1:2:3 pm", "12:00", "", "1" * 5000),
    "25.10.2026 02:30:00." + "7" * 5000,
    "2026-087 00:00:00.5+0000",
)


def _sentence(rng: Random, stamp: str) -> str:
    groups = []
    for _ in range(rng.randrange(1, 4)):
        name = rng.choice(("B1", "B1", "B2", "AIR", "SW", "PITCH"))
        kind, unit = {"AIR": ("C", "C"), "SW": ("S", ""), "PITCH": ("A", "D")}.get(name, ("N", "N"))
        if rng.random() < 0.05:
            kind = rng.choice("NFCASG")
        groups.append(f"{kind},{_cell(rng, '.', ())},{unit},{name}".replace("*", "").replace("$", ""))
    body = ",".join([rng.choice(("YXXDR", "YXXDR", "YXXDR", "IIXDR", "PXXDR", "GPGGA")), *groups])
    body = body.replace("!", "").replace("\n", "")
    total = reduce(xor, body.encode("utf-8", "replace"), 0)
    return f"{stamp}{rng.choice(('', ' ', ',', ';'))}${body}*{total:02X}"


def _rfc3339(rng: Random, at: datetime) -> str:
    text = at.replace(tzinfo=UTC).isoformat()
    return text.replace("+00:00", rng.choice(("Z", "Z", "+00:00", "+02:00", "-23:59", "z")))


def _german(rng: Random, at: datetime) -> str:
    return f"{at:%d.%m.%Y %H:%M:%S}" + rng.choice(("", f".{at.microsecond // 1000:03d}"))


def _american(rng: Random, at: datetime) -> str:
    return f"{at:%b} {at.day:2d} {at:%Y %I:%M:%S %p}"


def _day_of_year(rng: Random, at: datetime) -> str:
    return f"{at:%Y-%j %H:%M:%S}" + rng.choice(("Z", "+0000", "-0130", "+05:45"))


def _epoch_s(rng: Random, at: datetime) -> str:
    return f"{at.replace(tzinfo=UTC).timestamp():.{rng.randrange(8)}f}"


def _epoch_s_comma(rng: Random, at: datetime) -> str:
    return _epoch_s(rng, at).replace(".", ",")


def _epoch_ms(rng: Random, at: datetime) -> str:
    return f"{at.replace(tzinfo=UTC).timestamp() * 1000:.{rng.randrange(3)}f}"


def _channels(places: Mapping[str, str]) -> dict[str, Channel]:
    return {
        name: Channel.model_validate(
            {"channel": name, "quantity": name.rpartition("-")[2], "kind": "other", "rate_hz": 1, "capacity": None}
            | {"place": place}
        )
        for name, place in places.items()
    }


def _delimited(name: str, stamp: Stamp, columns: str, starts: tuple[str, ...], **parts: Any) -> Recipe:
    """`columns`: "at A B C" of a wide log, "at key A B C" of a long one; words of a header."""
    names = columns.split()
    text = {"separator": ";", "missing": ["---", "9999"], "header_line": 1, **parts.get("text", {})}
    long = len(names) == 5
    fed = ["{key}-tension", "{key}-brake"] if long else list(_PLACES)
    values = [
        {"column": column, "channel": channel, "unit": "1" if "brake" in channel else "kN"}
        | ({"words": {"OPEN": 0, "SET": 1}} if "brake" in channel else {})
        for column, channel in zip(names[2 if long else 1 :], fed, strict=False)
    ]
    layout = {"name": name, "reader": "delimited", "match": "*", "text": text, "value": values}
    layout |= {"time": {"column": names[0], **parts["time"]}} | ({"rows": {"key": names[1]}} if long else {})
    lines = text["header_line"]
    header = (*("made by nobody", ";;", "")[: lines - 1], text["separator"].join(names)) if lines else ()
    kind = "delimited long" if long else "delimited wide"
    made = _channels(_KEYED if long else _PLACES)
    return Recipe(name, kind, Layout.model_validate(layout), made, header, stamp, starts)


def _sentences(name: str, *, header: tuple[str, ...] = (), **text: Any) -> Recipe:
    rules = {**({"header_line": len(header)} if header else {}), **text}
    asked = {"B1": "b1-tension", "B2": "b2-tension", "AIR": "air-temperature", "SW": "sw-brake"}
    layout = {
        "name": name,
        "reader": "sentences",
        "match": "*",
        "text": rules,
        "time": {"prefix": "rfc3339"},
        "value": [{"transducer": transducer, "channel": channel} for transducer, channel in asked.items()],
    }
    return Recipe(name, "sentences", Layout.model_validate(layout), _channels(_SENT), header, _rfc3339, _SPRING)


_SPRING = ("2026-03-28T23:30:00", "2026-03-29T01:30:00", "1969-12-31T23:30:00")
_AUTUMN = ("2026-10-25T01:20:00", "2026-10-25T02:05:00", "2026-10-25T01:59:30")
_LOCAL = {"format": "%d.%m.%Y %H:%M:%S%.f", "zone": "site"}
_BOTH = (*_SPRING, *_AUTUMN)

RECIPES: Mapping[str, Recipe] = MappingProxyType(
    {
        recipe.name: recipe
        for recipe in (
            _delimited("wide-utf8", _rfc3339, "at A B C", _SPRING, time={"format": "rfc3339"}),
            _delimited(
                "wide-cp1252-comma",
                _german,
                "Zeit A B Brémse",
                _BOTH,
                text={"encoding": "cp1252", "decimal": ",", "header_line": 4},
                time=_LOCAL,
            ),
            _delimited(
                "wide-utf16-tab",
                _epoch_s_comma,
                "at A B C",
                _SPRING,
                text={"encoding": "utf-16", "separator": "\t", "decimal": ",", "final_newline": False},
                time={"format": "epoch_s"},
            ),
            _delimited(
                "wide-headless",
                _epoch_ms,
                "1 2 3 4",
                _SPRING,
                text={"separator": "|", "header_line": 0, "final_newline": False},
                time={"format": "epoch_ms"},
            ),
            _delimited("wide-offset", _day_of_year, "at A B C", _SPRING, time={"format": "%Y-%j %H:%M:%S%z"}),
            _delimited(
                "wide-ebcdic", _epoch_s, "at A B C", _SPRING, text={"encoding": "cp037"}, time={"format": "epoch_s"}
            ),
            _delimited("long-dst", _german, "at winch A B x", _AUTUMN, time=_LOCAL),
            _delimited(
                "long-latin1-fold",
                _german,
                "at winch A B x",
                _BOTH,
                text={"encoding": "latin-1", "separator": "|", "decimal": ",", "final_newline": False},
                time={**_LOCAL, "fold": 1},
            ),
            _delimited(
                "long-sjis-halves",
                _american,
                "at winch A B x",
                _AUTUMN,
                text={"encoding": "shift_jis", "separator": ","},
                time={"format": "%b %e %Y %I:%M:%S %p", "zone": "America/New_York"},
            ),
            _sentences("sentences-utf8"),
            _sentences("sentences-header", header=("made by nobody", ""), final_newline=False, missing=["---"]),
            _sentences("sentences-cp1252", encoding="cp1252"),
            _sentences("sentences-utf16be", encoding="utf-16-be"),
        )
    }
)
