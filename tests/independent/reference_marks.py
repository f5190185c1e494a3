"""Readings that look like spikes of their gauge, from their definition alone; nothing here imports the program."""

from __future__ import annotations

from tests.independent.reference_store import Samples, Site

SECOND_US = 1_000_000


def spikes_us(tension: Samples, marked_us: frozenset[int]) -> set[int]:
    """Readings marked by the check that stand out from both neighbours. `marked_us`: by the check."""
    out = set()
    for index in range(1, len(tension) - 1):
        at_us, kn = tension[index]
        before, after = kn - tension[index - 1][1], kn - tension[index + 1][1]
        one_way = (before > 0 and after > 0) or (before < 0 and after < 0)
        if at_us in marked_us and one_way and min(abs(before), abs(after)) >= 0.5 * max(abs(before), abs(after)):
            out.add(at_us)
    return out


def marked_us(site: Site, channel: str) -> frozenset[int]:
    """Readings of a channel that lie further off the straight line between their neighbours than the check allows."""
    row, live = site.channels[channel], site.live(channel)
    if not row["capacity"]:
        return frozenset()
    limit = (30 if row["kind"] == "winch-brake" else 20) / 100 * float(row["capacity"])
    found = set()
    for (t0, x0), (t1, x1), (t2, x2) in zip(live, live[1:], live[2:], strict=False):
        if x0 is None or x1 is None or x2 is None or max(t1 - t0, t2 - t1) > 2 * SECOND_US:
            continue
        if abs(x1 - (x0 * (t2 - t1) + x2 * (t1 - t0)) / (t2 - t0)) > limit:
            found.add(t1)
    return frozenset(found)
