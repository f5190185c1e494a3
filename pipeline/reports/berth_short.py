"""The morning in a few lines: which line is worst and why, which brakes to check, which sensors to mend."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.ledger.line_facts import SILENT_SITE
from pipeline.ledger.words import SEVERITY_INDEX
from pipeline.reports import berth_gauges
from pipeline.reports.berth_lines import line_link
from pipeline.reports.figures import Figure, Link, command
from pipeline.reports.page import QUALITY
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Cell


def short(snapshot: Snapshot) -> list[Mapping[str, Any]]:
    """Rows of what, and words with figures and links."""
    rows = [_silent(snapshot), _line("Worst main line", "main", snapshot), _line("Worst tail", "tail", snapshot)]
    return [row for row in (*rows, _brakes(snapshot), _sensors(snapshot)) if row is not None]


def _silent(snapshot: Snapshot) -> Mapping[str, Any] | None:
    """Said first where the whole site is silent: all below is then older than it looks."""
    found = [row for row in snapshot.findings if row["kind"] == SILENT_SITE]
    if not found or snapshot.horizon_us is None:
        return None
    silent_h = (snapshot.known_us - snapshot.horizon_us) / 3.6e9
    since = f"{silent_h:.0f} h" if silent_h < 2 * 24 else f"{silent_h / 24:.0f} days"
    words: list[Cell] = [
        f"nothing for {since} when the newest run looked: ",
        Link(found[0]["text"], QUALITY),
        ". What is called now or last night is as of the newest sample; all since is unobserved.",
    ]
    return {"what": "Data", "words": words, "mark": "alarm"}


def _line(what: str, part: str, snapshot: Snapshot) -> Mapping[str, Any] | None:
    """The worst line of a part, by the order of `status`: what is said of it, and what is counted against it."""
    rows = [row for row in snapshot.status["lines"] if row["part"] == part and row["coverage"]["rigged_s"] > 0]
    if not rows:
        return None
    row, trace = rows[0], command("status")
    first = row["advice_list"][0]
    said = "no rule triggered, which is not a finding of fitness" if first["rule"] == "none" else first["do"]
    if row["used"] is None:
        words: list[Cell] = [line_link(row["line"]), ": rigged and never observed, so nothing is known of it; ", said]
        return {"what": what, "words": words, "mark": "alarm"}
    retired = "" if first["rule"] == "retire" else f"; no rule retires a {part} line here"
    words = [
        line_link(row["line"]),
        f" ({said}{retired}). Of those of which the same is said it has the most counted: {row['basis']} ",
        Figure(row["used"], trace),
        f" in its zone {row['zone']}",
        ", which ranks lines and is no percent of life" if row["basis"] == SEVERITY_INDEX else ", of 1",
        *_made_of(snapshot, row),
        ".",
    ]
    unknown = sum(1 for other in rows if other["opening"] == "unknown")
    if unknown:
        has = "its own is known, which may be all that puts it first" if row["opening"] != "unknown" else "its own too"
        words.append(
            f" Life used before the first record is unknown for {unknown} of {len(rows)} ({has}) and not counted: "
            "another may be worse."
        )
    return {"what": what, "words": words, "mark": "alarm" if first["rule"] == "retire" else ""}


def _made_of(snapshot: Snapshot, row: Mapping[str, Any]) -> Sequence[Cell]:
    """What the figure is made of: opening, posted by mechanism, pending."""
    trace = command("statement", row["line"])
    lives = snapshot.summary(row["line"])["consumed"]["zones"][row["zone"]]
    words: list[Cell] = [": "]
    if row["opening"] != "unknown":
        opening = row["opening"]
        words += ["opening ", Figure(opening["life"], trace), f" ({opening['source']}), "]
    for name in ("fatigue", "creep", "abrasion"):
        words += [f"{name} ", Figure(lives[name], trace, why="not reckoned"), ", "]
    return [*words, "pending ", Figure(row["pending"], trace)]


def _brakes(snapshot: Snapshot) -> Mapping[str, Any] | None:
    """Winches whose brake is off its setting."""
    found = snapshot.brakes["brakes"]
    if not found:
        return None
    off = [one for one in found if one["verdict"] in berth_gauges.OFF]
    words: list[Cell] = []
    for one in off:
        words += ["; " if words else "", Link(one["place"], "index.html#brakes"), f" {one['verdict']}"]
    said: list[Cell] = words or ["none is known to be off its setting"]
    return {"what": "Brakes to check", "words": said, "mark": "warning" if off else ""}


def _sensors(snapshot: Snapshot) -> Mapping[str, Any]:
    """Channels about which findings stand, with the kinds."""
    channels = snapshot.site.channels
    about: dict[str, list[str]] = {}
    for row in snapshot.findings:
        if (
            row["subject"] in channels
            and row["severity"] != "info"
            and row["kind"] not in about.get(row["subject"], [])
        ):
            about.setdefault(row["subject"], []).append(row["kind"])
    words: list[Cell] = []
    for channel, kinds in sorted(about.items(), key=lambda item: (-len(item[1]), item[0])):
        words += ["; " if words else "", Link(channel, QUALITY), f" {', '.join(kinds)}"]
    bare = [one for one, row in berth_gauges.in_force(snapshot) if row is None]
    said: list[Cell] = words or ["no finding stands against a channel, which does not prove it right"]
    if bare:
        said = [*said, "; no calibration on record: ", Link(", ".join(sorted(bare)), "index.html#calibrations-table")]
    return {"what": "Sensors to mend or check", "words": said, "mark": "warning" if words else ""}
