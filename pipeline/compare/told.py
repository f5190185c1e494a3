"""One line's ropes as the object that `compare --json` prints. Pure, but for what it is given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from pipeline.compare.exact import Repriced
from pipeline.compare.history import History, Zone
from pipeline.compare.motion import specs_in
from pipeline.compare.price import Lives
from pipeline.compare.rank import METHODS, WORDS, Method, Ranked, Stand, rank, stand
from pipeline.ledger.account import Account, exact_sum, shown
from pipeline.ledger.basis import basis_of, basis_of_spec, not_reckoned_of, reasons_of
from pipeline.ledger.words import SEVERITY_INDEX
from pipeline.night.wearing import Wear
from pipeline.site import Site
from pipeline.wear.together import adds
from schemas.registers import Spec

BY_CLASS = "class"
BY_SHEET = "sheets"
NOT_BY_CLASS = "in which 10-minute bins the load stood is not kept by class; equal load with --exact reckons it"


@dataclass(frozen=True)
class Told:
    """One rope on one line, before it is put into words: lives by zone and method, by class and from sheets."""

    spec: Spec
    wear: Wear
    scale: Mapping[str, float | None]
    why_not: str | None
    load: Mapping[str, Lives]
    motion: Mapping[str, Lives] | None
    exact: Mapping[str, Repriced]


def line_answer(
    site: Site, line: str, told: Sequence[Told], felt: Mapping[Zone, History], account: Account
) -> dict[str, Any]:
    """The ropes of one line, its own first, and their order or why there is none."""
    if not told[0].load:
        return {"line": line, "ropes": [], "ranked": None, "why": "nothing was recorded of it"}
    booked = {zone: booked_lives(account, zone) for zone in told[0].load}
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


def booked_lives(account: Account, zone: str) -> Lives:
    """What the line's own account counts, open cycles and days that are not posted yet with the rest."""
    lives: dict[str, Decimal | None] = {}
    for mechanism, life in account.posted[zone].items():
        held = [row.life for row in account.unposted if (row.zone, row.mechanism) == (zone, mechanism)]
        parts = [*([] if life is None else [life]), *held, *([account.pending[zone]] if mechanism == "fatigue" else [])]
        lives[mechanism] = exact_sum(parts) if parts else None
    factor = account.spec.fatigue.factor
    return Lives(shown(lives["fatigue"] or Decimal(0), factor), lives["creep"], lives["abrasion"])


def _errors(rope: Told, true: Mapping[str, Lives]) -> dict[str, float | None]:
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


def _worse(rope: Told, lives: Mapping[str, Lives]) -> str:
    """The zone with more used; zone a where they are even. A line is as good as this zone."""
    return max(lives, key=lambda zone: (lives[zone].used(rope.spec), zone == "a"))


def _rope(site: Site, line: str, rope: Told, felt: Mapping[Zone, History], *, own: bool) -> dict[str, Any]:
    spec, force = rope.spec, rope.wear.break_force_kn
    riggings = [row for row in site.riggings if row.line == line]
    basis, reasons = basis_of(site, line)
    _, candidate = basis_of_spec(spec)
    if not own:
        # Sensors, shares and air are the line's; the constants are the candidate's.
        own_spec = set(basis_of_spec(site.spec_of(line))[1])
        reasons = [*candidate, *(why for why in reasons if why not in own_spec)]
        if rope.motion is not None:
            reasons += [why for one in specs_in(site, riggings, spec) for why in reasons_of(one, ("stiffness",))]
        basis = SEVERITY_INDEX if reasons else basis_of_spec(spec)[0]
    missing = not_reckoned_of(spec, riggings, force)
    load = _used(rope, line, felt, moved=False)
    motion = None if rope.motion is None else _used(rope, line, felt, moved=True)
    bounded = [
        words
        for words, found in ((WORDS["equal_load"], load), (WORDS["equal_motion"], motion))
        if found is not None and found["creep_at_most"] is not None
    ]
    if bounded:
        missing["creep"] = f"under {' and '.join(bounded)}: {NOT_BY_CLASS}"
    return {
        "spec": spec.id,
        "own": own,
        "material": spec.material,
        "break_force_kn": force,
        "design_mbl_kn": site.design_mbl_kn(line),
        "mass_kg_per_m": spec.mass_kg_per_m,
        "strength_to_weight_kn_m_kg": force / spec.mass_kg_per_m,
        "factor": spec.fatigue.factor,
        "equal_load": load,
        "equal_motion": motion,
        "equal_motion_why": rope.why_not,
        "not_reckoned": missing,
        "basis": basis,
        "basis_reasons": reasons,
    }


def _used(rope: Told, line: str, felt: Mapping[Zone, History], *, moved: bool) -> dict[str, Any]:
    """What a rope would have used under one method, in its worse zone; the peak is that of both zones."""
    lives, by = _lives(rope, moved=moved)
    zone = _worse(rope, lives)
    found = lives[zone]
    moved_by = rope.scale if moved else {}
    scales = {one: 1.0 if (scale := moved_by.get(one)) is None else scale for one in lives}
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


def _lives(rope: Told, *, moved: bool) -> tuple[Mapping[str, Lives], dict[str, str]]:
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


def _stands(rope: Told, answer: Mapping[str, Any], error: Mapping[str, float | None]) -> Ranked:
    """A rope's figures with how far they are known: the class error of what governs, where that is by class."""
    stands: dict[Method, Stand | None] = {}
    unsure = False
    for method in METHODS:
        found = answer[method]
        if found is None:
            stands[method] = None
            continue
        governs = next((name for name in ("abrasion", "creep") if found[name] == found["used"]), "fatigue")
        known = error[governs] if found["reckoned_by"][governs] == BY_CLASS else 0.0
        unsure = unsure or known is None
        stands[method] = stand(found["used"], found["used_at_most"], 0.0 if known is None else known)
    return Ranked(rope.spec.id, stands, rope.why_not, _lacks(rope.spec, answer["equal_load"]), unsure)


def _lacks(spec: Spec, load: Mapping[str, Any]) -> frozenset[str]:
    """Mechanisms that may wear a rope and are in no figure of it: what it lacks would make it look the better one."""
    may_creep = adds(spec.material, spec.fatigue.includes) not in ("load-time-only", "none")
    lacking = {"creep": may_creep and spec.creep is None, "abrasion": load["abrasion"] is None}
    return frozenset(name for name, lacks in lacking.items() if lacks)
