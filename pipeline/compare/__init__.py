"""Which rope would have used how much: a recorded history run through candidate ropes.

Equal load: the candidate feels the very tensions that the line felt. Equal motion: the ship moves as she moved, so that
a stiffer rope feels more (`motion`). Ropes are put in an order only where both give the same. By class
(`price`) it takes a moment, and what classes cost is shown against the line's own exact account; `exact` prices the
sheets themselves for every candidate.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.compare.exact import Repriced, RepriceJob, Rope, felt_days, reprice
from pipeline.compare.history import History, Zone, histories
from pipeline.compare.motion import motion_scale
from pipeline.compare.price import price
from pipeline.compare.told import Told, booked_lives, line_answer
from pipeline.errors import RegisterError
from pipeline.ledger.account import ZONES, Account, accounts, known_line, last_site
from pipeline.ledger.database import Ledger
from pipeline.ledger.words import CAUTION, NOT_MODELLED
from pipeline.night.accounts import air_of
from pipeline.night.wearing import Wear
from pipeline.registers import read_document
from pipeline.site import Site
from pipeline.workers import choose
from schemas.registers import Rigging, Spec

WEIGHT_WORDS = (
    "For the same fibre and construction a lower strength-to-weight ratio usually means more twist and a longer life "
    "(common practice, no source)."
)
LIMITS_BY_CLASS = (
    "By class: tensions are the middles of 5 kN classes; creep is at air temperature; each closed cycle is two swings "
    "over the hardest chock of its zone, and metres paid out are left out of abrasion."
)
LIMITS_FROM_SHEETS = (
    "From the sheets: as a night prices them. Under equal motion only fatigue is; creep and abrasion there are "
    "by class (5 kN, air temperature, each closed cycle two swings over the hardest chock, no metres paid out)."
)
LIMITS_OF_MOTION = (
    "Equal motion: x is tension about its mean over that in the line's own rope, by static stiffness with the tail in "
    "series; the ship is taken to move as she did. Slack stays slack; below "
    "the mean tension a softer rope is left as recorded, which overstates what it uses."
)


def compare(
    ledger: Ledger, specs: Sequence[Spec], lines: Sequence[str] = (), *, exact: bool = False, workers: str | None = None
) -> dict[str, Any]:
    """Candidates beside each line's own rope, as the object that `compare --json` prints.

    `lines`: only these (default: every main line with a history). `exact`: from the sheets, by `workers` (as
    `--workers`). RegisterError for a line that is not registered, or a candidate with the id of another rope.
    """
    site = last_site(ledger)
    _check(site, specs, lines)
    felt = histories(ledger)
    chosen = list(dict.fromkeys(lines)) or sorted(
        {line for line, _ in felt if line in site.lines and site.lines[line].part == "main"}
    )
    ropes = {line: _ropes(site, line, felt, specs) for line in chosen}
    with ExitStack() as stack:
        # Workers price the sheets while this process does the rest.
        repriced = _from_sheets(ledger, site, felt, ropes, workers, stack) if exact else iter(())
        told = {line: _by_class(site, line, felt, ropes[line]) for line in chosen}
        own = accounts(ledger, site, chosen)
        found = dict(repriced)
    if exact:
        told = {line: _with_exact(own[line], by_class, found) for line, by_class in told.items()}
    return {
        "site": site.info.id,
        "exact": exact,
        "lines": [line_answer(site, line, told[line], felt, own[line]) for line in chosen],
        "weight": WEIGHT_WORDS,
        "limits": [LIMITS_FROM_SHEETS if exact else LIMITS_BY_CLASS, LIMITS_OF_MOTION],
        "not_modelled": list(NOT_MODELLED),
        "caution": CAUTION,
    }


def read_specs(files: Sequence[Path]) -> list[Spec]:
    """Candidate specs; RegisterError for one that cannot be used, or an id given twice."""
    specs = [read_document(str(file), file.read_bytes(), Spec) for file in files]
    for i, spec in enumerate(specs):
        if any(spec.id == other.id for other in specs[:i]):
            raise RegisterError(f"two candidates have the id {spec.id!r}", file=files[i], next_step="give each its own")
    return specs


def _check(site: Site, specs: Sequence[Spec], lines: Sequence[str]) -> None:
    for line in lines:
        known_line(site, line)
    for spec in specs:
        known = site.specs.get(spec.id)
        if known is not None and known != spec:
            raise RegisterError(
                f"the site has another spec with the id {spec.id!r}", next_step="give the candidate an id of its own"
            )


def _riggings(site: Site, line: str, zone: str) -> list[Rigging]:
    return [row for row in site.riggings if (row.line, row.outboard_end) == (line, zone)]


@dataclass(frozen=True)
class _Candidate:
    """A rope for a line, and its stiffness over that of the line's own, by zone; `why`: what is in the way."""

    wear: Wear
    scale: Mapping[str, float | None]
    why: str | None


