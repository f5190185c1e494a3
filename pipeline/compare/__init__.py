"""Which rope would have used how much: a recorded history run through candidate ropes.

Equal load: the candidate feels the very tensions that the line felt. Equal motion: the ship moves as she moved, so that
a stiffer rope feels more (`motion`). Ropes are put in an order only where both give the same. By class
(`price`) it takes a moment, and what classes cost is shown against the line's own exact account; `exact` prices the
sheets themselves.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from pipeline.compare.exact import Repriced, RepriceJob, Rope, felt_days, reprice
from pipeline.compare.history import History, Zone, histories
from pipeline.compare.motion import motion_scale
from pipeline.compare.price import Lives, price
from pipeline.compare.rank import METHODS, Method, Ranked, Stand, rank, stand
from pipeline.errors import RegisterError, nearest
from pipeline.ledger.account import ZONES, Account, accounts, exact_sum, last_site, shown
from pipeline.ledger.basis import basis_of, basis_of_spec, not_reckoned_of
from pipeline.ledger.database import Ledger
from pipeline.ledger.words import CAUTION, NOT_MODELLED, SEVERITY_INDEX
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
BY_CLASS = "class"
BY_SHEET = "sheets"
NOT_BY_CLASS = "in which 10-minute bins the load stood is not kept by class; --exact reckons it"
LIMITS_BY_CLASS = (
    "By class: tensions are the middles of 5 kN classes; creep is at air temperature; each closed cycle is two swings "
    "over the hardest chock of its zone, and metres paid out are left out of abrasion.",
)
LIMITS_OF_MOTION = (
    "Equal motion: static stiffness, tail in series; the ship is taken to move as she did. Slack stays slack; below "
    "the mean tension a softer rope is left as recorded, which overstates what it uses."
)


@dataclass(frozen=True)
class _Told:
    """One rope on one line, before it is put into words: lives by zone and method, by class and from sheets."""

    spec: Spec
    wear: Wear
    scale: Mapping[str, float | None]
    why_not: str | None
    load: Mapping[str, Lives]
    motion: Mapping[str, Lives] | None
    exact: Mapping[str, Repriced]


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
    told = {line: _by_class(site, line, felt, specs) for line in chosen}
    if exact:
        told = _from_sheets(ledger, site, felt, told, workers)
    own = accounts(ledger, site, chosen)
    return {
        "site": site.info.id,
        "exact": exact,
        "lines": [_line(site, line, told[line], felt, own[line]) for line in chosen],
        "weight": WEIGHT_WORDS,
        "limits": [*LIMITS_BY_CLASS, LIMITS_OF_MOTION],
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
        if line not in site.lines:
            near = nearest(line, site.lines)
            raise RegisterError(
                f"no line is called {line!r}",
                file="lines.csv",
                next_step=f"did you mean {near}?" if near is not None else "see `tautlog status`",
            )
    for spec in specs:
        known = site.specs.get(spec.id)
        if known is not None and known != spec:
            raise RegisterError(
                f"the site has another spec with the id {spec.id!r}", next_step="give the candidate an id of its own"
            )


def _riggings(site: Site, line: str, zone: str) -> list[Rigging]:
    return [row for row in site.riggings if (row.line, row.outboard_end) == (line, zone)]


def _by_class(site: Site, line: str, felt: Mapping[Zone, History], specs: Sequence[Spec]) -> list[_Told]:
    """The line's own rope, then the candidates."""
    own = site.spec_of(line)
    zones = {zone: felt[line, zone] for zone in ZONES if (line, zone) in felt}
    told = []
    for spec in (own, *(spec for spec in specs if spec != own)):
        wear = Wear(site.break_force_kn(line) if spec == own else spec.break_force_kn, spec, air_of(site))
        scales = {zone: motion_scale(site, line, _riggings(site, line, zone), spec) for zone in zones}
        whys = [why for _, why in scales.values() if why is not None]
        told.append(
            _Told(
                spec,
                wear,
                {zone: scale for zone, (scale, _) in scales.items()},
                whys[0] if whys else None,
                {zone: price(history, wear, _riggings(site, line, zone)) for zone, history in zones.items()},
                None
                if whys
                else {
                    zone: price(history.moved(scale), wear, _riggings(site, line, zone))
                    for zone, history in zones.items()
                    if (scale := scales[zone][0]) is not None
                },
                {},
            )
        )
    return told


