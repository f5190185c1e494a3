"""The zero checks of a site's tension channels: what each read in every interval without a line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.errors import RegisterError, nearest
from pipeline.ledger import index
from pipeline.ledger.account import last_site
from pipeline.ledger.database import Ledger
from pipeline.night.gauges import ZeroRow, told_check, zero_rows
from pipeline.night.gauges import threshold_kn as threshold_of
from pipeline.site import Site


def zeros_json(ledger: Ledger, channels: Sequence[str] = ()) -> dict[str, Any]:
    """The answer of `tautlog zeros`: all tension channels, or those named. RegisterError for one that is none."""
    site = last_site(ledger)
    known = [name for name, channel in site.channels.items() if channel.quantity == "tension"]
    for name in channels:
        if name not in known:
            raise RegisterError(
                f"{name!r} is no tension channel",
                file="channels.csv",
                found=repr(name),
                expected="a channel that measures tension",
                next_step=f"did you mean {near!r}?" if (near := nearest(name, known)) is not None else None,
            )
    rows = zero_rows(site, index.channel_days(ledger), index.air_days(ledger).values())
    return {"zeros": [_channel(site, name, rows.get(name, [])) for name in known if not channels or name in channels]}


def _channel(site: Site, channel: str, rows: Sequence[ZeroRow]) -> dict[str, Any]:
    limit = threshold_of(site, channel, rows[-1].calibration if rows else None)
    return {
        "channel": channel,
        "place": site.channels[channel].place,
        "full_scale_kn": site.channels[channel].capacity,
        "threshold_kn": None if limit is None else limit[0],
        "threshold": None if limit is None else limit[1],
        "checks": [told_check(row) for row in rows],
    }
