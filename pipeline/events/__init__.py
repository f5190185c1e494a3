"""Events: named happenings made from excursions and runs, across midnights. Pure; one file for each kind.

Kinds that exist: `peak-load` (`peak_load`) and `brake-render` (`brake_render`). After either, the line is
inspected before it is used again.
"""
