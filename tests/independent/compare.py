"""Assertions that hold a site's live answers against the reference; both test files use them."""

import math
from collections import Counter
from decimal import Decimal
from typing import Any

import pytest

from tests.independent.command import Live, at_us, figure
from tests.independent.reference import Account, Answers
from tests.independent.reference_store import felt

REL = 1e-12
PARTS = ("header", "blank", "ignored", "stored", "duplicate", "quarantined")
Pair = tuple[float, float]
FIGURES = {
    "slack": ("lowest_kn", "times"),
    "snap-load": ("rate_kn_s",),
    "sustained-load": ("mean_kn", "bins"),
    "pretension-loss": ("mean_kn", "bins"),
    "load-loss": ("last_loaded_kn", "fall_s"),
}


def assert_adds_up(counts: Counter[str]) -> None:
    """Promise 1: every line of a raw file has exactly one class."""
    assert counts["lines"] == sum(counts[part] for part in PARTS)


def _keyed(pairs: list[Pair]) -> Counter[tuple[int, int]]:
    return Counter((round(range_ * 1e7), round(mean * 1e7)) for range_, mean in pairs)


def different_pairs(got: list[tuple[Decimal, Decimal]], expected: list[Pair]) -> str:
    """Empty when two multisets of (range, mean) are equal within 1e-7 kN; else the first differences."""
    ours = _keyed([(float(range_), float(mean)) for range_, mean in got])
    theirs = _keyed(expected)
    extra, lacking = ours - theirs, theirs - ours
    for pair, count in list(extra.items()):  # a figure on the edge between two keys
        for other in list(lacking):
            if abs(other[0] - pair[0]) <= 1 and abs(other[1] - pair[1]) <= 1 and lacking[other] == count:
                del lacking[other], extra[pair]
                break
    return f"extra {extra.most_common(3)} lacking {lacking.most_common(3)}" if extra or lacking else ""


def assert_cycles(live: Live, account: Account) -> None:
    """Closed cycles of both zones, as values."""
    expected = [(c.range_kn, c.mean_kn) for cycles in account.cycles.values() for c in cycles]
    got = live.cycles[account.line]
    assert len(got) == len(expected), account.line
    assert different_pairs(got, expected) == "", account.line


def assert_instants(live: Live, answers: Answers, line: str) -> None:
    """A cycle's two instants hold its low and its high, in that zone, and it closes no earlier."""
    seen: dict[tuple[str, int], set[float]] = {}
    for rigging in answers.site.riggings:
        if rigging.line == line:
            edges = [(rigging.from_us, 0.0)] + ([(rigging.to_us, 0.0)] if rigging.to_us is not None else [])
            for at, kn in [*edges, *felt(answers.site, rigging).tension]:
                seen.setdefault((rigging.zone, at), set()).add(kn)
    for cycle in live.listed[line]:
        first, last, closed = (at_us(cycle[key]) for key in ("from_at", "to_at", "closed_at"))
        assert first < last <= closed, cycle
        low = float(cycle["mean_kn"]) - float(cycle["range_kn"]) / 2
        ends = (low, low + float(cycle["range_kn"]))
        there = [seen.get((cycle["zone"], at), set()) for at in (first, last)]
        held = [[any(math.isclose(kn, end, abs_tol=1e-9) for kn in values) for end in ends] for values in there]
        assert (held[0][0] and held[1][1]) or (held[0][1] and held[1][0]), cycle


def assert_residue(live: Live, account: Account) -> None:
    """Turning points still open, of both zones."""
    expected = sorted(kn for residue in account.residue.values() for kn in residue)
    got = [float(kn) for kn in live.residue[account.line]]
    assert got == pytest.approx(expected, rel=REL, abs=1e-9), account.line


def assert_entries(live: Live, account: Account, exact: bool = False) -> None:
    """Fatigue by zone and by the UTC day on which each cycle closed; `exact`: all thirty decimals."""
    entries = live.statements[account.line]["entries"]
    got = {(zone, day): life for (zone, day, mechanism), life in entries.items() if mechanism == "fatigue"}
    expected = {(zone, day.isoformat()): life for (zone, day), life in account.entries().items()}
    assert sorted(got) == sorted(expected), account.line
    for key, life in expected.items():
        same = got[key] == life if exact else math.isclose(got[key], life, rel_tol=REL)
        assert same, (account.line, key, got[key], life)


