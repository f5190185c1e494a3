"""The noiseless record of a scenario at 10 Hz: plan and sea through the stepper."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sample_logs.scenarios import kernel
from sample_logs.scenarios.berth import NEVER_KN, SLACK_KN, Berth
from sample_logs.scenarios.plan import MINUTE, Plan, S
from sample_logs.scenarios.sea import Sea, make_sea
from sample_logs.scenarios.streams import Streams

_TRIES = 25
_ADRIFT_M = 5.0
_DAMPING_RATIO = 0.10
_STIFFNESS = (1200.0, 2400.0, 1.5e7)  # kN/m, kN/m, kN m/rad of twelve lines: only to set the damping
_ADDED_MASS = (0.08, 0.85, 0.55)


@dataclass(frozen=True)
class Record:
    """By line (lines, n): tension_kn; main_m, the outboard length; state, bits FAST, POWERED, SLIPPED.

    ship (3, n): slow surge m, sway m, yaw rad.
    """

    tension_kn: NDArray[np.float32]
    main_m: NDArray[np.float64]
    state: NDArray[np.uint8]
    ship: NDArray[np.float64]
    sea: Sea

    @property
    def powered(self) -> NDArray[np.bool_]:
        return np.asarray(self.state & kernel.POWERED > 0)

    @property
    def slipped(self) -> NDArray[np.bool_]:
        return np.asarray(self.state & kernel.SLIPPED > 0)

    @property
    def fast(self) -> NDArray[np.bool_]:
        return np.asarray(self.state & kernel.FAST > 0)


def line_table(berth: Berth, plan: Plan) -> NDArray[np.float64]:
    """One row a line, in the columns of the kernel."""
    begin_kn = [line.pretension_kn if plan.on[row] == 0 else 0.0 for row, line in enumerate(berth.lines)]
    return np.array(
        [
            (
                line.ea_kn, line.tail_m, line.tail_e0, line.tail_t0_kn, *line.fairlead, *line.hook,
                line.grips_kn, plan.on[row], plan.off[row], begin_kn[row],
            )
            for row, line in enumerate(berth.lines)
        ],
        dtype=np.float64,
    )  # fmt: skip


def ship_figures(berth: Berth, tug_kn: float = 500.0) -> NDArray[np.float64]:
    """Inertia and damping of the three motions, and the fenders; all scaled with size from a ship of 80,000 t.

    tug_kn: how hard tugs press her on the fenders while they hold her.
    """
    strength = berth.ship_design_mbl_kn / 1300.0 * len(berth.lines) / 12.0
    gyradius_m = 0.25 * berth.length_m
    inertia = [berth.mass_t * (1.0 + added) for added in _ADDED_MASS]
    inertia[2] *= gyradius_m**2
    yaw = (berth.length_m / 246.0) ** 2
    stiff = [strength * value * factor for value, factor in zip(_STIFFNESS, (1.0, 1.0, yaw), strict=True)]
    damping = [2.0 * _DAMPING_RATIO * np.sqrt(k * m) for k, m in zip(stiff, inertia, strict=True)]
    fenders = (0.25 * berth.length_m, 5200.0 * strength, 900.0 * strength)
    return np.array([*inertia, *damping, *fenders, tug_kn])


def action_table(plan: Plan, count: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The winch actions by row and time, and which of them are whose."""
    ordered = sorted(plan.actions, key=lambda action: (action.row, action.first))
    table = np.array([(a.first, a.last, a.kind, a.target) for a in ordered], dtype=np.float64).reshape(-1, 4)
    owner = np.array([action.row for action in ordered], dtype=np.int64)
    bounds = np.stack([np.searchsorted(owner, np.arange(count), side) for side in ("left", "right")], axis=1)
    return table, bounds.astype(np.int64)


def holds_table(berth: Berth, streams: Streams) -> NDArray[np.float64]:
    """What each brake holds in its successive grips: friction is never twice the same, 1.5 % here."""
    factor = 1.0 + 0.015 * np.clip(streams("holds").standard_normal((len(berth.lines), kernel.HOLDS_KEPT)), -2.0, 2.0)
    holds = np.array([line.holds_kn for line in berth.lines])[:, None] * factor
    grips = np.array([line.grips_kn for line in berth.lines])[:, None]
    return np.where(holds > 0.5 * NEVER_KN, NEVER_KN, np.maximum(holds, grips * 1.005))


