"""Load-loss candidates: a loaded line whose tension is gone at once, and stays gone. Parted, released, let go, or a
sensor that lies: which of them, other evidence must tell. A line that lost its load is inspected before any new use.

House rules, no source. The definition, over the usable samples of one rigging. A sample b below the slack level, of
which the usable sample before is not, is a candidate if

- loaded: there is a sample a of at least `loss_from_pct` of ship design MBL, of at least twice the slack level, and of
  at least `loss_from_mean_pct` of the mean of the samples in `loss_mean_s` before b,
- at once: a lies at most `loss_fall_s` before b, or is the very sample before it, at most `max_gap_s` away,
- for good: no sample up to `loss_stay_s` after b is not below the level. A record that ends sooner, or a rigging that
  does, contradicts nothing: `watched_us` says how far it reached. A spike (`events.sound`) brings no load back.

A line that the waves slacken all the time falls slack, and loses nothing: where one of the samples in `loss_mean_s`
before b is slack, a must be at least `loss_from_mean_pct` of the largest of them too; or else no sample up to
`loss_mean_s` after b may be loaded, and the fall must be 1.25 times the usual one: the largest in that time before,
to a sample from the largest in `loss_fall_s` before it, or from the one before it. And of those samples one in ten
must not be slack: a line that hung slack but for one blow, or one wild reading, lost nothing.

With other lines on the hook (a share under 100 %) their load stays. Then b, not slack, is a candidate too if a is the
largest tension since `loss_fall_s` before it (or the sample before), and loaded in the sense above, b is the first
below (1 - 0.75 share) of it, the mean in `loss_before_s` after b is at most (1 - 0.5 share) of that before it, so is
the mean in `loss_stay_s` after of that in `loss_mean_s` before, and the largest in `loss_stay_s` after is below
(1 - 0.25 share) of the largest in `loss_mean_s` before; stored readings must reach over both times, but for
`max_gap_s`. And it must stand out of the sea, whose waves fall by a share too where readings are slow: the fall from a
to b is larger than the usual one, and as many times that, multiplied by as many times as the step of the mean over
`loss_before_s` at b is the largest step, either way, at any whole second of the minute before, is at least 4.5. Which
of the hook's lines it was, tension cannot tell.

`highest` is the largest tension *recorded* in `loss_before_s` before b, or since a: a lower bound on what the line
bore. A fall over a gap of more than `max_gap_s` is none, for nothing is known of how it fell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final

import numpy as np

from pipeline.events.loss_kernel import NONE, PART, losses
from pipeline.events.slack import Loaded
from pipeline.events.tension import Bools, Floats, Ints, Peak, SlackLevel, Tension, us
from schemas.documents import EDGE_S
from schemas.registers import Policy

KIND: Final = "load-loss"
BACK_S: Final = EDGE_S
"""How long after it a share of a hook's tension is looked for to come back [s]."""
SOON_S: Final = 1800.0
"""How soon after it the load must be back for `back_kn`: what follows lies within the edge of any day [s]."""
LATER_S: Final = 600.0
"""When the place's other channels are asked once more [s]: a slackened line's hook is opened within minutes."""


