"""Incidents: what was recorded when a line lost its load (Part A), and what the records say about why (Part B).

`record` is the structure that is filed, shown and verified; `make_incident` makes one. The rest in the order of its
use: `gather` and `past` read, `loss`, `clocks` and `times` find instants, and the sections follow, each a module. No
verdict of cause; nothing about persons.
"""

from pipeline.incident.making import make_incident as make_incident
