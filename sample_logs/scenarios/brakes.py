"""Truth about brakes: rendering with payout (DESIGN's definition), without it, and holding above the setting."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from sample_logs.scenarios.berth import BerthLine
from sample_logs.scenarios.definitions import Bools, Floats, Found, Series, clustered, in_phase, joined, runs
from sample_logs.scenarios.kernel import DT_S
from sample_logs.scenarios.plan import S
from sample_logs.scenarios.policy import POLICY

_CRESTS_WITHIN_S = 180.0
_LEAST_CRESTS = 3


def verdict(breakout_kn: float, set_kn: float) -> str:
    """Early below 90 % of the setting, late above 110 %, else as set (house rule)."""
    if breakout_kn < POLICY["verdict_early"] * set_kn:
        return "early"
    return "late" if breakout_kn > POLICY["verdict_late"] * set_kn else "as set"


def renders(series: Series, line: BerthLine, main_m: Floats, held: Bools) -> list[Found]:
    """Runs of paying out under load with the brake set, of a winch whose payout is recorded.

    held: fast and not under power. Paying out under power counts by the definition where no brake state is told; it
    is tending, and is given as not sure.
    """
    fast = np.concatenate(([False], np.diff(main_m) >= POLICY["render_rate_m_s"] * DT_S - 1e-9))
    both = held.copy()
    both[1:] &= held[:-1]
    loaded = series.kn >= series.level("render_min_pct")
    if "brake" not in line.tells:
        live = np.zeros(len(main_m), dtype=np.bool_)
        live[series.rigged[0] : series.gone] = True
        loaded &= live
    else:
        loaded &= both
    slip = fast & loaded
    found = []
    for first, last in joined([(a - 1, b) for a, b in runs(slip)], POLICY["render_join_s"]):
        paid = float(main_m[last] - main_m[first])
        if paid < POLICY["render_min_payout_m"] - 0.015:
            continue
        early = max(0, first - round(POLICY["render_window_s"] * S))
        breakout_kn = float(series.kn[early : first + 2].max())
        top = early + int(np.argmax(series.kn[early : last + 1]))
        inside = series.kn[first + 1 : last + 1][slip[first + 1 : last + 1]]
        tended = not bool(both[first + 1 : last + 1].all())
        detail: dict[str, object] = {
            "class": "payout", "breakout_kn": breakout_kn, "render_kn": float(np.median(inside)), "payout_m": paid,
            # Payout comes twice a second, by centimetres: up to here may lie what is told as its first slip.
            "breakout_most_kn": float(series.kn[early : first + 2 + S].max()),
            "tended": tended, "phase": "all fast" if series.phase[0] <= first < series.phase[1] else "other",
        }  # fmt: skip
        if line.brake_set_kn is not None:
            detail["against"] = verdict(breakout_kn, line.brake_set_kn)
        near = any(abs(g - POLICY["render_join_s"] * S) <= 1.2 * S for g in _gaps(slip, first, last))
        detail["edges_sure"] = not near
        sure = not tended and paid >= POLICY["render_min_payout_m"] + 0.015
        found.append(Found(first, last, top, sure, detail))
    return _parted(found)


def _gaps(slip: Bools, first: int, last: int) -> list[int]:
    """Steps between successive runs of slipping inside an event."""
    parts = runs(slip[first : last + 1])
    return [b[0] - 1 - a[1] for a, b in pairwise(parts)]


def _parted(found: list[Found]) -> list[Found]:
    """Events whose neighbour is so near that payout at 2 Hz may join them have no sure edges."""
    limit = round((POLICY["render_join_s"] + 1.2) * S)
    unsure = set()
    for index in range(1, len(found)):
        if found[index].first - found[index - 1].last < limit:
            unsure |= {index - 1, index}
    return [
        replace(f, detail={**f.detail, "edges_sure": f.detail["edges_sure"] and i not in unsure})
        for i, f in enumerate(found)
    ]


def plateaus(series: Series, line: BerthLine, slipped: Bools, main_m: Floats) -> list[Found]:
    """Rendering where no payout is recorded, by its cause: slips less than three minutes apart.

    A plateau is of crests: fewer than three cut ones show none. What the line lost by it must be more than a zero may
    be off by, twice over, or it cannot be told from that; it is reckoned from the metres paid out, as if the ship lay
    still. Of a line measured at a hook nothing tells of the winch at its other end, which the crew may have tended.
    """
    found = []
    for first, last in joined(runs(slipped), _CRESTS_WITHIN_S):
        crests = len(joined(runs(slipped[first : last + 1]), 2.0))
        paid = float(main_m[min(last + 1, len(main_m) - 1)] - main_m[first])
        top = first + int(np.argmax(series.kn[first : last + 1]))
        inside = series.phase[0] <= first and last < series.phase[1]
        lost_kn = paid * stiffness_kn_m(line, float(main_m[first]), line.grips_kn)
        hidden = "hook" if line.device == "hook" else "too few crests" if crests < _LEAST_CRESTS else None
        if hidden is None and lost_kn < 2.0 * POLICY["gauge_uncertainty_pct"] / 100.0 * line.capacity_kn:
            hidden = "too little lost"
        sure = hidden is None and inside and line.share == 1.0 and last < series.gone - 60 * S
        detail: dict[str, object] = {
            "class": "no payout",
            "crests": crests,
            "payout_m": paid,
            "lost_pct": 100.0 * lost_kn / series.mbl_kn,
            "holds_kn": line.holds_kn,
            "grips_kn": line.grips_kn,
        }
        if hidden is not None:
            detail["masked"] = hidden
        found.append(Found(first, last, top, sure, detail))
    return found


def stiffness_kn_m(line: BerthLine, main_m: float, kn: float) -> float:
    """By how much its tension falls for each metre paid out, at a tension and this length outboard, the ship still."""
    tail_m = line.tail_m * line.tail_e0 / (2.0 * line.tail_t0_kn * np.sqrt(1.0 + kn / line.tail_t0_kn))
    return float(1.0 / (main_m / line.ea_kn + tail_m))


def held_above(
    series: Series, line: BerthLine, held: Bools, slipped: Bools, main_m: Floats, rendered: list[Found]
) -> list[Found]:
    """Runs above the register's setting, under a minute apart, in which the brake was set and let out next to nothing,
    touching the all-fast phase.

    Where no payout is recorded nobody can know whether it held: a run in which it slipped is then hidden by that.
    Where it is, one that a rendering touches is none, and one that let out about as much as that (5 cm, by steps of
    1 cm) counts neither way. So does one that paying out touches which may be the winch's: without a brake state
    nobody can tell that from a rendering.
    """
    assert line.brake_set_kn is not None
    live = np.zeros(len(series.kn), dtype=np.bool_)
    live[series.rigged[0] : min(series.rigged[1], series.gone)] = True
    least_m, step_m = POLICY["render_min_payout_m"], 0.015
    slips = joined(runs(slipped), POLICY["render_join_s"])
    found = []
    for one in clustered(series.kn - line.brake_set_kn, live & held, series.tol_kn, POLICY["cluster_gap_s"], 2.0):
        touches, well = in_phase(series, one.first, one.last)
        if not touches:
            continue
        top = one.first + int(np.argmax(series.kn[one.first : one.last + 1]))
        begin = one.first - round(POLICY["render_window_s"] * S)
        own = [(a, b) for a, b in slips if a <= one.last and b >= begin]
        let_out_m = sum(float(main_m[min(b + 1, len(main_m) - 1)] - main_m[a]) for a, b in own)
        detail: dict[str, object] = {
            "brake_set_kn": line.brake_set_kn,
            "ratio": float(series.kn[top] / line.brake_set_kn),
            "let_out_m": let_out_m,
            **one.detail(series),
        }
        sure = one.sure and well and one.last < series.gone - 60 * S
        if "payout" not in line.tells and own:
            detail["masked"], sure = "no payout", False
        elif any(out.sure and _touches(out, one.first, one.last) for out in rendered):
            # Runs about a minute from those that it touches may be told apart from them.
            over = runs(series.kn[one.first : one.last + 1] > line.brake_set_kn)
            for a, b in joined(over, POLICY["cluster_gap_s"] - 2.0):
                if not any(_touches(out, one.first + a, one.first + b) for out in rendered):
                    found.append(Found(one.first + a, one.first + b, top, False, {**detail, "edges_sure": False}))
            continue
        elif let_out_m > least_m - step_m or any(_touches(out, one.first, one.last) for out in rendered):
            sure = False
        found.append(Found(one.first, one.last, top, sure, detail))
    return found


def _touches(out: Found, first: int, last: int) -> bool:
    """Whether a rendering touches a span, from two seconds before it on."""
    return out.first <= last and out.last >= first - round(POLICY["render_window_s"] * S)


_NEAR = 0.015
"""A load within this part of a limit of the setting may fairly be told either way."""


def state_of(series: Series, line: BerthLine, rendered: list[Found], held: list[Found]) -> tuple[str, bool]:
    """What a call shows of a brake, worst first (as `brakes` has them), and whether it shows it clearly.

    A brake that let go has held what lies below its break-out; only what it held well above every break-out counts.
    """
    assert line.brake_set_kn is not None
    live = series.kn[series.rigged[0] : min(series.rigged[1], series.gone)]
    most = float(live.max()) / line.brake_set_kn if len(live) else 0.0
    outs = [
        tuple(float(str(one.detail[name])) / line.brake_set_kn for name in ("breakout_kn", "breakout_most_kn"))
        for one in rendered
    ]
    firm = [one.sure for one in rendered]
    kept = [(float(str(one.detail["ratio"])), one.sure) for one in held]
    tol = series.tol_kn / line.brake_set_kn + _NEAR
    if not outs:
        if any(sure for _, sure in kept):
            return "holds above set", True
        return "not exercised", not kept and most < 1.0 - tol
    highest = max(most for _, most in outs)
    limit = POLICY["verdict_late"] * max(1.0, highest)
    if any(ratio > limit for ratio, _ in kept):
        return "holds above set", any(sure and ratio > limit + tol for ratio, sure in kept)
    sure = not any(ratio > limit - tol for ratio, _ in kept)
    for word, sign, edge in (
        ("renders late", 1.0, POLICY["verdict_late"]),
        ("renders early", -1.0, POLICY["verdict_early"]),
    ):
        least = [min(sign * (ratio - edge) for ratio in out) for out in outs]
        most_by = [max(sign * (ratio - edge) for ratio in out) for out in outs]
        if any(by > 0.0 for by in least):
            return word, sure and any(known and by > tol for by, known in zip(least, firm, strict=True))
        sure &= not any(by > -tol for by in most_by)
    return "as set", sure and any(firm)
