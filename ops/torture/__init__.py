"""Torture: nights are killed, starved and lied to; whatever happens, the next run must end as if nothing had.

`python -m ops.torture --kills 300 --seed 1` (or `make torture`). A small site is told as a list of nights (`site`) and
run undisturbed once (`reference`). Then each trial takes the site as it stood before one of them, disturbs that night
in a process of its own (`kills`, `faults`, `damage`), runs it again, and compares all that the site answers. The
disturbing itself is done from outside: `child/sitecustomize.py` listens to Python's audit events in the night's
processes, and no line of the program knows of it.
"""
