"""Wear: what a line's day sheets cost a rope, one file a mechanism. Pure: values and a spec in, life out.

    fatigue.py     tension-tension, by rainflow cycles and a T-N curve (`lives.py`: exact units; `curves.py`: bands)
    creep.py       rupture under sustained load, by time at level and rope temperature (Robinson's rule)
    abrasion.py    external, over the chock: friction work of slip and travel against what the contact can take
    heat.py        rope temperature from swings; takes no life, gives no advice (`convection.py`: film coefficients)
    together.py    how fatigue and creep stand together, so that nothing is counted twice
    strength.py    strength left, retirement line, margin      bending.py    strength over a bend

No figure from here is ever a reason to keep a line longer than the maker, the company or the calendar allows.
"""

from typing import Final

MECHANISMS: Final = ("fatigue", "creep", "abrasion")
"""In the order of their entries. Every other kind of wear is named as not modelled."""