def _from_sheets(
    ledger: Ledger,
    site: Site,
    felt: Mapping[Zone, History],
    told: Mapping[str, list[_Told]],
    workers: str | None,
) -> dict[str, list[_Told]]:
    days = felt_days(ledger, site, told)
    keys = [key for key in sorted(days) if key in felt]
    jobs = [
        RepriceJob(
            site.store,
            days[line, zone],
            [Rope(rope.wear, rope.scale[zone], felt[line, zone].mean_kn) for rope in told[line]],
        )
        for line, zone in keys
    ]
    # The workers' lock lies in a folder of their own: no night need wait for a comparison to end.
    with tempfile.TemporaryDirectory() as scratch, choose(workers, Path(scratch)) as doing:
        found = dict(zip(keys, doing.all(reprice, jobs), strict=True))
    return {
        line: [
            replace(rope, exact={zone: found[line, zone][i] for zone in ZONES if (line, zone) in found})
            for i, rope in enumerate(ropes)
        ]
        for line, ropes in told.items()
    }


def _line(
    site: Site, line: str, told: Sequence[_Told], felt: Mapping[Zone, History], account: Account
) -> dict[str, Any]:
    if not told[0].load:
        return {"line": line, "ropes": [], "ranked": None, "why": "nothing was recorded of it"}
    booked = {zone: _booked(account, zone) for zone in told[0].load}
    own_error = _errors(told[0], booked)
    ropes, ranked = [], []
    for i, rope in enumerate(told):
        error = _errors(rope, {zone: found.load for zone, found in rope.exact.items()}) if rope.exact else None
        answer = _rope(site, line, rope, felt, own=i == 0)
        answer["class_error"] = error if rope.exact else own_error if i == 0 else None
        ropes.append(answer)
        ranked.append(_stands(rope, answer, own_error if error is None else error))
    order, why = rank(ranked)
    return {"line": line, "ropes": ropes, "ranked": order, "why": why}


def _booked(account: Account, zone: str) -> Lives:
    """What the line's own account counts, open cycles and days that are not posted yet with the rest."""
    lives: dict[str, Decimal | None] = {}
    for mechanism, life in account.posted[zone].items():
        held = [row.life for row in account.unposted if (row.zone, row.mechanism) == (zone, mechanism)]
        parts = [*([] if life is None else [life]), *held, *([account.pending[zone]] if mechanism == "fatigue" else [])]
        lives[mechanism] = exact_sum(parts) if parts else None
    factor = account.spec.fatigue.factor
    return Lives(shown(lives["fatigue"] or Decimal(0), factor), lives["creep"], lives["abrasion"])


def _errors(rope: _Told, true: Mapping[str, Lives]) -> dict[str, float | None]:
    """How far class figures under equal load are from true ones in the worse zone, by mechanism, relative to these."""
    zone = _worse(rope, true)
    by_class = rope.load[zone]
    pairs = {
        "fatigue": (by_class.fatigue, true[zone].fatigue),
        "creep": (by_class.creep, true[zone].creep),
        "abrasion": (by_class.abrasion, true[zone].abrasion),
        # Without its creep the figure by class is another thing.
        "used": (None if by_class.creep_at_most is not None else by_class.used(rope.spec), true[zone].used(rope.spec)),
    }
    return {name: _relative(found, wanted) for name, (found, wanted) in pairs.items()}


def _relative(found: Decimal | None, wanted: Decimal | None) -> float | None:
    if found is None or wanted is None or (wanted == 0 and found != 0):
        return None
    return 0.0 if wanted == 0 else float((found - wanted) / wanted)


def _worse(rope: _Told, lives: Mapping[str, Lives]) -> str:
    """The zone with more used; zone a where they are even. A line is as good as this zone."""
    return max(lives, key=lambda zone: (lives[zone].used(rope.spec), zone == "a"))