@dataclass(frozen=True)
class LoadLoss:
    """One candidate. `loaded`, `unloaded`: the last loaded sample and the first unloaded one. `of_share`: a part of a
    shared hook's tension went. `floor_kn`: below it the line counts as unloaded. `back_us`: when it was not any more;
    None where that is not seen (of a share: within `BACK_S`) up to `watched_us`. `back_kn`: the first reading that
    is loaded again, by which a gauge that works again differs from a line that is hove in; None where it is not back
    within `SOON_S`, or over a gap. `gone_kn`: least and largest until then, or in `loss_stay_s` without it.
    `lowest_kn`: the least in `loss_mean_s` before; `repeats`: what share of the readings then told the very same as the
    one before; `gone_samples`: how many `gone_kn` is of. `beside`: what the place's other channels said before and
    after;
    `between`: the least and largest each said from the one to the other; `later`: what each said `LATER_S` after the
    loss; both None where a channel was not heard since the last loaded sample.
    """

    loaded: Peak
    unloaded: Peak
    highest: Peak
    mean_kn: float
    floor_kn: float
    of_share: bool
    back_us: int | None
    watched_us: int = field(compare=False)
    beside: Mapping[str, Any] = field(default_factory=dict)
    back_kn: float | None = None
    gone_kn: tuple[float, float] | None = None
    lowest_kn: float | None = None
    between: Mapping[str, Any] = field(default_factory=dict)
    later: Mapping[str, Any] = field(default_factory=dict)
    repeats: float | None = None
    gone_samples: int = 0

    @property
    def fall_us(self) -> int:
        """From the last loaded sample to the first unloaded one: an upper bound on the time of the fall."""
        return self.unloaded.at_us - self.loaded.at_us

    def to_payload(self) -> dict[str, Any]:
        """As plain numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> LoadLoss:
        """The inverse of `to_payload`."""
        peaks = {name: Peak(**payload[name]) for name in ("loaded", "unloaded", "highest")}
        gone_kn = payload.get("gone_kn")
        return cls(**{**payload, **peaks, "gone_kn": None if gone_kn is None else tuple(gone_kn)})


def candidates(tension: Tension, level: SlackLevel, policy: Policy, limit_kn: float, share: float) -> list[LoadLoss]:
    """The candidates of which the first unloaded sample lies in the slice. Whether one comes back is looked for as far
    as the readings reach."""
    at_us, kn, usable = tension.at_us, tension.kn, tension.usable
    wanted = _may_hold_one(tension, level, share, us(policy.loss_fall_s))
    if not wanted.any():
        return []
    rows, figures = losses(
        at_us,
        kn,
        usable,
        tension.spiky,
        level.from_us,
        level.kn,
        *tension.spans(wanted),
        share,
        policy.loss_from_pct / 100.0 * limit_kn,
        policy.loss_from_mean_pct / 100.0,
        us(policy.max_gap_s),
        us(policy.loss_mean_s),
        us(policy.loss_fall_s),
        us(policy.loss_stay_s),
        us(policy.loss_before_s),
        us(BACK_S),
    )
    if rows.shape[0] == 0:
        return []
    watched_us = int(at_us[usable][-1])
    return [
        LoadLoss(
            loaded=_peak(tension, loaded),
            unloaded=_peak(tension, unloaded),
            highest=_peak(tension, highest),
            mean_kn=mean_kn,
            floor_kn=floor_kn,
            of_share=how == PART,
            back_us=None if back == NONE else int(at_us[back]),
            watched_us=watched_us,
            back_kn=None if back == NONE else _back_kn(tension, unloaded, back, policy),
            lowest_kn=_lowest_kn(tension, unloaded, policy),
            repeats=_repeats(tension, unloaded, policy),
            **_gone(tension, unloaded, back, policy),
        )
        for (loaded, unloaded, highest, back, how), (mean_kn, floor_kn) in zip(
            rows.tolist(), figures.tolist(), strict=True
        )
    ]


def _may_hold_one(tension: Tension, level: SlackLevel, share: float, fall_us: int) -> Bools:
    """The stretches of tension (s,) in which a first unloaded sample may be: that come below the slack level, or by as
    much as a line's share below the largest of the `fall_us` before, or of the sample before."""
    low_kn, from_us = tension.extremes.low_kn, tension.extremes.from_us
    wanted: Bools = low_kn < level.most_kn
    if share < 1.0 and from_us.size:
        since = np.minimum(
            np.searchsorted(from_us, from_us - fall_us, side="right") - 1, np.arange(-1, from_us.size - 1)
        )
        reach = int((np.arange(from_us.size) - since).max())
        most_kn = tension.extremes.high_kn.copy()
        for back in range(1, reach + 1):
            most_kn[back:] = np.maximum(most_kn[back:], tension.extremes.high_kn[:-back])
        wanted |= low_kn < (1.0 - 0.75 * share) * most_kn
        wanted[:reach] = True  # what lies before the slice is not among the stretches
    return wanted


def _peak(tension: Tension, index: int) -> Peak:
    return Peak(int(tension.at_us[index]), float(tension.kn[index]), bool(tension.clipped[index]))


def _back_kn(tension: Tension, unloaded: int, back: int, policy: Policy) -> float | None:
    at_us = tension.at_us
    before = np.flatnonzero(tension.usable[:back])[-1]  # at least the first unloaded one is usable
    late = at_us[back] - at_us[unloaded] > us(SOON_S)
    return None if late or at_us[back] - at_us[before] > us(policy.max_gap_s) else float(tension.kn[back])