def assert_consumed(live: Live, account: Account) -> None:
    """Consumed life of a zone is the sum of its entries."""
    zones = live.statements[account.line]["consumed"]["zones"]
    for zone in account.cycles:
        for word in ("fatigue", "total"):
            got, expected = figure(zones[zone][word]), account.consumed(zone)
            assert math.isclose(got, expected, rel_tol=REL), (account.line, zone, word, got, expected)


def assert_pending(live: Live, account: Account) -> None:
    """Pending life is the residue's successive ranges as half cycles."""
    zones = live.statements[account.line]["pending"]["zones"]
    for zone, expected in account.pending.items():
        got = figure(zones[zone])
        assert math.isclose(got, expected, rel_tol=REL), (account.line, zone, got, expected)


def assert_coverage(live: Live, account: Account) -> None:
    """Seconds rigged and seconds observed, to the microsecond."""
    coverage = live.statements[account.line]["coverage"]
    got = (float(coverage["rigged_s"]), float(coverage["observed_s"]))
    expected = (account.rigged_us / 1e6, account.observed_us / 1e6)
    assert got == pytest.approx(expected, rel=0, abs=1e-6), account.line


def assert_account(live: Live, account: Account) -> None:
    """Everything a statement says of a line."""
    assert_entries(live, account)
    assert_consumed(live, account)
    assert_pending(live, account)
    assert_coverage(live, account)


def _of_kind(live: Live, answers: Answers, kind: str) -> list[dict[str, Any]]:
    mains = {name for name, row in answers.site.lines.items() if row["part"] == "main"}
    found = [event for event in live.events if event["kind"] == kind and event["line"] in mains]
    return sorted(found, key=lambda event: (event["line"], at_us(event["from_at"])))


def assert_peak_loads(live: Live, answers: Answers) -> None:
    """Peak-load events of main lines: from, to and peak to the sample."""
    expected = sorted(answers.peak_loads, key=lambda event: (event.line, event.from_us))
    got = _of_kind(live, answers, "peak-load")
    shown = [(e["line"], e["channel"], at_us(e["from_at"]), at_us(e["to_at"]), at_us(e["peak_at"])) for e in got]
    assert shown == [(e.line, e.channel, e.from_us, e.to_us, e.peak_us) for e in expected]
    for event, wanted in zip(got, expected, strict=True):
        assert float(event["peak_kn"]) == pytest.approx(wanted.peak_kn, rel=REL)
        assert float(event["peak_pct"]) == pytest.approx(wanted.peak_pct, rel=REL)


def assert_renders(live: Live, answers: Answers) -> None:
    """Brake-render events of main lines, with break-out, render load, payout and verdict."""
    expected = sorted(answers.renders, key=lambda event: (event.line, event.from_us))
    got = _of_kind(live, answers, "brake-render")
    shown = [(e["line"], e["channel"], at_us(e["from_at"]), at_us(e["to_at"])) for e in got]
    assert shown == [(e.line, e.channel, e.from_us, e.to_us) for e in expected]
    for event, wanted in zip(got, expected, strict=True):
        assert float(event["breakout_kn"]) == pytest.approx(wanted.breakout_kn, rel=REL), wanted
        assert float(event["payout_m"]) == pytest.approx(wanted.payout_m, rel=1e-9), wanted
        assert event.get("verdict") == wanted.verdict, wanted
        assert float(event["render_kn"]) == pytest.approx(wanted.render_kn, rel=REL), wanted


def assert_told(live: Live, answers: Answers) -> None:
    """Events known from tension alone: from, to and peak to the sample, and what each kind says besides."""
    for kind, figures in FIGURES.items():
        got = _of_kind(live, answers, kind)
        expected = sorted((e for e in answers.told if e.kind == kind), key=lambda event: (event.line, event.from_us))
        shown = [(e["line"], e["channel"], at_us(e["from_at"]), at_us(e["to_at"]), at_us(e["peak_at"])) for e in got]
        assert shown == [(e.line, e.channel, e.from_us, e.to_us, e.peak_us) for e in expected], kind
        for event, wanted in zip(got, expected, strict=True):
            assert float(event["peak_kn"]) == pytest.approx(wanted.peak_kn, rel=REL), wanted
            told = [float(event[name]) for name in figures]
            assert told == pytest.approx(list(wanted.extra), rel=REL), wanted