def _rope(site: Site, line: str, rope: _Told, felt: Mapping[Zone, History], *, own: bool) -> dict[str, Any]:
    spec, force = rope.spec, rope.wear.break_force_kn
    basis, reasons = basis_of(site, line)
    _, candidate = basis_of_spec(spec)
    if not own:
        # Sensors, shares and air are the line's; the constants are the candidate's.
        own_spec = set(basis_of_spec(site.spec_of(line))[1])
        reasons = [*candidate, *(why for why in reasons if why not in own_spec)]
        basis = SEVERITY_INDEX if reasons else basis_of_spec(spec)[0]
    riggings = [row for row in site.riggings if row.line == line]
    missing = not_reckoned_of(spec, riggings, force)
    if rope.load and any(lives.creep_at_most is not None for lives in rope.load.values()):
        missing["creep"] = f"under equal {'motion' if rope.exact else 'load and motion'}: {NOT_BY_CLASS}"
    return {
        "spec": spec.id,
        "own": own,
        "material": spec.material,
        "break_force_kn": force,
        "mass_kg_per_m": spec.mass_kg_per_m,
        "strength_to_weight_kn_m_kg": force / spec.mass_kg_per_m,
        "factor": spec.fatigue.factor,
        "equal_load": _used(rope, line, felt, moved=False),
        "equal_motion": None if rope.motion is None else _used(rope, line, felt, moved=True),
        "equal_motion_why": rope.why_not,
        "not_reckoned": missing,
        "basis": basis,
        "basis_reasons": reasons,
    }


def _used(rope: _Told, line: str, felt: Mapping[Zone, History], *, moved: bool) -> dict[str, Any]:
    """What a rope would have used under one method, in its worse zone; the peak is that of both zones."""
    lives, by = _lives(rope, moved=moved)
    zone = _worse(rope, lives)
    found = lives[zone]
    scales = {one: (rope.scale[one] if moved else None) or 1.0 for one in lives}
    peaks = [felt[line, one].moved(scale).peak_kn for one, scale in scales.items()]
    peak_kn = max((peak for peak in peaks if peak is not None), default=None)
    return {
        "zone": zone,
        **({"scale": scales[zone]} if moved else {}),
        "fatigue": found.fatigue,
        "creep": found.creep,
        "creep_at_most": found.creep_at_most,
        "abrasion": found.abrasion,
        "used": found.used(rope.spec),
        "used_at_most": found.used_at_most(rope.spec),
        "peak_kn": peak_kn,
        "peak_share": None if peak_kn is None else peak_kn / rope.wear.break_force_kn,
        "reckoned_by": by,
    }


def _lives(rope: _Told, *, moved: bool) -> tuple[Mapping[str, Lives], dict[str, str]]:
    """Lives by zone under one method, and by what each mechanism was reckoned."""
    by_class = dict.fromkeys(("fatigue", "creep", "abrasion"), BY_CLASS)
    if not moved:
        if not rope.exact:
            return rope.load, by_class
        return {zone: found.load for zone, found in rope.exact.items()}, dict.fromkeys(by_class, BY_SHEET)
    motion = rope.motion or {}
    if not rope.exact:
        return motion, by_class
    if all(scale == 1.0 for scale in rope.scale.values()):
        return {zone: found.load for zone, found in rope.exact.items()}, dict.fromkeys(by_class, BY_SHEET)
    return {
        zone: replace(lives, fatigue=exact)
        for zone, lives in motion.items()
        if (exact := rope.exact[zone].motion_fatigue) is not None
    }, {**by_class, "fatigue": BY_SHEET}


def _stands(rope: _Told, answer: Mapping[str, Any], error: Mapping[str, float | None]) -> Ranked:
    """A rope's figures with how far they are known: the class error of what governs, where that is by class."""
    stands: dict[Method, Stand | None] = {}
    for method in METHODS:
        found = answer[method]
        if found is None:
            stands[method] = None
            continue
        governs = next((name for name in ("abrasion", "creep") if found[name] == found["used"]), "fatigue")
        known = error[governs] if found["reckoned_by"][governs] == BY_CLASS else 0.0
        stands[method] = stand(found["used"], found["used_at_most"], 0.0 if known is None else known)
    return Ranked(rope.spec.id, stands, rope.why_not, answer["equal_load"]["abrasion"] is not None)
