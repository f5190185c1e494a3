"""Wear: what a sheet's cycles cost a rope, one file a mechanism. Pure: values and a spec in, life out.

Mechanisms that exist: `fatigue` (tension-tension, by rainflow cycles and a T-N curve). Nothing else is
modelled yet, so an account's total is fatigue alone, and every account says so.

No figure from here is ever a reason to keep a line longer than the maker, the company or the calendar allows.
"""

from typing import Final

MECHANISMS: Final = ("fatigue",)
