"""Section B-4: how each figure moves with every threshold and constant it rests on, one at a time. Pure.

Thresholds of the record are changed and its figures made again from the same readings. Constants of wear are changed
and the history by class of 5 kN priced anew; the figure moves by as much as that price does, since the exact history
would have to be folded again. What is not here rests on readings and registers alone.
"""

from __future__ import annotations

from pipeline.incident.knobs import told_of
from pipeline.incident.knobs_of_record import of_instant, of_loads, of_sharing
from pipeline.incident.knobs_of_wear import of_life, of_strength
from pipeline.incident.numbering import Context
from pipeline.incident.past import Past
from pipeline.incident.record import Figure, Life, Load, Sensitive


def sensitivity_of(context: Context, instant: Figure, load: Load, life: Life, past: Past) -> tuple[Sensitive, ...]:
    """The whole section: of the instant, the loads, the take-up, clocks, life, strength left and energy."""
    site = context.berthed.site
    knobs = [*of_instant(context, instant), *of_loads(context, load), *of_sharing(context, load)]
    knobs += [*of_life(site, life, past), *of_strength(site, life, past)]
    return tuple(told_of(context, knob) for knob in knobs)
