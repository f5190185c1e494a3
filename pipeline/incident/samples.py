"""Samples of an incident for other people's programs, of the whole call and of the window, and which are flagged.

Of a long call they take as long as all the rest, mostly outside of the interpreter; so they may be read in a thread of
their own while the record is still reckoned. Whether they were changes no byte.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import combinations
from pathlib import Path
from urllib.parse import quote

from pipeline.incident.lines import Berthed
from pipeline.incident.making import places_of
from pipeline.incident.record import Incident
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.night.intake import LiveParts
from pipeline.site import Site
from pipeline.store.extract import Extract, extract, together
from pipeline.store.samples import store_part
from pipeline.store.sheets import read_flags
from schemas.times import us_to_rfc3339

MINUTE_US = 60_000_000


class Samples:
    """Every stored reading of some places over [from_us, to_us), being read."""

    def __init__(self, ledger: Ledger, site: Site, places: Collection[str], from_us: int, to_us: int) -> None:
        self._places, self._span = sorted(places), (from_us, to_us)
        live = LiveParts(store_part(part) for part in index.parts(ledger)).days()
        parts = [[part for (of, _), found in live.items() if of == place for part in found] for place in self._places]
        hand = ThreadPoolExecutor(1)
        self._read = hand.submit(
            lambda: together(
                extract(site.store, place, own, from_us=from_us, to_us=to_us)
                for place, own in zip(self._places, parts, strict=True)
            )
        )
        hand.shutdown(wait=False)

    def of(self, places: Collection[str], from_us: int, to_us: int) -> list[Extract] | None:
        """Those of a shorter stretch, places with the very same rows as one. None where they are not all here, or where
        places differ outside of the stretch alone, and so stand apart. Raises StoreError for a part gone or torn."""
        if self._places != sorted(places) or from_us < self._span[0] or to_us > self._span[1]:
            return None
        found = [one.between(from_us, to_us) for one in self._read.result()]
        return None if any(one.alike(other) for one, other in combinations(found, 2)) else found


def read_ahead(ledger: Ledger, berthed: Berthed) -> Samples:
    """Begin to read what samples of an incident there can be: clocks, not known yet, are hardly ever off by twice the
    most that is looked for."""
    wide_us, call = round(2e6 * berthed.site.policy.clock_most_s) + MINUTE_US, berthed.call
    to_us = call.to_us if call.to_us is not None else berthed.until_us
    return Samples(ledger, berthed.site, places_of(berthed), call.from_us - wide_us, to_us + wide_us)


def write_samples(ledger: Ledger, site: Site, incident: Incident, folder: Path, ahead: Samples | None = None) -> None:
    """Every stored reading of the call's places over the call, and over the window, by place; and the flags.

    The window is of corrected times: its samples are taken a bound on any clock wider, so that none is missing.
    `ahead`: what is being read already.
    """
    call, places, wide_us = incident.call, incident.evidence.places, _most_ahead_us(incident)
    call_to_us = call.to_us if call.to_us is not None else call.until_us
    from_us, to_us = call.from_us - wide_us, call_to_us + wide_us + 1
    for kind in ("call", "window"):
        (folder / kind).mkdir(parents=True, exist_ok=True)
    found = None if ahead is None else ahead.of(places, from_us, to_us)
    if found is None:
        found = Samples(ledger, site, places, from_us, to_us).of(places, from_us, to_us) or []
    for of_call in found:
        of_call.write(folder / "call" / _file_name(of_call.places))
        of_window = of_call.between(call.window_from_us - wide_us, call.window_to_us + wide_us + 1)
        of_window.write(folder / "window" / _file_name(of_call.places))
    _write_flags(ledger, site, incident, folder / "flags.csv", call.from_us, call_to_us)


def _most_ahead_us(incident: Incident) -> int:
    """How far any logger's clock may stand from the reference [us], rounded up to a minute."""
    ends = [
        abs(float(end))
        for clock in incident.part_a.clocks
        for end in (clock.offset.value, clock.offset.low, clock.offset.high)
        if isinstance(end, float | int)
    ]
    return int(-(-max(ends, default=0.0) // 60)) * MINUTE_US


def _file_name(places: Sequence[str]) -> str:
    """A name for one place, or for the first and last of several; encoded, so that it cannot leave the folder."""
    ends = dict.fromkeys((places[0], places[-1]))
    return "-to-".join(quote(place, safe="").replace(".", "%2E") for place in ends)


def _write_flags(ledger: Ledger, site: Site, incident: Incident, to: Path, from_us: int, to_us: int) -> None:
    """Runs of samples of the call's channels that are not flagged 1, with the checks that said so."""
    import polars as pl

    wanted, rows = set(incident.evidence.channels), []
    for (place, _), file in sorted(index.flags(ledger).items()):
        for run in read_flags(site.store, file.path) if place in incident.evidence.places else ():
            if run["channel"] in wanted and run["first"] <= to_us and run["last"] >= from_us:
                rows.append({**run, "first": us_to_rfc3339(run["first"]), "last": us_to_rfc3339(run["last"])})
    kinds = {"channel": pl.String, "first": pl.String, "last": pl.String, "samples": pl.Int64, "flag": pl.Int8}
    frame = pl.DataFrame(rows, schema={**kinds, "checks": pl.String}, orient="row")
    frame.sort("channel", "first", "last").write_csv(to)
