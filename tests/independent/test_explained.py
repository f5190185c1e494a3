"""`explain --json` redone on paper: every figure of five lines of five materials, from raw readings to margin.

The arithmetic (`paper`) knows nothing of the program; a figure that nobody redoes fails the test too.
"""

from __future__ import annotations

import ast
import functools
import hashlib
import itertools
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal, localcontext
from pathlib import Path
from typing import Any

import pytest

from tests.cli.command import tautlog
from tests.independent import paper as by_hand
from tests.independent.command import at_us
from tests.independent.explained_site import (
    ABRASION,
    AMBIENT_C,
    CURVES,
    DAYS,
    DESIGN_MBL_KN,
    GAIN,
    LEFT,
    MAST,
    OUTBOARD_M,
    PAYOUT,
    RETIRE_PCT,
    SPECS,
    WIND_M_S,
    ZERO_KN,
    Rigged,
    explained_berth,
    force_of,
    line_kn,
    readings,
    riggings,
)
from tests.independent.paper import Paper, decimal_of, total
from tests.independent.reference_count import Rainflow, utc_day

BIN_US = 600_000_000
RULES = {
    "hmpe": "sustained-only",
    "polyester": "load-time-only",
    "polyamide": "worse-of-two",
    "aramid": "load-time-only",
    "wire": "none",
}
ASKED = [
    (material, zone, day)
    for material in SPECS
    for zone, day in (("a", DAYS[0]), ("b" if material == "aramid" else "a", DAYS[1]))
] + [("aramid", "b", DAYS[0])]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return explained_berth(tmp_path_factory.mktemp("explained") / "b").root


@pytest.fixture(autouse=True)
def _fifty_digits() -> Iterator[None]:
    with localcontext() as context:
        context.prec = 50
        yield


def dec(value: float) -> Decimal:
    """A double as it is written."""
    return Decimal(repr(float(value)))


@dataclass(frozen=True)
class Slice:
    """One rigging's part of a day: what the line felt (instant, kN), with the 0 kN of the rigging's ends."""

    rigged: Rigged
    day: str
    from_us: int
    to_us: int
    samples: list[tuple[int, float]]
    points: list[tuple[int, float]]


@dataclass(frozen=True)
class Swing:
    """A half-cycle and whether a join to the sheet before finished it."""

    low: float
    high: float
    end_us: int
    joined: bool


