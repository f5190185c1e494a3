"""A line's account piece by piece along each end, and what it felt outside of what its constants were fitted to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from pipeline.ledger.account import CONTACT, FREE_LENGTH, ZONES, Account

CYCLES = ("total", "beyond_r", "below_r", "outside_lm", "compressed")
CREEP = ("counted_us", "outside_load_us", "outside_cold_us", "outside_hot_us")
NOT_MODELLED = "not modelled"


def along_of(account: Account) -> list[dict[str, Any]]:
    """Pieces from the eye inwards, each zone by itself; `life` is posted life used, None: not modelled or not reckoned.

    `position_m` is None where it is not known, or the piece is no band. Contact bands are those still on the rope.
    """
    pieces = []
    for zone in ZONES:
        pieces.append(_piece(zone, "eye", note=NOT_MODELLED))
        pieces.append(_piece(zone, FREE_LENGTH, life=account.bands(zone)[FREE_LENGTH]))
        bands = account.contacts[zone]
        for band in bands:
            note = "its place is not known (no outboard_m): it counts as still there" if band.position_m is None else ""
            pieces.append(
                _piece(
                    zone, CONTACT, life=band.life, position_m=band.position_m, since=band.since.isoformat(), note=note
                )
            )
        if not bands:
            pieces.append(_piece(zone, CONTACT, note=_without_a_band(account.posted[zone]["abrasion"])))
        pieces.append(_piece(zone, "rest", note=NOT_MODELLED))
    return pieces


def outside_of(days: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Sums over days of cycles outside a curve and of creep time outside what was fitted, from wear days' facts.

    Small cycles (`below_r`) and those that go slack (`compressed`) are shown only. `beyond_r` always has
    a limit; another count is 0 where the spec gives none: nobody looked then. Life is claimed for no creep outside the
    fit.
    """
    found = list(days)
    cycles = {name: sum(int(day.get(f"cycles_{name}", 0)) for day in found) for name in CYCLES}
    creep = {name: sum(int(day.get(f"creep_{name}", 0)) for day in found) for name in CREEP}
    return {"cycles": cycles, "creep_s": {name.removesuffix("_us"): us / 1e6 for name, us in creep.items()}}


def _without_a_band(abrasion: Decimal | None) -> str:
    """Why no contact band stands here: nothing was reckoned, nothing was worn, or what was worn has been cut off."""
    if abrasion is None:
        return "no abrasion is posted"
    return "no worn band is left on the rope" if abrasion > 0 else "reckoned, and no abrasion counted"


def _piece(zone: str, where: str, **known: Any) -> dict[str, Any]:
    piece = {"zone": zone, "where": where, "position_m": None, "from": known.pop("since", None), "life": None}
    return piece | {"note": ""} | known