def _gone(tension: Tension, unloaded: int, back: int, policy: Policy) -> dict[str, Any]:
    at_us = tension.at_us
    stop = int(np.searchsorted(at_us, at_us[unloaded] + us(policy.loss_stay_s), side="right"))
    if back != NONE and at_us[back] - at_us[unloaded] <= us(SOON_S):
        stop = back
    known = (tension.usable & ~tension.spiky)[unloaded:stop]
    known[0] = True  # the first unloaded one is looked at whatever it is
    kn = tension.kn[unloaded:stop][known]
    return {"gone_kn": (float(kn.min()), float(kn.max())), "gone_samples": int(kn.size)}


def _repeats(tension: Tension, unloaded: int, policy: Policy) -> float | None:
    first = int(np.searchsorted(tension.at_us, tension.at_us[unloaded] - us(policy.loss_mean_s)))
    kn = tension.kn[first:unloaded][tension.usable[first:unloaded]]
    return float(np.mean(kn[1:] == kn[:-1])) if kn.size > 1 else None


def _lowest_kn(tension: Tension, unloaded: int, policy: Policy) -> float:
    at_us = tension.at_us
    first = int(np.searchsorted(at_us, at_us[unloaded] - us(policy.loss_mean_s)))
    kn = tension.kn[first:unloaded][tension.usable[first:unloaded]]
    return float(kn.min()) if kn.size else float(tension.kn[unloaded])


def beside(found: LoadLoss, channels: Mapping[str, tuple[Ints, Floats]], policy: Policy) -> LoadLoss:
    """The candidate with the latest value of each other channel at its last loaded sample, and `loss_stay_s` after it;
    the least and largest it told from the one to the other; and its latest value `LATER_S` after the loss. The last
    two only where it told anything since the last loaded sample: a channel that fell silent bears no witness.

    `channels`: by quantity (payout, brake, winch-mode, hook-state), times ascending and values, NaN where missing.
    """
    told: dict[str, Any] = {}
    between: dict[str, Any] = {}
    later: dict[str, Any] = {}
    for quantity, (at_us, value) in channels.items():
        known = ~np.isnan(value)
        times, values = at_us[known], value[known]
        loaded_us = found.loaded.at_us
        ends_us = (loaded_us, loaded_us + us(policy.loss_stay_s), loaded_us + us(LATER_S))
        until = np.searchsorted(times, ends_us, side="right").tolist()
        told[quantity] = [None if stop == 0 else float(values[stop - 1]) for stop in until[:2]]
        stretch = values[max(until[0] - 1, 0) : until[1]]
        between[quantity] = [float(stretch.min()), float(stretch.max())] if until[1] > until[0] else None
        later[quantity] = float(values[until[2] - 1]) if until[2] > until[0] else None
    return replace(found, beside=told, between=between, later=later)


def join(pieces: Sequence[LoadLoss], loaded: Sequence[Loaded], *, stay_s: float) -> list[LoadLoss]:
    """Candidates in time order, of one rigging and any number of days, in any order.

    Those less than `stay_s` (the policy's `loss_stay_s`) after the one before are part of it. Whether a line that lost
    all comes back is known from all days (`loaded`).
    """
    found: list[LoadLoss] = []
    last_us = 0
    for piece in sorted(pieces, key=lambda one: one.unloaded.at_us):
        if found and piece.unloaded.at_us - last_us < us(stay_s):
            last_us = piece.unloaded.at_us
            continue
        last_us = piece.unloaded.at_us
        found.append(_followed(piece, loaded))
    return found


def _followed(piece: LoadLoss, loaded: Sequence[Loaded]) -> LoadLoss:
    if piece.back_us is not None or piece.of_share:
        return piece
    later = [one.first_us for one in loaded if one.first_us > piece.watched_us]
    return replace(piece, back_us=min(later, default=None))


def told_by(losses: Sequence[LoadLoss], from_us: int, to_us: int) -> bool:
    """Whether what happened in [from_us, to_us], slack or a blow out of it, is told by a loss of the whole load: some
    of it lies after that, and before the load came back."""
    return any(
        not one.of_share and one.unloaded.at_us <= to_us and (one.back_us is None or from_us < one.back_us)
        for one in losses
    )
