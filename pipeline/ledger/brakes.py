"""What is known of each winch's brake: the object that `brakes --json` prints, from events and registers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.errors import DataError, nearest
from pipeline.events import brake_held, brake_render
from pipeline.events.brakes import (
    EXERCISED_WITHIN_DAYS,
    Brake,
    BreakOut,
    Evidence,
    Gauge,
    HeldLoad,
    Load,
    against,
    judge,
    worst_first,
)
from pipeline.ledger import index
from pipeline.ledger.account import last_site
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import Event
from pipeline.site import Site
from schemas.times import rfc3339_us, us_to_rfc3339

BRAKE_CAUTION = (
    "A brake is tested by the winch maker's procedure; nothing here replaces a test, and what a brake held or let go "
    "at once it need not hold or let go at again. Verdicts are on loads as the drum bore them where that is measured "
    "or reckoned, else as the hook pin measured them; a drum behind a chock bears less. Above 110 % of its setting a "
    "brake is late, below 90 % early (house rule); exercised or tested within a year is common practice."
)
TELLING = frozenset({"payout", "brake", "winch-mode"})
"""Quantities that only a winch has."""


def brakes_json(ledger: Ledger, *, place: str | None = None) -> dict[str, Any]:
    """Every winch, worst first; of one place where given. Raises DataError for a place that is no winch."""
    site = last_site(ledger)
    known_us = index.known_us(ledger)
    winches = _winches(site)
    if place is not None and place not in winches:
        near = nearest(place, winches)
        raise DataError(
            f"no winch is at {place!r}",
            expected=", ".join(winches) or "a place in winches.csv, or with a channel of a winch",
            next_step=None if near is None else f"did you mean {near!r}?",
        )
    wanted = winches if place is None else [place]
    found = brakes_of(site, wanted, index.events(ledger).values(), _highest(site, ledger), known_us)
    return {
        "until": us_to_rfc3339(known_us),
        "exercised_within_days": EXERCISED_WITHIN_DAYS,
        "brakes": [_object(site, brake) for brake in worst_first(found)],
        "caution": BRAKE_CAUTION,
    }


def brakes_of(
    site: Site, places: Iterable[str], events: Iterable[Event], highest: Mapping[str, Sequence[Load]], known_us: int
) -> list[Brake]:
    """What is known at `known_us` of the brakes at some places. `events`: of the whole site; `highest`: by place.

    A brake that let go while its gauge stuck or spiked is judged by its other loads: at what it let go is not known.
    """
    known = list(events)
    return [
        judge(
            Evidence(
                one,
                [row for row in site.winches if row.place == one],
                [
                    _break_out(event)
                    for event in known
                    if (event.place, event.kind) == (one, brake_render.KIND) and event.payload.get("doubtful") is None
                ],
                [_held(event) for event in known if (event.place, event.kind) == (one, brake_held.KIND)],
                highest.get(one, []),
            ),
            known_us,
        )
        for one in places
    ]


def _winches(site: Site) -> list[str]:
    """Places that are winches: with a row in winches.csv, a winch's gauge, or a channel that only a winch has."""
    named = {row.place for row in site.winches}
    told = {row.place for row in site.channels.values() if row.kind == "winch-brake" or row.quantity in TELLING}
    return sorted(named | told)


def _highest(site: Site, ledger: Ledger) -> dict[str, list[Load]]:
    """The highest load of each day by place, of main lines. Loads whose brake was open are in none of them."""
    found: dict[str, list[Load]] = {}
    for (line, _, _), facts in index.day_facts(ledger).items():
        if "peak_kn" not in facts or site.lines[line].part != "main":
            continue
        at_us = facts["peak_us"]
        for rigging in site.riggings:
            if rigging.line == line and rigging.from_us <= at_us and (rigging.to_us is None or at_us < rigging.to_us):
                channel = site.channels[rigging.channel]
                gauge: Gauge = "drum" if channel.kind == "winch-brake" else "hook"
                found.setdefault(channel.place, []).append(Load(at_us, facts["peak_kn"], False, gauge))
    return found


def _break_out(event: Event) -> BreakOut:
    at_us, told = rfc3339_us(event.payload["breakout_at"]), event.payload.get("basis", "payout")
    load = _load(event, event.payload["breakout_kn"], at_us, at_least=event.payload["breakout_at_least"])
    return BreakOut(load, "tension alone" if told == "tension alone" else "payout")


def _held(event: Event) -> HeldLoad:
    load = _load(event, event.peak_kn, event.peak_us, at_least=event.payload["peak_at_least"])
    return HeldLoad(load, event.payload["payout_m"] is not None)


def _load(event: Event, kn: float, at_us: int, *, at_least: bool) -> Load:
    """A load of an event. One of a release that did not say where it was measured counts as measured at the drum."""
    gauge: Gauge = "hook" if event.payload.get("measured_at") == "hook" else "drum"
    return Load(at_us, kn, at_least, gauge, event.payload.get("capstan"))


def _object(site: Site, brake: Brake) -> dict[str, Any]:
    """One winch."""
    setting = brake.setting
    set_kn = None if setting is None else setting.brake_set_kn
    return {
        "place": brake.place,
        "verdict": brake.verdict,
        "brake_set_kn": set_kn,
        "tested_on": None if brake.tested_us is None else us_to_rfc3339(brake.tested_us)[:10],
        "test_due": brake.test_due,
        "layer": None if setting is None else setting.layer,
        "set_in_layer_kn": brake.in_layer_kn,
        "reeling": None if setting is None else setting.reeling,
        "wrong_reeling_kn": brake.wrong_reeling_kn,
        "payout": any(row.place == brake.place and row.quantity == "payout" for row in site.channels.values()),
        "let_go": [_let_go_object(one, set_kn) for one in brake.break_outs],
        "held": None if brake.held is None else _held_object(brake.held, set_kn),
        "highest": None if brake.highest is None else _load_object(brake.highest),
    }


def _let_go_object(out: BreakOut, set_kn: float | None) -> dict[str, Any]:
    told = None if set_kn is None else against(out.load, set_kn)
    return {
        **_load_object(out.load),
        "basis": out.basis,
        "pct_of_set": None if told is None else told.pct,
        "against": None if told is None else told.verdict,
    }


def _held_object(held: HeldLoad, set_kn: float | None) -> dict[str, Any]:
    pct = None if set_kn is None else against(held.load, set_kn).pct
    return {**_load_object(held.load), "pct_of_set": pct, "payout_measured": held.measured}


def _load_object(load: Load) -> dict[str, Any]:
    """A load, and which it is."""
    return {
        "at": us_to_rfc3339(load.at_us),
        "kn": load.kn,
        "at_least": load.at_least,
        "measured_at": load.gauge,
        "drum_kn": load.drum_kn,
        "judged_kn": load.judged_kn,
        "judged_is": load.is_of,
    }
