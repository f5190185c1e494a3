"""Imported by the server that worker processes are forked from: loads, once for all, what their first job waits for."""

from pipeline import kernels
from pipeline.night import place_day, reading
from pipeline.store import samples

__all__ = ["place_day", "reading"]

kernels.wake()
samples.wake()
