"""Which end of a line its gauge measures, and what the drum bears of a load that is measured at the hook."""

from dataclasses import dataclass
from typing import Any

from pipeline.events.brakes import Gauge, Load
from pipeline.site import Site
from pipeline.wear.abrasion import capstan_over


@dataclass(frozen=True)
class Measured:
    """Where a line's tension is measured; `capstan`: e^(mu*theta) from there to the drum, None where not registered."""

    gauge: Gauge
    capstan: float | None = None

    def load(self, at_us: int, kn: float, *, at_least: bool) -> Load:
        """A load that was measured there."""
        return Load(at_us, kn, at_least, self.gauge, self.capstan)


def gauge_of(site: Site, line: str, channel: str, at_us: int) -> Measured:
    """How a line's load was measured at an instant: a winch's gauge lies at the drum, any other at the hook.

    Friction is the spec's `[abrasion]`, wrap and surface the rigging's.
    """
    if site.channels[channel].kind == "winch-brake":
        return Measured("drum")
    rigged = [row for row in site.riggings if (row.line, row.channel) == (line, channel) and row.from_us <= at_us]
    return Measured("hook", capstan_over(rigged[-1], site.spec_of(line).abrasion) if rigged else None)


def figures_of(measured: Measured, kn: float) -> dict[str, Any]:
    """What an event says of it: where it was measured, e^(mu*theta) of the way to the drum, and the least that the drum
    bore (null: not reckoned)."""
    drum_kn = measured.load(0, kn, at_least=False).drum_kn
    return {"measured_at": measured.gauge, "capstan": measured.capstan, "drum_kn": drum_kn}


def is_winch(site: Site, place: str) -> bool:
    """Whether a place's tension is known to be measured at a winch: by its gauge, or by what else is told there."""
    return any(
        row.kind == "winch-brake" or row.quantity in ("brake", "winch-mode")
        for row in site.channels.values()
        if row.place == place
    )


def has_payout(site: Site, place: str) -> bool:
    """Whether a place has a payout channel."""
    return any(row.quantity == "payout" for row in site.channels.values() if row.place == place)
