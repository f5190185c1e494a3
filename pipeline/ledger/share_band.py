"""What a line's fatigue would be if its assumed share of a hook's load were the least, or the largest, it may be.

From cycles by 5 kN class, told by their middles, as the ledger keeps them of every day; no sheet is read. A day belongs
to the riggings whose sheets it rests on; where these differ, all of its cycles take the widest of their bounds.
Days with a measured share count alike at either end.

Limits: closed cycles of the worse zone alone: open cycles, creep, abrasion and peak-loads are not banded. All assumed
shares go to their least, or to their largest, at once. Lines of one hook share one load: not all of them can have
their largest share, and ends of several lines must not be added up.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date
from typing import Any, Final

import numpy as np

from pipeline.ledger import index
from pipeline.ledger.account import Account, shown
from pipeline.ledger.database import Ledger
from pipeline.outlook.shares import Band, Counts, Values, banded
from pipeline.site import Site
from pipeline.wear.cells import middles_kn
from pipeline.wear.fatigue import life_units, to_decimal
from schemas.registers import Rigging
from schemas.times import us_to_rfc3339

_KNOWN: Final = (1.0, 1.0)
FROM: Final = (
    "from closed cycles by 5 kN class, told by their middles; open cycles, creep, abrasion and peaks change with the "
    "share too, and are not banded"
)
WORDS: Final = (
    "lines of one hook share one load: not all of them can have their largest share, so their ends must not be added up"
)

Ends = tuple[float, float]
"""Least and largest share, over the share as registered."""


def shares_of(ledger: Ledger, site: Site, account: Account) -> dict[str, Any] | None:
    """Banded fatigue of the worse zone for assumed shares; None for a line that has none, `why` where unbounded."""
    zone = account.worse_zone
    assumed = [row for row in site.riggings if row.line == account.line and row.share_basis == "assumed"]
    if not assumed:
        return None
    open_ended = [_named(row) for row in assumed if row.share_low is None or row.share_high is None]
    here = [row for row in site.riggings if (row.line, row.outboard_end) == (account.line, zone)]
    groups = _by_ends(ledger, account.line, zone, here)
    told = {"zone": zone, "unbounded": open_ended, "from": FROM, "words": WORDS}
    if not any(ends != _KNOWN for ends in groups):
        why = "no day of its worse zone has an assumed share with share_low and share_high in rigging.csv"
        return {"reckoned": False, **told, "why": why}
    force, curve = site.break_force_kn(account.line), account.spec.fatigue

    def price(low_kn: Values, high_kn: Values, count: Counts) -> int:
        return life_units(low_kn, high_kn, count, break_force_kn=force, curve=curve)

    bands = [
        banded(*cycles, share_pct=1.0, share_low_pct=ends[0], share_high_pct=ends[1], price=price)
        for ends, cycles in groups.items()
    ]
    band = Band(
        sum(one.assumed for one in bands),
        sum(one.at_share_low for one in bands),
        sum(one.at_share_high for one in bands),
    )
    exact = account.posted[zone]["fatigue"]
    return {
        "reckoned": True,
        **told,
        "at_share": shown(to_decimal(band.assumed), curve.factor),
        "at_share_low": shown(to_decimal(band.at_share_low), curve.factor),
        "at_share_high": shown(to_decimal(band.at_share_high), curve.factor),
        "least": shown(to_decimal(band.least), curve.factor),
        "most": shown(to_decimal(band.most), curve.factor),
        "posted": None if exact is None else shown(exact, curve.factor),
    }


def _named(row: Rigging) -> str:
    return f"{row.channel} from {us_to_rfc3339(row.from_us)} ({row.share_pct:g} %)"


def _ends(row: Rigging) -> Ends:
    if row.share_basis != "assumed" or row.share_low is None or row.share_high is None:
        return _KNOWN
    return row.share_low / row.share_pct, row.share_high / row.share_pct


def _by_ends(
    ledger: Ledger, line: str, zone: str, riggings: Sequence[Rigging]
) -> dict[Ends, tuple[Values, Values, Counts]]:
    """Closed cycles of a zone by what their day's share may be: middles of low and high [kN], count."""
    of_day = _ends_by_day(ledger, line, zone, riggings)
    cells: dict[Ends, list[Any]] = defaultdict(list)
    for (_, found, day), row in index.wear_days(ledger, line).items():
        if found == zone:
            cells[of_day.get(day, _KNOWN)].append((row.cycle_low, row.cycle_high, row.cycle_count))
    return {
        ends: (
            middles_kn(np.concatenate([low for low, _, _ in rows])),
            middles_kn(np.concatenate([high for _, high, _ in rows])),
            np.concatenate([count for _, _, count in rows]).astype(np.int64),
        )
        for ends, rows in cells.items()
    }


def _ends_by_day(ledger: Ledger, line: str, zone: str, riggings: Sequence[Rigging]) -> dict[date, Ends]:
    """The widest bounds of the riggings that each day's sheets tell of."""
    sheets = ledger.rows(
        """
        SELECT used.day, sheets.channel, sheets.from_us, sheets.to_us
        FROM (SELECT day, unnest(sheets) AS sheet FROM live_states WHERE line = ? AND zone = ?) AS used
        JOIN live_sheets AS sheets ON used.sheet = sheets.sheet
        """,
        [line, zone],
    )
    found: dict[date, list[Ends]] = defaultdict(list)
    for day, channel, from_us, to_us in sheets:
        found[day] += [
            _ends(row)
            for row in riggings
            if row.channel == channel and row.from_us <= from_us and (row.to_us is None or to_us <= row.to_us)
        ]
    return {day: (min(low for low, _ in ends), max(high for _, high in ends)) for day, ends in found.items() if ends}