def air_at(bin_: int) -> tuple[Decimal, Decimal]:
    """Air temperature and wind of a bin: the mean of what the mast read, else as registered."""
    read = [(dec(round(c, 1)), dec(m_s)) for us, c, m_s in MAST if us // BIN_US == bin_]
    if not read:
        return dec(AMBIENT_C), dec(WIND_M_S)
    return sum((c for c, _ in read), Decimal(0)) / len(read), sum((w for _, w in read), Decimal(0)) / len(read)


def slices(material: str, zone: str) -> list[Slice]:
    """All of a zone, in time order."""
    felt = [(us, line_kn(material, kn)) for us, kn in readings(material)]
    out = []
    for rigged in riggings(material):
        begin, end = at_us(rigged.from_at), at_us(rigged.to_at) if rigged.to_at else 2**62
        for day in DAYS:
            first = max(begin, at_us(f"{day}T00:00:00Z"))
            last = min(end, at_us(f"{day}T00:00:00Z") + 86_400_000_000)
            if rigged.zone != zone or first >= last:
                continue
            samples = [(us, kn) for us, kn in felt if first <= us < last]
            before = [(first, 0.0)] if first == begin else []
            after = [(last, 0.0)] if last == end else []
            out.append(Slice(rigged, day, first, last, samples, before + samples + after))
    return out


def swings(pieces: list[Slice]) -> list[list[Swing]]:
    """Of each slice the swings that it finishes: all but the last half-cycle so far, which may still run on."""
    felt: list[tuple[int, float]] = []
    done, out = 0, []
    for piece in pieces:
        felt += piece.points
        finished = list(itertools.pairwise(by_hand.turning_points(felt)))[:-1]
        own = {us for us, _ in by_hand.turning_points(piece.points)[1:-1]}
        out.append(
            [Swing(min(a, b), max(a, b), end, not {begin, end} <= own) for (begin, a), (end, b) in finished[done:]]
        )
        done = len(finished)
    return out


def of_day(material: str, zone: str, day: str) -> list[tuple[Slice, list[Swing]]]:
    pieces = slices(material, zone)
    return [(piece, found) for piece, found in zip(pieces, swings(pieces), strict=True) if piece.day == day]


@functools.cache
def answer(site: Path, material: str, zone: str, day: str) -> Any:
    ran = tautlog("explain", site, material, "--zone", zone, "--day", day, "--json")
    assert (ran.code, ran.err) == (0, "")
    assert (ran.json["version"], ran.json["line"], ran.json["zone"], ran.json["day"]) == (1, material, zone, day)
    return ran.json


def asked(site: Path, material: str, zone: str, day: str) -> Paper:
    """Asked once; nobody changes an answer."""
    return Paper(answer(site, material, zone, day))


def redo_inputs(paper: Paper, material: str) -> None:
    spec = SPECS[material]
    paper.same(dec(force_of(material)), "break_force", "kn")
    paper.same(dec(DESIGN_MBL_KN), "design_mbl", "kn")
    paper.same(dec(RETIRE_PCT), "design_mbl", "retire_pct")
    paper.same(dec(AMBIENT_C), "air", "temperature_c")
    paper.same(dec(WIND_M_S), "air", "wind_m_s")
    read = {us // BIN_US for us, *_ in MAST if utc_day(us).isoformat() == paper.at("day")}
    for i, row in enumerate(paper.at("air", "read")):
        assert row["channel"] == f"M-{row['quantity']}"
        paper.exactly(len(read), "air", "read", i, "bins_read")
    assert ("own" in paper.at("break_force", "from")) == (material == "aramid")
    for name in ("fatigue", "creep", "heat", "abrasion", "bending", "strength_left"):
        told, given = paper.at("constants", name), CURVES[material] if name == "fatigue" else spec.get(name)
        if given is None:
            assert told is None
            continue
        assert told["calibrated"] is bool(spec[name].get("calibrated", False))
        assert told["source"] == spec[name].get("source", told["source"])
        for key in given.keys() - {"source", "calibrated"}:
            assert told["constants"][key] is not None
            flat = (v for v in given[key].values()) if isinstance(given[key], dict) else given[key]
            values = list(flat) if not isinstance(flat, int | float) else [flat]
            shown = told["constants"][key]
            shown = [v for v in shown.values() if v is not None] if isinstance(shown, dict) else shown
            assert [Decimal(v) for v in (shown if isinstance(shown, list) else [shown])] == pytest.approx(
                [dec(v) for v in values], rel=Decimal("1e-15")
            )


def redo_fatigue(paper: Paper, material: str, zone: str, day: str) -> None:
    curve, force = CURVES[material], dec(force_of(material))
    flow = Rainflow()
    for piece in slices(material, zone):
        for us, kn in piece.points:
            flow.feed(kn, us)
    closed = Counter((c.low, c.high) for c in flow.cycles if utc_day(c.closed_us).isoformat() == day)
    cycles = paper.at("fatigue", "cycles")
    assert len(cycles) == len(closed)
    units = 0
    outside: Counter[str] = Counter()
    for i, item in enumerate(cycles):
        at, low, high = ("fatigue", "cycles", i), item["low_kn"], item["high_kn"]
        count = closed.pop((float(low), float(high)))
        r, lm, one = by_hand.cycle_life(low, high, curve, force)
        paper.exactly(count, *at, "count")
        paper.exactly(dec(float(low)), *at, "low_kn")
        paper.exactly(dec(float(high)), *at, "high_kn")
        paper.same(r, *at, "R")
        paper.same(lm, *at, "Lm")
        paper.same(1 / one, *at, "N")
        paper.same(one, *at, "life_of_one")
        paper.life(one, count, *at)
        paper.seen.add((*at, "life_of_one_units"))
        assert int(item["life_of_one_units"]) * count == int(item["life_units"])
        units += int(item["life_units"])
        outside += _outside(r, lm, low / force, count, curve)
    assert not closed
    for name in ("beyond_r", "below_r", "outside_lm", "compressed", "total"):
        paper.exactly(outside[name], "fatigue", "outside_the_curve", name)
    paper.exactly(outside["total"], "fatigue", "cycles_closed")
    paper.same(dec(curve.get("reference_strength", 1.0)) * force, "fatigue", "strength_kn")
    redo_sum(paper, "fatigue", units)


def _outside(r: Decimal, lm: Decimal, trough: Decimal, count: int, curve: dict[str, Any]) -> Counter[str]:
    found = Counter(total=count)
    if "valid_r" in curve:
        found["beyond_r"] += count * (r > dec(curve["valid_r"][1]))
        found["below_r"] += count * (r < dec(curve["valid_r"][0]))
        found["outside_lm"] += count * (not dec(curve["valid_lm"][0]) <= lm <= dec(curve["valid_lm"][1]))
        found["compressed"] += count * (trough < dec(curve["compression_below"]))
    else:
        found["beyond_r"] += count * (r > dec(0.5))  # what no curve serves that does not say so
    return found


def redo_sum(paper: Paper, mechanism: str, units: int | None) -> None:
    """The day's sum is that of the items, and the live entry's, to the last digit."""
    at = (mechanism, "sum")
    life = None if units is None else decimal_of(units)
    paper.exactly(None if units is None else str(units), *at, "units")
    paper.exactly(life, *at, "life")
    paper.exactly(life, *at, "posted")
    assert paper.at(*at, "agrees") is True
    assert (paper.at(*at, "entry") is None) == (units is None)


def redo_creep(paper: Paper, material: str, zone: str, day: str) -> None:
    spec, force, rule = SPECS[material], dec(force_of(material)), RULES[material]
    creep: dict[str, Any] | None = spec.get("creep")
    stored_us = [us for us, _ in readings(material)]
    cores = {}
    for row in paper.at("heat", "bins"):
        cores[row["sheet"], at_us(row["from"]) // BIN_US] = row["core_c"]
    times: dict[tuple[Any, ...], int] = {}
    swung: dict[tuple[Any, ...], Decimal] = {}
    for sheet, (piece, found) in zip(paper.at("sheets"), of_day(material, zone, day), strict=True):
        for cell, us in by_hand.stood_us(piece.samples, stored_us, piece.to_us).items():
            times[sheet["sheet"], *cell] = us
        for swing in found:
            key = (sheet["sheet"], swing.end_us // BIN_US)
            classes = math.floor(swing.high / 5) - math.floor(swing.low / 5)
            reach = dec(swing.high) - dec(swing.low) if swing.joined else Decimal(5 * (classes + 1))
            swung[key] = max(swung.get(key, Decimal(0)), reach)
    units, why_s = 0, Counter[str]()
    for i, item in enumerate(paper.at("creep", "items")):
        at = ("creep", "items", i)
        bin_, class_ = at_us(item["bin_from"]) // BIN_US, int(item["class_kn"][0]) // 5
        us = times.pop((item["sheet"], bin_, class_))
        load = (dec(5 * class_) + Decimal("2.5")) / force
        core = cores.get((item["sheet"], bin_), air_at(bin_)[0])
        paper.same(dec(5 * class_), *at, "class_kn", 0)
        paper.same(dec(5 * class_ + 5), *at, "class_kn", 1)
        paper.same(dec(5 * class_) + Decimal("2.5"), *at, "load_kn")
        paper.same(load, *at, "load_ratio")
        paper.same(core, *at, "core_c")
        paper.same(Decimal(us) / 1_000_000, *at, "seconds")
        reach = swung.get((item["sheet"], bin_), Decimal(0))
        if rule == "sustained-only":
            paper.same(reach, *at, "swing_at_most_kn")
        else:
            assert item["swing_at_most_kn"] is None
        why = _why(material, load, core, reach)
        assert item["why"].startswith(why), (at, item["why"], why)
        why_s[item["why"]] += us
        if why == "counted":
            assert creep is not None
            time_s = by_hand.rupture_s(load, core, creep)
            paper.same(time_s, *at, "rupture_s")
            paper.life(Decimal(us) / 1_000_000 / time_s, 1, *at)
        else:
            assert (item["life"], item["rupture_s"]) == (None, None)
            paper.exactly("0", *at, "life_units")
        units += int(item["life_units"])
    assert not times
    for name in paper.at("creep", "seconds_by_why"):
        paper.same(Decimal(why_s.pop(name)) / 1_000_000, "creep", "seconds_by_why", name)
    assert not why_s
    if rule == "sustained-only":
        assert creep is not None
        paper.same(dec(creep["sustained_range"]) * force, "creep", "sustained_limit_kn")
    assert paper.at("creep", "rule") == rule
    redo_sum(paper, "creep", units if rule in ("sustained-only", "worse-of-two") else None)


def _why(material: str, load: Decimal, core: Decimal, reach: Decimal) -> str:
    """How an item's reason must begin."""
    if RULES[material] == "none":
        return "creep is not reckoned for wire"
    creep = SPECS[material]["creep"]
    if RULES[material] == "load-time-only":
        return f"for {material} creep is shown as time under load"
    # What the joins finish is held against the limit exactly: at it, it counts as a swing; classes only above it.
    if RULES[material] == "sustained-only" and reach > dec(creep["sustained_range"]) * dec(force_of(material)):
        return "not counted: no standing load"
    if load <= dec(creep["floor"]):
        return "not counted: at or below the floor"
    if not dec(creep["fitted_load"][0]) <= load <= dec(creep["fitted_load"][1]):
        return "not counted: outside the fitted loads"
    if core < dec(creep["fitted_c"][0]):
        return "not counted: colder"
    return "not counted: hotter" if core > dec(creep["fitted_c"][1]) else "counted"


def redo_heat(paper: Paper, material: str, zone: str, day: str) -> None:
    spec = SPECS[material]
    heat, force = spec.get("heat"), dec(force_of(material))
    if heat is None:
        assert (paper.at("heat", "reckoned"), paper.at("heat", "bins")) == (False, [])
        return
    diameter = dec(spec["diameter_mm"]) / 1000
    capacity = dec(spec["mass_kg_per_m"]) * dec(heat["specific_heat_j_kgk"])
    section = {
        "diameter_m": diameter,
        "heat_capacity_j_mk": capacity,
        "ea_kn": dec(heat["stiffness"]) * force,
        "loss_factor": dec(heat["loss_factor"]),
        "conductivity_w_mk": dec(heat["conductivity_w_mk"]),
    }
    for name, value in section.items():
        paper.same(value, "heat", "section", name)
    carried = paper.at("carried", "heat")
    surface, known = (None, None) if carried is None else (carried["surface_c"], at_us(carried["at"]))
    bins, relaxed, warmest = iter(enumerate(paper.at("heat", "bins"))), 0, Decimal("-inf")

    def steps(at: tuple[Any, ...], bin_: int, surface: Decimal, power: Decimal) -> tuple[Decimal, Decimal]:
        """Redo the steps below a path with the film coefficients shown there, each near its correlation's."""
        highest, (air, wind) = surface, air_at(bin_)
        for j, film in enumerate(paper.at(*at, "film_w_m2k")):
            reference = by_hand.film_w_m2k(float(diameter), float(wind), float(air), float(surface))
            paper.same(dec(reference), *at, "film_w_m2k", j, within=Decimal("0.003"))
            paper.seen.add((*at, "step_s", j))
            surface = by_hand.step_c(surface, air, power, film, diameter, capacity, paper.at(*at, "step_s", j))
            paper.same(surface, *at, "step_c", j)
            highest = max(highest, surface)
        return surface, highest

    for piece, found in of_day(material, zone, day):
        if surface is None:
            surface = air_at(piece.from_us // BIN_US)[0]
        if known is not None and known != piece.from_us:
            at = ("heat", "relaxed", relaxed)
            paper.same(surface, *at, "begin_c")
            assert (at_us(paper.at(*at, "from")), at_us(paper.at(*at, "to"))) == (known, piece.from_us)
            _check_minutes(known, piece.from_us, paper.at(*at, "steps", "step_s"))
            paper.same(air_at(piece.from_us // BIN_US)[0], *at, "air_c")
            paper.same(air_at(piece.from_us // BIN_US)[1], *at, "wind_m_s")
            surface, _ = steps((*at, "steps"), piece.from_us // BIN_US, surface, Decimal(0))
            paper.same(surface, *at, "end_c")
            relaxed += 1
        first, last = piece.from_us // BIN_US, (piece.to_us - 1) // BIN_US
        range2: dict[int, Decimal] = {}
        for swing in found:
            bin_ = min(max(swing.end_us // BIN_US, first), last)
            range2[bin_] = range2.get(bin_, Decimal(0)) + (dec(swing.high) - dec(swing.low)) ** 2
        for bin_ in range(first, last + 1):
            i, row = next(bins)
            at, power = ("heat", "bins", i), by_hand.power_w_m(range2.get(bin_, Decimal(0)), heat, force)
            begin, end = max(piece.from_us, bin_ * BIN_US), min(piece.to_us, (bin_ + 1) * BIN_US)
            assert (at_us(row["from"]), at_us(row["to"])) == (begin, end)
            _check_minutes(begin, end, row["step_s"])
            paper.same(range2.get(bin_, Decimal(0)), *at, "range2_kn2")
            paper.same(power, *at, "power_w_m")
            paper.same(surface, *at, "begin_c")
            paper.same(air_at(bin_)[0], *at, "air_c")
            paper.same(air_at(bin_)[1], *at, "wind_m_s")
            surface, highest = steps(at, bin_, surface, power)
            paper.same(highest, *at, "surface_c")
            core = highest + power / (4 * by_hand.PI * dec(heat["conductivity_w_mk"]))
            paper.same(core, *at, "core_c")
            warmest = max(warmest, core)
        known = piece.to_us
    assert next(bins, None) is None
    assert len(paper.at("heat", "relaxed")) == relaxed
    paper.same(warmest, "heat", "core_c_max")
    assert surface is not None
    paper.same(surface, "leaves", "heat", "surface_c")


def _check_minutes(begin: int, end: int, step_s: list[Decimal]) -> None:
    """Steps end at absolute minutes, and at the end of the span."""
    ends = [us for us in range(begin // 60_000_000 * 60_000_000, end, 60_000_000) if us > begin] + [end]
    assert [s * 1_000_000 for s in step_s] == [b - a for a, b in itertools.pairwise([begin, *ends])]


def redo_abrasion(paper: Paper, material: str, zone: str, day: str) -> None:
    force, units, reckoned = dec(force_of(material)), 0, False
    cells: Counter[tuple[Any, ...]] = Counter()
    contacts: dict[str, by_hand.Chock | None] = {}
    for i, (piece, found) in enumerate(of_day(material, zone, day)):
        at, row, sheet = ("abrasion", "contacts", i), piece.rigged, paper.at("sheets", i, "sheet")
        paper.same(dec(row.inboard_m), *at, "inboard_m")
        paper.same(dec(row.wrap_deg), *at, "wrap_deg")
        assert paper.at(*at, "surface") == row.surface
        reckoned, chock = True, None
        assert paper.at(*at, "rolls") is ("roller" in row.surface)
        if "roller" not in row.surface:
            chock = by_hand.chock(row.inboard_m, row.wrap_deg, ABRASION, force)
            paper.same(chock.e, *at, "E")
            paper.same(1 - 1 / chock.e, *at, "held")
            paper.same(chock.e - 1, *at, "gained")
            paper.same(chock.give, *at, "give_m_per_kn")
            paper.same(dec(ABRASION["allowable_work_kj"]["worn"]), *at, "allowable_work_kj")
        contacts[sheet] = chock
        for swing in found:
            ends = [dec(v if swing.joined else 5 * math.floor(v / 5) + 2.5) for v in (swing.low, swing.high)]
            cells[sheet, swing.end_us // BIN_US, *ends] += 1
    allowable = dec(ABRASION["allowable_work_kj"]["worn"])
    for i, item in enumerate(paper.at("abrasion", "swings")):
        at = ("abrasion", "swings", i)
        low, high, chock = item["low_kn"], item["high_kn"], contacts[item["sheet"]]
        key = (item["sheet"], at_us(item["bin_from"]) // BIN_US, low, high)
        count = cells.pop(key)
        paper.exactly(count, *at, "count")
        paper.seen |= {(*at, "low_kn"), (*at, "high_kn")}
        slip, rising, falling = (
            by_hand.swing_work(low, high, chock) if chock is not None else (Decimal(0), Decimal(0), Decimal(0))
        )
        paper.same(slip, *at, "slip_m")
        paper.same(rising, *at, "rising_kj")
        paper.same(falling, *at, "falling_kj")
        paper.same((rising + falling) / 2, *at, "work_kj")
        paper.same((rising + falling) / 2 / allowable, *at, "life_of_one")
        paper.life((rising + falling) / 2 / allowable, count, *at)
        units += int(item["life_units"])
    assert not cells
    units += redo_travel(paper, material, day, contacts)
    redo_sum(paper, "abrasion", units if reckoned else None)


def redo_travel(paper: Paper, material: str, day: str, contacts: dict[str, by_hand.Chock | None]) -> int:
    """Metres of payout at the class of the latest tension; all of it on the second day."""
    felt = [(us, line_kn(material, kn)) for us, kn in readings(material)]
    metres: dict[Decimal, Decimal] = {}
    if material == "hmpe" and day == DAYS[1]:
        for (_, before), (us, now) in itertools.pairwise(PAYOUT):
            kn = max(point for point in felt if point[0] <= us)[1]
            middle = dec(5 * math.floor(kn / 5) + 2.5)
            metres[middle] = metres.get(middle, Decimal(0)) + dec(now) - dec(before)
    units = 0
    for i, item in enumerate(paper.at("abrasion", "travel")):
        at, chock = ("abrasion", "travel", i), contacts[item["sheet"]]
        assert chock is not None
        work = (1 - 1 / chock.e) * item["tension_kn"] * item["metres"]
        paper.seen.add((*at, "tension_kn"))
        paper.same(metres.pop(item["tension_kn"]), *at, "metres")
        paper.same(work, *at, "work_kj")
        paper.life(work / dec(ABRASION["allowable_work_kj"]["worn"]), 1, *at)
        units += int(item["life_units"])
    assert not metres
    return units


def redo_account(paper: Paper, material: str, zone: str, day: str) -> None:
    curve, force = CURVES[material], dec(force_of(material))
    factor = dec(curve.get("factor", 1.0))
    paper.same(factor, "account", "factor_on_fatigue")
    opening = dec(0.015) if material == "wire" else Decimal(0)
    if material == "wire":
        paper.same(opening, "account", "opening", "life")
    sums: dict[tuple[str, str], list[Decimal]] = {}
    for i, row in enumerate(paper.at("account", "days")):
        felt = [point for piece in slices(material, row["zone"]) if piece.day == row["day"] for point in piece.points]
        peak_us, peak = max(((us, kn) for us, kn in felt), key=lambda point: (point[1], -point[0]))
        paper.same(dec(peak), "account", "days", i, "peak_kn")
        assert at_us(row["peak_at"]) == peak_us
        for name in ("fatigue", "creep", "abrasion"):
            if row[name] is not None:
                sums.setdefault((row["zone"], name), []).append(row[name])
            if (row["zone"], row["day"]) == (zone, day):
                paper.exactly(paper.at(name, "sum", "life"), "account", "days", i, name)
            elif row[name] is not None:
                paper.seen.add(("account", "days", i, name))  # redone where that day is asked for
    used = {}
    for its in ("a", "b"):
        at = ("account", "zones", its)
        for name in ("fatigue", "creep", "abrasion"):
            nothing = Decimal(0) if name == "fatigue" else None
            lives = sums.get((its, name))
            paper.exactly(nothing if lives is None else total(lives), *at, "sum", name)
            paper.exactly(Decimal(0), *at, "not_posted", name)
        redo_pending(paper, material, its)
        redo_contacts(paper, material, its)
        found = {name: paper.at(*at, "sum", name) for name in ("fatigue", "creep", "abrasion")}
        pending = paper.at(*at, "pending", "life")
        for which, fatigue in (("bands_posted", found["fatigue"]), ("bands_used", total([found["fatigue"], pending]))):
            band = redo_bands(material, fatigue, found, factor)
            for name, life in band.items():
                paper.exactly(life, *at, which, name)
            used[its] = band
    worst = max(("a", "b"), key=lambda its: max(used[its].values()))
    assert paper.at("account", "worse_zone") == worst
    if material == "wire":
        for its in ("a", "b"):
            life = max(paper.at("account", "zones", its, "bands_posted").values())
            paper.exactly(opening + life, "account", "closing", "zones", its)
    redo_strength(paper, material, opening, used, sums, force)


def redo_bands(
    material: str, fatigue: Decimal, found: dict[str, Decimal | None], factor: Decimal
) -> dict[str, Decimal]:
    """How mechanisms stand together: by material, and never with the contact band."""
    if factor != 1:
        fatigue = by_hand.WIDE.multiply(fatigue, factor).quantize(by_hand.PLACES, context=by_hand.WIDE)
    free, creep = fatigue, found["creep"]
    if creep is not None and RULES[material] == "sustained-only":
        free = total([fatigue, creep])
    if creep is not None and RULES[material] == "worse-of-two":
        free = max(fatigue, creep)
    return {"outboard length": free, "contact band": found["abrasion"] or Decimal(0)}


def redo_contacts(paper: Paper, material: str, zone: str) -> None:
    """Bands of rope that lay on the chock: each takes all that any day on which it may have lain there took."""
    lives = {row["day"]: row["abrasion"] for row in paper.at("account", "days") if row["zone"] == zone}
    worn = [day for day in sorted(lives) if lives[day]]
    bands: list[tuple[Decimal, str, Decimal | None]] = []
    if worn and material in OUTBOARD_M:
        former, latter = (dec(metres) for metres in OUTBOARD_M[material])
        bands = [(total([lives[day] for day in worn]), worn[0], latter), (lives[worn[0]], worn[0], former)]
    elif worn:
        bands = [(total([lives[day] for day in worn]), worn[0], None)]
    told = paper.at("account", "zones", zone, "contacts")
    assert [(row["life"], row["since"], row["position_m"]) for row in told] == bands
    for i in range(len(told)):
        paper.seen |= {("account", "zones", zone, "contacts", i, name) for name in ("life", "position_m")}


def redo_pending(paper: Paper, material: str, zone: str) -> None:
    """What is open after the last day, as half cycles."""
    flow = Rainflow()
    for piece in slices(material, zone):
        for us, kn in piece.points:
            flow.feed(kn, us)
    at, units = ("account", "zones", zone, "pending"), 0
    for i, kn in enumerate(flow.residue):
        paper.exactly(dec(kn), *at, "residue_kn", i)
    assert len(paper.at(*at, "residue_kn")) == len(flow.residue)
    pairs = list(itertools.pairwise(flow.residue))
    assert len(paper.at(*at, "half_cycles")) == len(pairs)
    for i, (one, other) in enumerate(pairs):
        low, high = dec(min(one, other)), dec(max(one, other))
        r, lm, life = by_hand.cycle_life(low, high, CURVES[material], dec(force_of(material)))
        item = (*at, "half_cycles", i)
        figures = {"low_kn": low, "high_kn": high, "R": r, "Lm": lm, "N": 1 / life, "life_of_one": life}
        for name, value in figures.items():
            paper.same(value, *item, name)
        paper.exactly(Decimal("0.5"), *item, "count")
        paper.same(life / 2, *item, "life", within=max(by_hand.TOLERANCE, Decimal("1e-29") / life))
        units += round(paper.at(*item, "life_of_one") * by_hand.UNIT)
    # Each life rounds to a whole unit first; a printed double may lie a unit beside its own.
    assert abs(paper.at(*at, "life") - decimal_of(units, 101)) <= by_hand.TOLERANCE * decimal_of(units, 101)
    paper.seen.add((*at, "life"))
    assert paper.at("account", "zones", zone, "pending_agrees") is True


def redo_strength(
    paper: Paper,
    material: str,
    opening: Decimal,
    used: dict[str, dict[str, Decimal]],
    sums: dict[tuple[str, str], list[Decimal]],
    force: Decimal,
) -> None:
    at = ("account", "strength")
    paper.same(dec(DESIGN_MBL_KN) * dec(RETIRE_PCT) / 100, *at, "retirement_kn")
    for zone, bands in used.items():
        for band, life in bands.items():
            paper.same(by_hand.strength_left(force, opening + life, LEFT), *at, "left_kn", zone, band)
    worst: tuple[Decimal, dict[str, Any]] | None = None
    for zone in ("a", "b"):
        before: dict[str, Decimal | None] = {"fatigue": Decimal(0), "creep": None, "abrasion": None}
        for row in (found for found in paper.at("account", "days") if found["zone"] == zone):
            factor = dec(CURVES[material].get("factor", 1.0))
            bands = redo_bands(material, before["fatigue"] or Decimal(0), before, factor)
            rigged = _rigged_at(material, zone, at_us(row["peak_at"]))
            bend = by_hand.bend_strength(rigged.bend_ratio, material, SPECS[material].get("bending"))
            for band, life in bands.items():
                left = by_hand.strength_left(force, opening + life, LEFT)
                share = Decimal(1) if bend is None or band != "contact band" else bend
                found = {
                    "peak_kn": row["peak_kn"],
                    "left_kn": left,
                    "peak_share": row["peak_kn"] / (left * share),
                    "margin_kn": left * share - row["peak_kn"],
                }
                if worst is None or found["peak_share"] > worst[0]:
                    names = {"zone": zone, "band": band, "day": row["day"], "bend": bend, "rigged": rigged}
                    worst = (found["peak_share"], {**found, **names})
            for name in before:
                if row[name] is not None:
                    before[name] = (before[name] or Decimal(0)) + row[name]
    assert worst is not None
    told = paper.at(*at, "least_margin")
    assert [told[name] for name in ("zone", "band", "day")] == [worst[1][name] for name in ("zone", "band", "day")]
    for name in ("peak_kn", "left_kn", "peak_share", "margin_kn"):
        paper.same(worst[1][name], *at, "least_margin", name)
    if told["bend"] is not None:
        paper.same(worst[1]["bend"], *at, "least_margin", "bend", "strength")
        paper.same(dec(worst[1]["rigged"].bend_ratio), *at, "least_margin", "bend", "ratio")
        paper.same(worst[1]["peak_kn"] + worst[1]["margin_kn"], *at, "least_margin", "bend", "left_kn")
    else:
        assert worst[1]["band"] != "contact band" or worst[1]["bend"] is None


def _rigged_at(material: str, zone: str, us: int) -> Rigged:
    return next(
        row
        for row in riggings(material)
        if row.zone == zone and at_us(row.from_at) <= us and (not row.to_at or us <= at_us(row.to_at))
    )


def redo_carried(paper: Paper, material: str, zone: str, day: str) -> None:
    """Open turning points and the open swing, before the day and after it."""
    for name, days in (("carried", [d for d in DAYS if d < day]), ("leaves", [d for d in DAYS if d <= day])):
        flow, felt = Rainflow(), []
        for piece in slices(material, zone):
            if piece.day in days:
                felt += piece.points
                for us, kn in piece.points:
                    flow.feed(kn, us)
        assert [float(point["kn"]) for point in paper.at(name, "residue")] == flow.residue
        turns = by_hand.turning_points(felt)[-2:]
        assert [(at_us(p["at"]), float(p["kn"])) for p in paper.at(name, "swing")] == turns
        for which, points in (("residue", flow.residue), ("swing", turns)):
            paper.seen |= {(name, which, i, "kn") for i in range(len(points))}
    carried, kept = paper.at("carried", "heat"), paper.at("carried", "from_day")
    earlier = [piece.day for piece in slices(material, zone) if piece.day < day]
    assert kept == (earlier[-1] if earlier else None)
    if carried is not None:
        paper.seen.add(("carried", "heat", "surface_c"))  # redone as what the day before leaves
    assert paper.at("leaves", "agrees") is True


@pytest.mark.parametrize(("material", "zone", "day"), ASKED)
def test_every_figure_comes_out_the_same_on_paper(site: Path, material: str, zone: str, day: str) -> None:
    paper = asked(site, material, zone, day)
    redo_inputs(paper, material)
    redo_carried(paper, material, zone, day)
    redo_fatigue(paper, material, zone, day)
    redo_heat(paper, material, zone, day)
    redo_creep(paper, material, zone, day)
    redo_abrasion(paper, material, zone, day)
    redo_account(paper, material, zone, day)
    sections = ("break_force", "design_mbl", "air", "carried", "fatigue", "creep", "heat", "abrasion", "leaves")
    assert paper.unseen(*sections, "account") == []


def test_what_a_day_leaves_is_what_the_next_one_begins_with(site: Path) -> None:
    for material in SPECS:
        zone = "b" if material == "aramid" else "a"
        first, second = (asked(site, material, zone, day) for day in DAYS)
        assert {**second.at("carried"), "agrees": True} == {**first.at("leaves"), "from_day": DAYS[0]}


def test_the_site_has_every_kind_of_item(site: Path) -> None:
    """Else the other tests would be right of nothing."""
    whys, joined, relaxed, second = set(), 0, 0, 0
    for material, zone, day in ASKED:
        paper = asked(site, material, zone, day)
        whys |= set(paper.at("creep", "seconds_by_why"))
        joined += sum(item["is"] != "cell" and item["slip_m"] > 0 for item in paper.at("abrasion", "swings"))
        relaxed += len(paper.at("heat").get("relaxed", ()))
        second += sum(item["second_slope"] for item in paper.at("fatigue", "cycles"))
    assert {why.split(":")[-1].strip() for why in whys if why.startswith(("counted", "not counted"))} == {
        "counted",
        "no standing load in this bin",
        "at or below the floor",
        "outside the fitted loads",
        "hotter than fitted",
    }
    assert joined > 0
    assert relaxed > 0
    assert second > 0


def test_sheets_name_their_files_calibrations_and_share(site: Path) -> None:
    for material, zone, day in ASKED:
        paper = asked(site, material, zone, day)
        expected = of_day(material, zone, day)
        for sheet, (piece, _) in zip(paper.at("sheets"), expected, strict=True):
            assert (at_us(sheet["from"]), at_us(sheet["to"])) == (piece.from_us, piece.to_us)
            assert hashlib.sha256((site / sheet["path"]).read_bytes()).hexdigest() == sheet["sha256"]
            assert sheet["share"] == dec(piece.rigged.share_pct) / 100
            known = [{"from": "2026-01-01T00:00:00Z", "zero_kn": dec(ZERO_KN), "gain": dec(GAIN)}]
            assert sheet["calibrations"] == (known if material == "hmpe" else [])


def test_the_paper_knows_nothing_of_the_program() -> None:
    for module in (by_hand.__file__, __file__):
        tree = ast.parse(Path(module).read_text(encoding="utf-8"))
        imported = {n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
        imported |= {alias.name for n in ast.walk(tree) if isinstance(n, ast.Import) for alias in n.names}
        assert not [name for name in imported if name.split(".")[0] == "pipeline"]
