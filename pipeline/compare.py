"""Which rope would have lasted longer: a recorded history run through candidate ropes, from what sheets left by class.

Equal load: the candidate feels the very tensions that the line felt. Equal motion: the ship moves as she moved, so that
a stiffer rope feels more: tension about its mean is scaled by the stiffness of line and tail in series (slack stays
slack). One is better than another only where it is under both. Classes are 5 kN wide and told by their middles; what
that costs is shown against the line's own exact account. `exactly` prices the sheets themselves instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import RegisterError, nearest
from pipeline.ledger.account import accounts, last_site, shown
from pipeline.ledger.basis import basis_of_spec, not_reckoned_of
from pipeline.ledger.database import Ledger
from pipeline.ledger.words import CAUTION, NOT_MODELLED
from pipeline.night.accounts import air_of
from pipeline.night.wearing import CLASS_KN, Wear
from pipeline.registers import read_document
from pipeline.sheets.cycles import Floats, Ints
from pipeline.site import Site
from pipeline.wear.abrasion import NotReckoned, contact_of, swing_units
from pipeline.wear.creep import creep_units
from pipeline.wear.fatigue import UNIT_EXPONENT, half_cycles, life_units, to_decimal
from pipeline.wear.together import adds, free_length
from schemas.registers import Rigging, Spec

WEIGHT_WORDS = (
    "For the same fibre and construction a lower strength-to-weight ratio usually means more twist and a longer life "
    "(common practice, no source)."
)
METHODS = ("equal_load", "equal_motion")


@dataclass(frozen=True)
class History:
    """What one zone of a line felt, by class: closed cycles, open turning points [kN], time at level [us]."""

    low_kn: Floats
    high_kn: Floats
    count: Ints
    residue_kn: Floats
    level_class: Ints
    level_us: Ints

    @property
    def mean_kn(self) -> float:
        """Mean tension over the time observed; 0 where there is none."""
        whole = int(self.level_us.sum())
        return float(((self.level_class + 0.5) * CLASS_KN * self.level_us).sum() / whole) if whole > 0 else 0.0

    @property
    def peak_kn(self) -> float:
        """The highest tension, which is never inside a closed cycle only."""
        return float(self.residue_kn.max()) if self.residue_kn.size else 0.0

    def moved(self, scale: float) -> History:
        """The same under equal motion: tension about its mean times `scale`, slack where that would be below 0.

        The map rises with tension everywhere, so cycles stay cycles. Time at level stays: the mean load is the wind's
        and the current's, not the rope's.
        """

        def scaled(kn: Floats) -> Floats:
            return np.maximum(self.mean_kn + scale * (kn - self.mean_kn), np.minimum(kn, 0.0))

        return History(
            scaled(self.low_kn),
            scaled(self.high_kn),
            self.count,
            scaled(self.residue_kn),
            self.level_class,
            self.level_us,
        )


def compare(ledger: Ledger, specs: Sequence[Spec], lines: Sequence[str] = ()) -> dict[str, Any]:
    """Candidates against each line's own rope, as the object that `compare --json` prints.

    `lines`: only these (default: every main line with a history). RegisterError for a line that is not registered.
    """
    site = last_site(ledger)
    for line in lines:
        if line not in site.lines:
            near = nearest(line, site.lines)
            raise RegisterError(
                f"no line is called {line!r}",
                file="lines.csv",
                next_step=f"did you mean {near}?" if near is not None else "see `tautlog status`",
            )
    histories = _histories(ledger)
    chosen = list(lines) or sorted({line for line, _ in histories if site.lines[line].part == "main"})
    return {
        "site": site.info.id,
        "lines": [_line(ledger, site, line, histories, specs) for line in chosen],
        "weight": WEIGHT_WORDS,
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


def _line(
    ledger: Ledger,
    site: Site,
    line: str,
    histories: Mapping[tuple[str, str], History],
    specs: Sequence[Spec],
) -> dict[str, Any]:
    own = site.spec_of(line)
    zones = [zone for zone in ("a", "b") if (line, zone) in histories]
    account = accounts(ledger, site, [line])[line]
    zone = account.worse_zone if account.worse_zone in zones else (zones or ["a"])[0]
    history = histories.get((line, zone))
    if history is None:
        return {"line": line, "zone": None, "ropes": [], "ranked": None, "why": "nothing was recorded of it"}
    riggings = [row for row in site.riggings if (row.line, row.outboard_end) == (line, zone)]
    ropes = [
        _rope(site, line, riggings, history, spec, own=own)
        for spec in (own, *(spec for spec in specs if spec.id != own.id))
    ]
    ranked, why = _ranked(ropes)
    exact = account.posted[zone]["fatigue"] or Decimal(0)
    by_class = ropes[0]["closed_fatigue"]
    for rope in ropes:
        del rope["closed_fatigue"]
    return {
        "line": line,
        "zone": zone,
        "ropes": ropes,
        "ranked": ranked,
        "why": why,
        "class_error": float((by_class - exact) / exact) if exact > 0 else None,
    }


def _rope(
    site: Site, line: str, riggings: Sequence[Rigging], history: History, spec: Spec, *, own: Spec
) -> dict[str, Any]:
    force = site.break_force_kn(line) if spec.id == own.id else spec.break_force_kn
    wear = Wear(force, spec, air_of(site))
    scale, why = motion_scale(site, line, riggings, spec)
    basis, reasons = basis_of_spec(spec)
    told: dict[str, Any] = {
        "spec": spec.id,
        "own": spec.id == own.id,
        "material": spec.material,
        "break_force_kn": force,
        "mass_kg_per_m": spec.mass_kg_per_m,
        "strength_to_weight_kn_m_kg": force / spec.mass_kg_per_m,
        "equal_load": price(history, wear, riggings),
        "equal_motion": None if scale is None else {"scale": scale, **price(history.moved(scale), wear, riggings)},
        "equal_motion_why": why,
        "not_reckoned": not_reckoned_of(spec, riggings, force),
        "basis": basis,
        "basis_reasons": reasons,
    }
    curve = spec.fatigue
    closed = life_units(history.low_kn, history.high_kn, history.count, break_force_kn=force, curve=curve)
    return {**told, "closed_fatigue": to_decimal(closed)}


def price(history: History, wear: Wear, riggings: Sequence[Rigging]) -> dict[str, Any]:
    """Life used by a history, mechanism by mechanism, open cycles as half cycles; rope at air temperature.

    Slip is reckoned from two swings for each closed cycle, over the hardest of the chocks that the line lay on.
    """
    spec, force = wear.spec, wear.break_force_kn
    open_low, open_high = half_cycles(history.residue_kn)
    ones = np.ones(open_low.size, np.int64)
    closed = life_units(history.low_kn, history.high_kn, history.count, break_force_kn=force, curve=spec.fatigue)
    open_ = life_units(open_low, open_high, ones, break_force_kn=force, curve=spec.fatigue)
    fatigue = shown(to_decimal(2 * closed + open_, UNIT_EXPONENT + 1), spec.fatigue.factor)
    creep = None
    if spec.creep is not None and adds(spec.material, spec.fatigue.includes) in ("worse-of-two", "all-added"):
        bins = np.arange(history.level_class.size, dtype=np.int64)
        crept = creep_units(
            bins,
            history.level_class,
            history.level_us,
            np.empty(0, np.int64),
            np.empty(0, np.float64),
            break_force_kn=force,
            creep=spec.creep,
            ambient_c=float(wear.air.temperature_c),
        )
        creep = to_decimal(crept.units)
    contacts = [contact_of(row, spec.abrasion, force) for row in riggings]
    worn = [
        swing_units(history.low_kn, history.high_kn, 2 * history.count, contact)
        for contact in contacts
        if not isinstance(contact, NotReckoned)
    ]
    abrasion = to_decimal(max(worn)) if worn else None
    free = free_length(spec.material, spec.fatigue.includes, fatigue, creep if creep is not None else Decimal(0)).life
    return {
        "fatigue": fatigue,
        "creep": creep,
        "abrasion": abrasion,
        "used": max(free, abrasion if abrasion is not None else Decimal(0)),
        "peak_kn": history.peak_kn,
        "peak_share": history.peak_kn / force,
    }


def motion_scale(site: Site, line: str, riggings: Sequence[Rigging], spec: Spec) -> tuple[float | None, str | None]:
    """How much more tension one motion makes in a candidate than in the line's own rope, tails in series.

    The largest over the line's riggings; None, with why, where a length or a stiffness is not known.
    """
    own = site.spec_of(line)
    if own.stiffness is None or spec.stiffness is None:
        return None, f"spec {(own if own.stiffness is None else spec).id} has no [stiffness]"
    scales = []
    for row in riggings:
        if row.inboard_m is None or row.outboard_m is None:
            return None, "rigging.csv gives no inboard_m and outboard_m"
        length_m = row.inboard_m + row.outboard_m
        tail = _tail_give(site, row)
        if isinstance(tail, str):
            return None, tail
        own_give = length_m / (own.stiffness.static * site.break_force_kn(line))
        give = length_m / (spec.stiffness.static * spec.break_force_kn) if spec.id != own.id else own_give
        scales.append((own_give + tail) / (give + tail))
    return (max(scales), None) if scales else (None, "it was never rigged")


def _tail_give(site: Site, rigging: Rigging) -> float | str:
    """Stretch of the tail rigged in series, per kN [m/kN]; 0 without one; in words what is not known of it."""
    for row in site.riggings:
        if row.channel != rigging.channel or site.lines[row.line].part != "tail" or row.from_us != rigging.from_us:
            continue
        spec = site.spec_of(row.line)
        if spec.stiffness is None:
            return f"spec {spec.id} of its tail has no [stiffness]"
        if row.outboard_m is None:
            return f"rigging.csv gives no outboard_m of its tail {row.line}"
        return row.outboard_m / (spec.stiffness.static * site.break_force_kn(row.line))
    return 0.0


def _ranked(ropes: Sequence[Mapping[str, Any]]) -> tuple[list[str] | None, str]:
    """Ropes by life used, least first, if both methods agree on the order; else why there is none."""
    lacking = [rope["spec"] for rope in ropes if rope["equal_motion"] is None]
    if lacking:
        return None, f"equal motion is not reckoned for {', '.join(lacking)}"
    orders = [[rope["spec"] for rope in sorted(ropes, key=lambda r: r[method]["used"])] for method in METHODS]
    if orders[0] != orders[1]:
        return None, "equal load and equal motion disagree"
    return orders[0], "equal load and equal motion agree; a severity index at best, not a choice"


def _histories(ledger: Ledger) -> dict[tuple[str, str], History]:
    """What every line's zone felt, summed over its days."""
    cycles = ledger.rows(
        """
        SELECT line, zone, list(low ORDER BY low, high), list(high ORDER BY low, high), list(n ORDER BY low, high)
        FROM (
            SELECT line, zone, low, high, sum(n)::BIGINT AS n
            FROM (
                SELECT line, zone, unnest(cycle_low) AS low, unnest(cycle_high) AS high, unnest(cycle_count) AS n
                FROM live_wear_days
            ) GROUP BY ALL
        ) GROUP BY line, zone
        """
    )
    levels = ledger.rows(
        """
        SELECT line, zone, list(c ORDER BY c), list(us ORDER BY c)
        FROM (
            SELECT line, zone, c, sum(us)::BIGINT AS us
            FROM (SELECT line, zone, unnest(level_class) AS c, unnest(level_us) AS us FROM live_wear_days)
            GROUP BY ALL
        ) GROUP BY line, zone
        """
    )
    residues = ledger.rows("SELECT line, zone, arg_max(residue_kn, day) FROM live_states GROUP BY line, zone")
    by_cycle = {(line, zone): tuple(found) for line, zone, *found in cycles}
    by_level = {(line, zone): tuple(found) for line, zone, *found in levels}
    out = {}
    for line, zone, residue in residues:
        low, high, count = by_cycle.get((line, zone), ([], [], []))
        classes, level_us = by_level.get((line, zone), ([], []))
        out[line, zone] = History(
            (np.array(low, np.float64) + 0.5) * CLASS_KN,
            (np.array(high, np.float64) + 0.5) * CLASS_KN,
            np.array(count, np.int64),
            np.array(residue, np.float64),
            np.array(classes, np.int64),
            np.array(level_us, np.int64),
        )
    return out
