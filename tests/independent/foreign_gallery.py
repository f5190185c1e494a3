"""gallery: many short adversarial records on one odd logger. Whole kilonewtons full of ties and plateaus,
uneven steps, samples and rigging edges exactly at midnight, at bin edges and on each other. Invented.
"""

import random
from datetime import date

from tests.independent.foreign import Ideal, RawLog, S, Style, Writer, csv_text, delimited, rfc3339, us
from tests.independent.foreign_site import (
    CHANNEL_COLUMNS,
    LINE_COLUMNS,
    RIGGING_COLUMNS,
    Foreign,
    site_toml,
    spec_toml,
)

FIRST = us("2025-02-26T00:00:00")
DAY = 86_400 * S
DAYS = 4
STEPS = (S // 2, S, S, 3 * S, 10 * S, 10 * S + 1, 10 * S + S // 2, 47 * S, 600 * S, 9_000 * S)


def gallery(seed: int = 1, lines: int = 5, rows: int = 900) -> Foreign:
    """`lines` lines, one to a channel, each rigged anew several times at random and awkward instants."""
    rng = random.Random(3_000 + seed)
    site = Foreign("gallery", date(2025, 3, 1))
    names = [f"G{n}" for n in range(1, lines + 1)]
    instants = _instants(rng, rows)
    spells = [row for name in names for row in _riggings(rng, name, instants)]
    site.files = {
        "specs/short.toml": spec_toml("short", "hmpe", 53.0, 1.25, 0.7, 3.3),
        "site.toml": site_toml("gallery", "Asia/Kathmandu", "max_gap_s = 10.5\n"),
        "channels.csv": csv_text(CHANNEL_COLUMNS, *(f"{n}p,tension,other,1,100,{n} stand" for n in names)),
        "ships.csv": csv_text("ship,design_mbl_kn,source", "Knot,14,invented for the test"),
        "lines.csv": csv_text(LINE_COLUMNS, *(f"{n},Knot,short,main,2024-01-01T00:00:00Z," for n in names)),
        "rigging.csv": csv_text(RIGGING_COLUMNS, *spells),
        "layouts/odd.toml": _layout(names),
    }
    site.logs = [_log(rng, site, names, instants)]
    return site


def _layout(names: list[str]) -> str:
    head = (
        'name = "odd"\nreader = "delimited"\nmatch = "odd*"\n[text]\nencoding = "utf-8"\nseparator = ";"\n'
        'decimal = "."\nheader_line = 2\nmissing = ["x"]\nfinal_newline = true\n'
        '[time]\ncolumn = "s"\nformat = "epoch_s"\n'
    )
    values = (f'[[value]]\ncolumn = "{n}"\nchannel = "{n}p"\nunit = "kN"\n' for n in names)
    return head + "".join(values)


def _instants(rng: random.Random, rows: int) -> list[int]:
    """Uneven instants over four days, with samples at midnights and at bin edges."""
    found = {FIRST + day * DAY for day in range(1, DAYS)}
    while len(found) < rows:
        at_us = FIRST + rng.randrange(DAYS * 144) * 600 * S - rng.choice([0, 0, S, 3 * S])
        for _ in range(rng.randint(1, 25)):
            if FIRST <= at_us < FIRST + DAYS * DAY:
                found.add(at_us)
            at_us += rng.choice(STEPS)
    return sorted(found)


def _riggings(rng: random.Random, name: str, instants: list[int]) -> list[str]:
    """Half-open spells that touch samples, midnights and each other; the last may stay open."""
    midnights = [FIRST + day * DAY for day in range(1, DAYS)]
    edges = {*rng.sample(instants, 4), *rng.sample(midnights, 2)}
    edges |= {FIRST + rng.randrange(DAYS * 86_400) * S for _ in range(2)}
    marks = [*sorted(edges)]
    rows = []
    for first, last in zip(marks, [*marks[1:], None], strict=True):
        if rng.random() < 0.8 or last is None:
            end = "" if last is None else rfc3339(last)
            rows.append(f"{name},{name}p,{rfc3339(first, 345)},{end},{rng.choice('ab')},100")
    return rows


def _log(rng: random.Random, site: Foreign, names: list[str], instants: list[int]) -> RawLog:
    levels = {name: rng.choice([2, 3, 5, 9, 14]) for name in names}
    last = dict.fromkeys(names, "0")

    def text(name: str) -> str | None:
        if rng.random() < 0.05:
            return None
        if rng.random() < 0.7:
            last[name] = str(rng.randint(0, levels[name]))
        return last[name] + rng.choice(["", ".0"])

    def stamp(at_us: int) -> str:
        return f"{at_us // S}.{at_us % S:06d}" if at_us % S else str(at_us // S)

    style = Style(
        write=delimited(";", "x", "utf-8"),
        stamp=stamp,
        blank=[b"", b";" * len(names)],
        junk=[b"?"],
        bad_cell=["", "y", "7,5"],
        bad_stamp=["s", "x"],
        spoil=lambda r, raw: raw + b";",
    )
    ideals = (Ideal(at, "", tuple((f"{n}p", text(n)) for n in names)) for at in instants)
    rows = Writer(rng, site.seen, style, dirt=0.03).run(ideals)
    return RawLog("odd-log.asc", [b"odd logger", ";".join(["s", *names]).encode()], rows)