def _ropes(site: Site, line: str, felt: Mapping[Zone, History], specs: Sequence[Spec]) -> list[_Candidate]:
    """The line's own rope, then the candidates."""
    own = site.spec_of(line)
    ropes = []
    for spec in (own, *(spec for spec in specs if spec != own)):
        wear = Wear(site.break_force_kn(line) if spec == own else spec.break_force_kn, spec, air_of(site))
        scales = {
            zone: motion_scale(site, line, _riggings(site, line, zone), spec) for zone in ZONES if (line, zone) in felt
        }
        whys = [why for _, why in scales.values() if why is not None]
        ropes.append(_Candidate(wear, {zone: scale for zone, (scale, _) in scales.items()}, whys[0] if whys else None))
    return ropes


def _by_class(site: Site, line: str, felt: Mapping[Zone, History], ropes: Sequence[_Candidate]) -> list[Told]:
    """What each rope would have used, from what its line's zones felt by class."""
    told = []
    for rope in ropes:
        moved = None
        if rope.why is None:
            moved = {
                zone: price(felt[line, zone].moved(scale), rope.wear, _riggings(site, line, zone))
                for zone, scale in rope.scale.items()
                if scale is not None
            }
        load = {zone: price(felt[line, zone], rope.wear, _riggings(site, line, zone)) for zone in rope.scale}
        told.append(Told(rope.wear.spec, rope.wear, rope.scale, rope.why, load, moved, {}))
    return told


def _from_sheets(
    ledger: Ledger,
    site: Site,
    felt: Mapping[Zone, History],
    ropes: Mapping[str, Sequence[_Candidate]],
    workers: str | None,
    stack: ExitStack,
) -> Iterator[tuple[Zone, list[Repriced]]]:
    """Start pricing the sheets of every line for the candidates; what comes of it by zone, as it is asked for.

    Not for the line's own rope: a night has priced the same sheets with the same spec, which is its account.
    """
    days = felt_days(ledger, site, ropes)
    keys = [key for key in sorted(days) if key in felt]
    jobs = [
        RepriceJob(
            site.store,
            days[line, zone],
            [Rope(rope.wear, rope.scale[zone], felt[line, zone].mean_kn) for rope in ropes[line][1:]],
        )
        for line, zone in keys
    ]
    # The workers' lock lies in a folder of their own: no night need wait for a comparison to end.
    scratch = stack.enter_context(tempfile.TemporaryDirectory())
    doing = stack.enter_context(choose(workers, Path(scratch)))
    return zip(keys, doing.sure(doing.each(reprice, jobs)), strict=True)


def _with_exact(account: Account, told: Sequence[Told], found: Mapping[Zone, Sequence[Repriced]]) -> list[Told]:
    """The same with exact lives: the own rope's from its account, the candidates' as they were priced."""
    zones: dict[str, Sequence[Repriced]] = {
        zone: found[account.line, zone] for zone in ZONES if (account.line, zone) in found
    }
    booked = {zone: booked_lives(account, zone) for zone in zones}
    scale = told[0].scale
    own = {zone: Repriced(lives, None if scale[zone] is None else lives.fatigue) for zone, lives in booked.items()}
    candidates = [{zone: priced[i] for zone, priced in zones.items()} for i in range(len(told) - 1)]
    return [replace(rope, exact=exact) for rope, exact in zip(told, [own, *candidates], strict=True)]
