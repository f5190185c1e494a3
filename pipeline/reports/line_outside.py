"""What a line felt within and outside of what its constants were fitted to: closed cycles, those still open, and creep.

The largest cycles of a line stay open longest, since a rigging begins and ends at 0 kN: a count of closed cycles alone
would say least of the largest loads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from pipeline.reports.figures import Figure, Trace, kn
from pipeline.reports.line_felt import Levels, time_above
from pipeline.reports.shown import constant, explain, life, number, register, statement
from pipeline.reports.tables import Column, Row, Table
from pipeline.wear.cells import CLASS_KN
from pipeline.wear.fatigue import SERVED_R, Outside, cycles_outside
from schemas.registers import FatigueCurve, Spec

Answer = Mapping[str, Any]
View = dict[str, Any]

CYCLES: Final = {
    "total": "cycles in all",
    "beyond_r": "with a range above what the curve was fitted to (they may have used more than the figures say)",
    "outside_lm": "with a mean outside what the curve was fitted to (they may have used more than the figures say)",
    "below_r": "with a range below what the curve was fitted to",
    "compressed": "going slack (no life is claimed for that)",
}
CREEP: Final = {
    "counted": "of creep counted",
    "outside_load": "not counted: outside the loads that creep was fitted to",
    "outside_cold": "not counted: colder than creep was fitted to",
    "outside_hot": "not counted: hotter than creep was fitted to",
}
NOBODY: Final = ": the spec gives no limit, so that nobody looked"
LEVELS: Final = Trace("time at level of all days, by 5 kN class, as the ledger holds it (live_wear_days)")
UNDER_LOAD_KN: Final = CLASS_KN
"""From here on time is shown as time under load: the lowest class, with a slack line in it, is left out. House rule."""


def half_cycles_of(account: Answer) -> list[Answer]:
    """Every open half cycle with its zone, widest first. `account`: `account` of the answer of `explain`."""
    found = [
        {"zone": zone, **row} for zone, of_zone in account["zones"].items() for row in of_zone["pending"]["half_cycles"]
    ]
    return sorted(found, key=lambda row: (row["low_kn"] - row["high_kn"], -row["high_kn"], row["zone"]))


def outside_of(rows: Sequence[Answer], break_force_kn: float, curve: FatigueCurve) -> Outside:
    """How many open half cycles lie outside what the curve was fitted to, by the rule of the closed ones."""
    low_kn, high_kn = (np.array([row[end] for row in rows], np.float64) for end in ("low_kn", "high_kn"))
    return cycles_outside(low_kn, high_kn, np.ones(len(rows), np.int64), break_force_kn=break_force_kn, curve=curve)


def open_view(answer: Answer, rows: Sequence[Answer], spec: Spec) -> View | None:
    """What charts and counts of closed cycles leave out; None where no cycle is open. `answer`: of `statement`."""
    if not rows:
        return None
    said, counted = explain(answer["line"]), _counted(answer["line"])
    outside, widest = outside_of(rows, answer["break_force_kn"], spec.fatigue), rows[0]
    zones = sorted({row["zone"] for row in rows})
    stated = statement(answer["line"])
    return {
        "count": number(len(rows), counted, digits=0),
        "beyond_r": number(outside.beyond_r, counted, digits=0),
        "outside_lm": number(outside.outside_lm, counted, digits=0),
        "outside": bool(outside.beyond_r or outside.outside_lm),
        "most_r": _most_r(spec),
        "most_r_given": spec.fatigue.valid_r is not None,
        "widest": {
            "zone": widest["zone"],
            "low": kn(widest["low_kn"], said),
            "high": kn(widest["high_kn"], said),
            "r": number(widest["R"], said),
        },
        "zones": [
            (
                zone,
                life(answer["pending"]["zones"][zone], stated),
                life(answer["consumed"]["zones"][zone]["fatigue"], stated),
            )
            for zone in zones
        ],
    }


def _most_r(spec: Spec) -> Figure:
    """The largest range that the curve was fitted to, of its strength."""
    if spec.fatigue.valid_r is not None:
        return constant(spec.fatigue.valid_r[1], register(f"spec {spec.id}", "[fatigue] valid_r"))
    return constant(SERVED_R[1], Trace("taken where a spec gives no [fatigue] valid_r"))


def _counted(line: str) -> Trace:
    return Trace(f"counted in {explain(line).words}")


def cycles_table(answer: Answer, rows: Sequence[Answer], curve: FatigueCurve) -> Table:
    """Closed cycles and open half cycles, each by whether the curve serves them."""
    closed = answer["outside"]["cycles"]
    still_open = outside_of(rows, answer["break_force_kn"], curve)
    said, counted = statement(answer["line"]), _counted(answer["line"])
    looked = {"outside_lm": curve.valid_lm is not None, "compressed": curve.compression_below is not None}
    made = [
        Row(
            [
                words + ("" if looked.get(name, True) else NOBODY),
                number(closed[name], said, digits=0),
                number(getattr(still_open, name), counted, digits=0),
            ]
        )
        for name, words in CYCLES.items()
    ]
    columns = [Column("what", wide=True), Column("closed cycles", trace=said),
               Column("open half cycles", note="pending, not posted", trace=counted)]  # fmt: skip
    return Table("outside", "Cycles within and outside what the curve was fitted to", columns, made, few=True)


def creep_table(answer: Answer, levels: Levels | None) -> Table:
    """Time of creep; where creep is not reckoned, why, and the time under load, which no figure prices."""
    said = statement(answer["line"])
    why = answer["not_reckoned"].get("creep")
    if why is None:
        creep_s = answer["outside"]["creep_s"]
        rows = [Row([words, number(creep_s[name], said, "s", 0)]) for name, words in CREEP.items()]
    else:
        under_s = None if levels is None else time_above(levels, UNDER_LOAD_KN)
        words = f"time under load, at {UNDER_LOAD_KN:g} kN or more; creep is not reckoned: {why}"
        rows = [Row([words, number(under_s, LEVELS, "s", 0)])]
    columns = [Column("what", wide=True), Column("how long", trace=said if why is None else LEVELS)]
    caption = "Time of creep; what is not counted is not harmless"
    return Table("creep-time", caption, columns, rows, few=True)
