"""The tables of `ops.bench_detect`, and whether what is wanted was reached."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from ops.detect_match import NO_ONSET, Tally

HEAD: Final = "on our simulator"
WANTED: Final[Mapping[float, float]] = {10.0: 0.98, 2.0: 0.98, 1.0: 0.95}
"""Recall and precision wanted of each kind, by rate [Hz]."""
ONSET_WANTED: Final = 1.0
"""Readings by which an onset may be off, of 95 % of the events that were found."""
CURVE_PARTS: Final = 5
TRUE_WANTED: Final = 200
"""True instances wanted of each kind, so that a share of them means something."""
COLUMNS: Final = (
    f"{'kind':24} {'true':>6} {'near':>6} {'recall':>7} {'prec.':>7} {'false':>6} {'faults':>6}"
    f" {'onset: med':>10} {'95 %':>7} {'worst':>8} {'peak-true':>10} {'inexact':>7}"
)


def table(tallies: Mapping[str, Tally], rate_hz: float, scenarios: int, family: str) -> tuple[str, list[str]]:
    """One rate's table, and the kinds in it that missed what is wanted, each with what."""
    lines = [
        f"{HEAD}: {scenarios} scenarios of family {family}, {rate_hz:g} Hz; wanted: recall and precision at least "
        f"{WANTED[rate_hz]:.2f} of at least {TRUE_WANTED}, onset within {ONSET_WANTED:g} reading (95 %), peak exact",
        COLUMNS,
    ]
    missed = []
    for kind, tally in sorted(tallies.items()):
        if tally.true + tally.borderline + tally.false == 0:
            continue
        wrong = misses(kind, tally, rate_hz)
        missed += [f"{kind} at {rate_hz:g} Hz: {', '.join(wrong)}"] if wrong else []
        lines.append(_row(kind, tally) + (f"  MISSED {', '.join(wrong)}" if wrong else ""))
    return "\n".join(lines), missed


def markdown(told: Mapping[float, Mapping[str, Tally]]) -> str:
    """The table of `ops/DETECTION.md`: by kind true instances and those near at the first rate, and at each rate recall
    and precision."""
    first = next(iter(told.values()), {})
    lines = [
        "| " + " | ".join(["kind", "true", "near", *(f"{rate_hz:g} Hz" for rate_hz in told)]) + " |",
        "|" + "---|" * (3 + len(told)),
    ]
    for kind, tally in sorted(first.items()):
        cells = [_pair(found.get(kind, Tally())) for found in told.values()]
        if tally.true:
            lines.append("| " + " | ".join([kind, str(tally.true), str(tally.borderline), *cells]) + " |")
    return "\n".join(lines)


def _pair(tally: Tally) -> str:
    return " / ".join("-" if share is None else f"{share:.3f}" for share in (recall(tally), precision(tally)))


def misses(kind: str, tally: Tally, rate_hz: float) -> list[str]:
    """What of the wanted a kind did not reach."""
    wrong = []
    if tally.true + tally.borderline == 0:
        return ["false alarms"]
    if tally.true < TRUE_WANTED:
        wrong.append(f"only {tally.true} true")
    if recall(tally) is None or (recall(tally) or 0.0) < WANTED[rate_hz]:
        wrong.append("recall")
    if precision(tally) is None or (precision(tally) or 0.0) < WANTED[rate_hz]:
        wrong.append("precision")
    if kind not in NO_ONSET and tally.onset and np.percentile(tally.onset, 95) > ONSET_WANTED:
        wrong.append("onset")
    if tally.inexact:
        wrong.append("peak")
    return wrong


def recall(tally: Tally) -> float | None:
    """Share of what is true that was found; None where nothing is."""
    return tally.hits / tally.true if tally.true else None


def precision(tally: Tally) -> float | None:
    """Share of what was found that is true; None where nothing was."""
    return tally.hits / (tally.hits + tally.false) if tally.hits + tally.false else None


def _row(kind: str, tally: Tally) -> str:
    onset = [f"{value:.2f}" for value in np.percentile(tally.onset, [50, 95, 100])] if tally.onset else ["", "", ""]
    peak = f"{np.abs(tally.peak).max():.1f} kN" if tally.peak else ""
    return (
        f"{kind:24} {tally.true:6} {tally.borderline:6} {_share(recall(tally)):>7} {_share(precision(tally)):>7} "
        f"{tally.false:6} {tally.by_faults:6} {onset[0]:>10} {onset[1]:>7} {onset[2]:>8} {peak:>10} "
        f"{tally.inexact if tally.peak else '':>7}"
    )


def _share(value: float | None) -> str:
    return "" if value is None else f"{value:.4f}"