def simulate(berth: Berth, plan: Plan, streams: Streams, *, break_at: float = 0.92) -> Record:
    """The record; weather is lowered until no line passes this part of ship design MBL and the ship stays alongside.

    No line parts by itself; a loss that falls on a slack line is moved ahead to when it bore something. RuntimeError
    where the weather cannot be lowered enough, which would be a defect of the plan.
    """
    for turn in range(_TRIES):
        if turn == _TRIES // 2:
            # No weather is low enough for what the winches do: then they do only what every crew does.
            kept = ("haul", "trim", "slacken")
            plan.actions = [action for action in plan.actions if action.word in kept]
        if turn == 3 * _TRIES // 4:
            # Nor for the lines that are left: then only two are lost.
            for loss in plan.losses[2:]:
                plan.off[loss.row] = plan.planned_off(loss.row)
            plan.losses = plan.losses[:2]
        record = _once(berth, plan, streams)
        over = float(record.tension_kn.max()) / (break_at * berth.ship_design_mbl_kn)
        adrift = np.flatnonzero(np.abs(record.ship).max(axis=0) > _ADRIFT_M)
        if over <= 1.0 and len(adrift) == 0:
            if not move_losses(berth, plan, record):
                return record
            continue
        step = int(adrift[0]) if len(adrift) else int(np.argmax(record.tension_kn.max(axis=0)))
        less = 0.75 if len(adrift) else min(max(0.5, 0.95 / over), 0.9)
        reach = plan.steps if len(adrift) else 5 * MINUTE
        covering = [span for span in plan.spans if span.first <= step < span.last + reach]
        for span in covering:
            plan.spans[plan.spans.index(span)] = replace(span, size=less * span.size)
        if not covering:
            plan.calm *= less
            plan.breeze *= less
    raise RuntimeError(
        f"after {_TRIES} tries a line bears {over:.2f} of what it may, or the ship drifts, at step {step}"
    )


def move_losses(berth: Berth, plan: Plan, record: Record) -> bool:
    """Moves losses and dropouts of lines that bore next to nothing ahead, by up to 50 minutes; whether any moved."""
    moved = False
    least_kn = 0.062 * berth.ship_design_mbl_kn
    for index, loss in enumerate(plan.losses):
        step = _loaded_before(plan, record, loss.row, loss.step, least_kn)
        if step is not None and step != loss.step:
            plan.losses[index] = replace(loss, step=step)
            plan.off[loss.row] = step
            moved = True
    for index, span in enumerate(plan.dropouts):
        step = _loaded_before(plan, record, int(span.size), span.first, least_kn)
        if step is not None and step != span.first:
            plan.dropouts[index] = replace(span, first=step, last=step + span.last - span.first)
    return moved


def _loaded_before(plan: Plan, record: Record, row: int, step: int, least_kn: float) -> int | None:
    """The latest step up to `step` before which the line bore enough for a second, and no less than its last minute."""
    own = record.tension_kn[row]
    others = [loss.step for loss in plan.losses if loss.row != row]
    earliest = max(plan.all_fast + 5 * MINUTE, step - 50 * MINUTE)
    for at in range(step, earliest, -S):
        apart = all(abs(at - other) >= 90 * S for other in others) or at == step
        second = float(own[at - S : at].min())
        tended = bool((record.state[row, at - MINUTE : at + 1] & kernel.POWERED).any())
        if apart and not tended and second >= least_kn and second >= 0.62 * float(own[at - MINUTE : at].mean()):
            return at
    return None


def _once(berth: Berth, plan: Plan, streams: Streams) -> Record:
    sea = make_sea(berth, plan, streams)
    shape = (plan.steps, len(berth.lines))
    tension = np.zeros(shape, dtype=np.float32)
    main, state = np.zeros(shape), np.zeros(shape, dtype=np.uint8)
    ships = np.zeros((plan.steps, 3))
    table, bounds = action_table(plan, len(berth.lines))
    # Where hooks drop lines under load, tugs only keep her where she is.
    figures = ship_figures(berth, 0.0 if plan.dropped else 500.0)
    kernel.step_through(
        line_table(berth, plan), holds_table(berth, streams), table, bounds, figures,
        sea.wave, sea.slow, SLACK_KN, tension, main, state, ships,
    )  # fmt: skip
    by_line = np.ascontiguousarray
    return Record(by_line(tension.T), by_line(main.T), by_line(state.T), by_line(ships.T), sea)
