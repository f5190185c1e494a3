"""A line's account laid open: every input, constant with its source, intermediate figure and result of one day.

Made for redoing on paper. Each figure comes from the same pure functions as the night's, item by item; each sum is held
against the ledger, and says so where it differs.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from pipeline.errors import DataError
from pipeline.ledger import index
from pipeline.ledger.account import accounts, known_line, last_site
from pipeline.ledger.basis import basis_of, not_reckoned, unsourced
from pipeline.ledger.database import Ledger
from pipeline.ledger.words import AMBIENT_C, CAUTION, NOT_MODELLED
from pipeline.night.account import Left
from pipeline.site import Site
from pipeline.tracing.explained_abrasion import abrasion_of
from pipeline.tracing.explained_account import account_of
from pipeline.tracing.explained_creep import creep_of
from pipeline.tracing.explained_day import Day, Piece, days_of, load_day
from pipeline.tracing.explained_fatigue import fatigue_of
from pipeline.tracing.explained_heat import heat_of
from pipeline.wear.cells import BIN_US, CLASS_KN
from pipeline.wear.creep import GAS_CONSTANT_J_MOLK
from pipeline.wear.fatigue import UNIT_EXPONENT
from schemas.registers import Spec
from schemas.times import us_to_rfc3339

TABLES = ("fatigue", "creep", "heat", "abrasion", "bending", "strength_left", "stiffness")
"""The spec's tables of constants."""


def explain_json(ledger: Ledger, line: str, *, day: date | None = None, zone: str | None = None) -> dict[str, Any]:
    """The answer of `tautlog explain`. Default: the worse zone that was rigged, and its last reckoned day.

    Raises RegisterError for a line nobody registered, DataError where nothing is reckoned of what was asked,
    StoreError where a sheet of the day is gone.
    """
    site = last_site(ledger)
    known_line(site, line)
    days = days_of(ledger, line)
    if zone is None:
        worse = accounts(ledger, site, [line])[line].worse_zone
        zone = worse if worse in days or not days else next(iter(days))
    if day is None:
        if zone not in days:
            raise DataError(
                f"nothing is reckoned of zone {zone} of line {line} yet",
                expected=f"a zone that was rigged: {', '.join(days)}" if days else "a line with readings",
                next_step="look at rigging.csv, and run `tautlog nightly`",
            )
        day = days[zone][-1]
    found = load_day(ledger, site, line, zone, day)
    account, told = account_of(ledger, site, line, found.wear)
    basis, reasons = basis_of(site, line)
    horizon_us = index.horizon_us(ledger)
    return {
        "line": line,
        "zone": zone,
        "day": day.isoformat(),
        "until": None if horizon_us is None else us_to_rfc3339(horizon_us),
        "unreckoned_days": index.unreckoned(ledger),
        **_rope(site, line),
        "air": _air(site, found),
        "constants": _constants(account.spec),
        "grid": {
            "bin_s": BIN_US // 1_000_000,
            "class_kn": CLASS_KN,
            "unit": f"2^-{UNIT_EXPONENT}",
            "gas_constant_j_molk": GAS_CONSTANT_J_MOLK,
            "zero_c_k": 273.15,
        },
        "carried": _carried(found),
        "sheets": [_sheet(site, piece) for piece in found.pieces],
        "fatigue": fatigue_of(found),
        "creep": creep_of(found),
        "heat": heat_of(found),
        "abrasion": abrasion_of(found),
        "leaves": {**_left(found.after), "agrees": found.carries_on},
        "account": told,
        "basis": basis,
        "basis_reasons": reasons,
        "not_reckoned": not_reckoned(site, line),
        "not_modelled": list(NOT_MODELLED),
        "caution": CAUTION,
    }


def _rope(site: Site, line: str) -> dict[str, Any]:
    row, spec = site.lines[line], site.spec_of(line)
    ship = site.ships[row.ship]
    return {
        "part": row.part,
        "ship": row.ship,
        "spec": spec.id,
        "material": spec.material,
        "construction": spec.construction,
        "diameter_mm": spec.diameter_mm,
        "mass_kg_per_m": spec.mass_kg_per_m,
        "break_force": {
            "kn": site.break_force_kn(line),
            "from": f"specs, {spec.id}" if row.break_force_kn is None else "lines.csv, the line's own",
        },
        "design_mbl": {"kn": ship.design_mbl_kn, "source": ship.source, "retire_pct": site.policy.retire_pct},
    }


def _air(site: Site, day: Day) -> dict[str, Any]:
    """What the registers say, and which channels read the air of the day: their bins have its figures instead."""
    info = site.info
    return {
        "temperature_c": AMBIENT_C if info.ambient_c is None else info.ambient_c,
        "temperature_from": "house rule: site.toml gives no ambient_c" if info.ambient_c is None else "site.toml",
        "wind_m_s": 0.0 if info.wind_m_s is None else info.wind_m_s,
        "read": [
            {"channel": row.channel, "quantity": row.quantity, "bins_read": len(row.bins)} for row in day.air_read
        ],
        "wind_from": "house rule: still, as site.toml gives no wind_m_s" if info.wind_m_s is None else "site.toml",
    }


def _constants(spec: Spec) -> dict[str, Any]:
    """The spec's tables, each with its source, whether it is calibrated, and why it is not the rope's own if so."""
    out: dict[str, Any] = {}
    for name in TABLES:
        table = getattr(spec, name)
        if table is None:
            out[name] = None
            continue
        found = table.model_dump(mode="json")
        source, calibrated = found.pop("source"), found.pop("calibrated")
        out[name] = {
            "constants": found,
            "source": source,
            "calibrated": calibrated,
            "caveat": unsourced(source) or (None if calibrated else "is not marked calibrated"),
        }
    return out


def _carried(day: Day) -> dict[str, Any]:
    return {"from_day": None if day.left_by is None else day.left_by.isoformat(), **_left(day.before)}


def _left(left: Left) -> dict[str, Any]:
    """Open turning points, rope temperature and open swing."""
    heat, residue, swing = left.carried.heat, left.residue, left.carried.swing
    return {
        "residue": [
            {"kn": kn, "at": us_to_rfc3339(us)}
            for kn, us in zip(residue.residue_kn.tolist(), residue.residue_us.tolist(), strict=True)
        ],
        "heat": None if heat is None else {"at": us_to_rfc3339(heat.at_us), "surface_c": heat.surface_c},
        "swing": [{"kn": kn, "at": us_to_rfc3339(us)} for kn, us in zip(swing.kn, swing.us, strict=True)],
    }


def _sheet(site: Site, piece: Piece) -> dict[str, Any]:
    slice_, ref = piece.sheet.slice, piece.ref
    in_force = [row for row in site.calibrations_of(slice_.channel) if row.from_us <= slice_.from_us][-1:]
    in_force += [row for row in site.calibrations_of(slice_.channel) if slice_.from_us < row.from_us < slice_.to_us]
    return {
        "sheet": ref.sheet,
        "path": f"store/{ref.path}",
        "sha256": ref.digest,
        "run": ref.run,
        "channel": slice_.channel,
        "place": slice_.place,
        "from": us_to_rfc3339(slice_.from_us),
        "to": us_to_rfc3339(slice_.to_us),
        "begins": slice_.begins,
        "ends": slice_.ends,
        "share": slice_.share,
        "observed_s": piece.sheet.observed_us / 1e6,
        "calibrations": [
            {"from": us_to_rfc3339(row.from_us), "zero_kn": row.zero_kn, "gain": row.gain} for row in in_force
        ],
    }
