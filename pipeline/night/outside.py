"""Findings that a line's live days lie outside of what its constants were fitted to: counted, one for each line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from typing import Any

from pipeline.night.finding import Finding
from pipeline.site import Site
from pipeline.wear.fatigue import SERVED_R

Facts = Mapping[tuple[str, str, date], Mapping[str, Any]]
HOUR_US = 3_600_000_000


def facts_after(stored: Facts, rows: Iterable[Mapping[str, Any]]) -> Facts:
    """The facts of all wear days as they are after a run: those in the ledger, and the rows that the run adds."""
    now = dict(stored)
    for row in rows:
        key = (row["line"], row["zone"], row["day"])
        if row["op"] == "drop":
            now.pop(key, None)
        else:
            now[key] = row["facts"]
    return now


def outside_findings(site: Site, facts: Facts) -> list[Finding]:
    """What is outside, by line. Cycles below `valid_r` are many and small: statements show them, no finding does."""
    sums: dict[str, Counter[str]] = {}
    for (line, _, _), counted in facts.items():
        if line in site.lines:
            sums.setdefault(line, Counter()).update({k: v for k, v in counted.items() if isinstance(v, int)})
    return [found for line in sorted(sums) for found in _of_line(site, line, sums[line])]


def _of_line(site: Site, line: str, counted: Counter[str]) -> Iterator[Finding]:
    spec = site.spec_of(line)
    beyond, outside = counted["cycles_beyond_r"], counted["cycles_outside_lm"]
    if beyond or outside:
        most = f"{SERVED_R[1]:g} of its strength" if spec.fatigue.valid_r is None else "valid_r"
        parts = [f"{beyond} with a range above {most}"] if beyond else []
        parts += [f"{outside} with a mean outside valid_lm"] if outside else []
        text = (
            f"of {counted['cycles_total']} closed cycles {' and '.join(parts)} of spec {spec.id}: its curve does not "
            "serve there, and they may have used more than the figure says"
        )
        evidence = {"beyond_r": beyond, "outside_lm": outside, "total": counted["cycles_total"]}
        yield Finding("cycles-outside-curve", line, "warning", text, scope="site", evidence=evidence)
    names = {"load": "outside fitted_load", "cold": "colder than fitted_c", "hot": "hotter than fitted_c"}
    hours = {words: counted[f"creep_outside_{name}_us"] / HOUR_US for name, words in names.items()}
    found = {words: h for words, h in hours.items() if h > 0}
    if found:
        parts = [f"{h:.2f} h {words}" for words, h in found.items()]
        text = (
            f"creep is not counted for {', '.join(parts)} of spec {spec.id}, above its floor: nobody fitted it there, "
            "which is not zero"
        )
        evidence = {f"outside_{name}_us": counted[f"creep_outside_{name}_us"] for name in names}
        yield Finding("creep-outside-fit", line, "warning", text, scope="site", evidence=evidence)