def confusion(tally: Tally, rate_hz: float, what: str) -> str:
    """What each class of the truth was called, of those that were found."""
    rows = sorted({true for true, _ in tally.words})
    columns = sorted({said for _, said in tally.words})
    width = max([len(word) for word in (*rows, *columns)] + [9])
    lines = [f"{HEAD}: {what} at {rate_hz:g} Hz, truth down, told across"]
    lines.append(" " * width + "".join(f" {column:>{width}}" for column in columns))
    for row in rows:
        counts = [tally.words[row, column] for column in columns]
        lines.append(f"{row:>{width}}" + "".join(f" {count:>{width}}" for count in counts))
    return "\n".join(lines)


def curve(tally: Tally, rate_hz: float, what: str) -> str:
    """Recall against size, in fifths of the true instances: in each from which size to which, how many, which share."""
    if len(tally.sizes) < CURVE_PARTS:
        return ""
    lines = [f"{HEAD}: recall of {what} at {rate_hz:g} Hz against its size in percent of ship design MBL"]
    ordered = sorted(tally.sizes)
    for part in range(CURVE_PARTS):
        own = ordered[part * len(ordered) // CURVE_PARTS : (part + 1) * len(ordered) // CURVE_PARTS]
        share = sum(hit for _, hit in own) / len(own)
        lines.append(f"  {own[0][0]:6.1f} to {own[-1][0]:6.1f} %: {len(own):5} true, recall {share:.4f}")
    return "\n".join(lines)


def reach(tally: Tally, rate_hz: float) -> str:
    """The share of renderings without payout that was found, by crests that were cut and by tension lost."""
    rows = [(1, 2), (3, 5), (6, 10), (11, 10**6)]
    columns = [(0.0, 2.0), (2.0, 5.0), (5.0, 10.0), (10.0, 20.0), (20.0, np.inf)]
    lines = [
        f"{HEAD}: brake-render no payout at {rate_hz:g} Hz, recall (of how many) by crests cut, down, and tension lost"
        " to payout in all [% of ship design MBL], across",
        f"{'':>8}" + "".join(f" {_span(low, high):>12}" for low, high in columns),
    ]
    for few, many in rows:
        cells = []
        for low, high in columns:
            hits = [hit for crests, lost, hit in tally.reach if few <= crests <= many and low <= lost < high]
            cells.append(f" {f'{sum(hits) / len(hits):.2f} ({len(hits)})' if hits else '-':>12}")
        lines.append(f"{_span(few, many):>8}" + "".join(cells))
    return "\n".join(lines)


def timed(tally: Tally, rate_hz: float) -> str:
    """The share of snap-loads that was found, by how much their rise was shorter than a snap-load's may be at most."""
    edges = [0.0, 0.15, 0.2, 0.3, 0.4, np.inf]
    cells = []
    for low, high in pairwise(edges):
        hits = [hit for shorter_s, hit in tally.timed if low <= shorter_s < high]
        share = f"{sum(hits) / len(hits):.2f} ({len(hits)})" if hits else "-"
        cells.append(f"from {low:g} s {share}" if high == np.inf else f"{low:g} to {high:g} s {share}")
    return (
        f"{HEAD}: snap-load at {rate_hz:g} Hz, recall (of how many) by how much shorter than allowed the rise was: "
        + (", ".join(cells))
    )


def _span(low: float, high: float) -> str:
    return f"from {low:g}" if high >= 10**6 else f"{low:g} to {high:g}"


def examples(tallies: Mapping[str, Tally], rate_hz: float, most: int) -> str:
    """Where to look: seeds of misses and false alarms."""
    lines = []
    for kind, tally in sorted(tallies.items()):
        for what, family, seed, where, at_us in tally.examples[:most]:
            lines.append(f"  {kind}, {rate_hz:g} Hz: {what}: {family} {seed} {where} at {_instant(at_us)}")
    return "\n".join(lines)


def quiet(tallies: Mapping[str, Tally], line_days: float, days: int, wanted: float) -> tuple[str, list[str]]:
    """The quiet days: how many, and every false alarm in them; and what was missed."""
    false = sum(tally.false for tally in tallies.values())
    enough = line_days >= wanted
    lines = [
        f"{HEAD}: {line_days:.0f} quiet line-days ({days} berth days, 10 Hz), {false} false alarms; wanted: none in "
        f"{wanted:.0f}{'' if false == 0 and enough else '  MISSED'}"
    ]
    for kind, tally in sorted(tallies.items()):
        lines += [
            f"  {kind}: {family} {seed} {where} at {_instant(at_us)}"
            for what, family, seed, where, at_us in tally.examples
            if what == "false"
        ]
    return "\n".join(lines), [] if false == 0 and enough else [f"quiet days: {false} false alarms"]


def _instant(at_us: int) -> str:
    return "the whole record" if at_us == 0 else str(np.datetime64(at_us, "us"))


def kinds_with_classes(tallies: Mapping[str, Tally]) -> Sequence[str]:
    """Kinds whose classes are worth a table of confusion."""
    return [
        kind for kind in ("load-loss", "peak-load", "brake", "zero moved", "wrong scale or unit") if kind in tallies
    ]
