"""Findings about what was done to lines: services that the riggings contradict, and lines rigged after retirement."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from pipeline.night.finding import Finding
from pipeline.site import Site
from schemas.registers import Rigging, Service
from schemas.times import us_to_rfc3339


def service_findings(site: Site, *, known_us: int) -> list[Finding]:
    """By line. A service later than `known_us` is only planned: a line may still be rigged before its retirement."""
    return [found for line in site.lines for found in _of_line(site, line, known_us)]


def _of_line(site: Site, line: str, known_us: int) -> Iterator[Finding]:
    riggings = [row for row in site.riggings if row.line == line]
    services = [row for row in site.services if row.line == line]
    yield from _turned(line, riggings, [row for row in services if row.action == "end-for-end"])
    yield from _cropped(line, [row for row in services if row.action == "crop"])
    yield from _retired(line, riggings, [row for row in services if row.action == "retire" and row.at_us <= known_us])


def _turned(line: str, riggings: list[Rigging], turns: list[Service]) -> Iterator[Finding]:
    """Between two riggings one end-for-end changes the end outboard, and nothing else does; two of them cancel out."""
    for before, after in pairwise(riggings):
        between = [row for row in turns if before.from_us < row.at_us <= after.from_us]
        if len(between) % 2 == (before.outboard_end != after.outboard_end):
            continue
        if between:
            when = " and ".join(us_to_rfc3339(row.at_us) for row in between)
            text = (
                f"services.csv has it turned end for end at {when}, but rigging.csv has end {before.outboard_end} "
                f"outboard before and {after.outboard_end} after; wear is counted as rigging.csv says"
            )
        else:
            text = (
                f"rigging.csv has end {before.outboard_end} outboard from {us_to_rfc3339(before.from_us)} and end "
                f"{after.outboard_end} from {us_to_rfc3339(after.from_us)}, but services.csv has no end-for-end "
                "between; wear is counted as rigging.csv says"
            )
        yield Finding("service-disagrees", line, "warning", text, scope="site")


def _cropped(line: str, crops: list[Service]) -> Iterator[Finding]:
    for row in crops:
        if row.cropped is None:
            text = (
                f"the crop at {us_to_rfc3339(row.at_us)} does not say what was cut off, and takes no wear away: found "
                f'{row.detail!r}, expected a detail such as "zone a, 12 m"'
            )
            yield Finding("crop-unreadable", line, "warning", text, scope="site")


def _retired(line: str, riggings: list[Rigging], retired: list[Service]) -> Iterator[Finding]:
    if not retired:
        return
    at_us = min(row.at_us for row in retired)
    later = next((row for row in riggings if row.to_us is None or row.to_us > at_us), None)
    if later is not None:
        text = (
            f"retired at {us_to_rfc3339(at_us)} (services.csv), and rigged on {later.channel} "
            f"{'since' if later.to_us is None else 'from'} {us_to_rfc3339(later.from_us)} (rigging.csv): not for use; "
            "take it off, or put the register right"
        )
        yield Finding("rigged-after-retirement", line, "error", text, scope="site")
