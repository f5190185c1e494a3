"""What became of the data, as its page shows it: receipts, findings by kind, clocks, conflicts, what is overdue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from pipeline.reports.figures import Figure, Trace, command, instant
from pipeline.site import Site

COUNTS: Final = ("header", "blank", "ignored", "stored", "duplicate", "quarantined")
"""What becomes of a line of a raw file; together they are its lines."""
FILES: Final = 400
"""So many raw files are listed, the newest; sums are over all. House rule: a file is some 700 bytes of the page."""
RECEIPTS: Final = command("receipts")
OVERDUE: Final = ("calibration-overdue", "calibration-missing", "silent-channel", "silent-site", "unsettled")
"""Kinds of findings that say that something was due and has not come."""

Row = Mapping[str, Any]


def receipts_view(receipts: Sequence[Row]) -> dict[str, Any]:
    """Receipts as `receipts --json` has them: the newest files, and sums of all by layout, each of which adds up."""
    by_layout: dict[str, list[Row]] = {}
    for one in receipts:
        by_layout.setdefault(one["layout"], []).append(one)
    return {
        "layouts": [{"layout": name, **_sum(found)} for name, found in sorted(by_layout.items())],
        "all": _sum(receipts),
        "files": [_receipt(one) for one in reversed(receipts[-FILES:])],
        "left_out": max(len(receipts) - FILES, 0),
        "withdrawn": sum(one["op"] == "withdrawn" for one in receipts),
    }


def _sum(receipts: Sequence[Row]) -> dict[str, Any]:
    names = ("lines", *COUNTS, "cells_quarantined")
    total = {name: sum(one[name] for one in receipts) for name in names}
    figures = {name: Figure(total[name], RECEIPTS, "", 0) for name in names}
    return {"files": Figure(len(receipts), RECEIPTS, "", 0), **figures, "adds_up": _adds_up(total)}


def _receipt(one: Row) -> dict[str, Any]:
    words = {name: one[name] for name in ("file", "sha256", "layout", "op", "reason")}
    words |= {"first": instant(one["first_at"]), "last": instant(one["last_at"])}
    figures = {name: Figure(one[name], RECEIPTS, "", 0) for name in ("lines", *COUNTS, "cells_quarantined")}
    return {**words, **figures, "adds_up": _adds_up(one)}


def _adds_up(counts: Row) -> bool:
    return bool(counts["lines"] == sum(counts[name] for name in COUNTS))


def findings_view(findings: Sequence[Row]) -> list[dict[str, Any]]:
    """Open findings by kind, the gravest kinds first: each with its text, and its evidence as words."""
    order = ("error", "warning", "info")
    kinds: dict[str, list[Row]] = {}
    for one in sorted(findings, key=lambda one: order.index(one["severity"])):
        kinds.setdefault(one["kind"], []).append(one)
    return [
        {
            "kind": kind,
            "severity": found[0]["severity"],
            "count": Figure(len(found), command("findings", "--kind", kind), "", 0),
            "findings": [dict(one) for one in found],
        }
        for kind, found in kinds.items()
    ]


def clocks_view(findings: Sequence[Row]) -> list[dict[str, Any]]:
    """How far each logger's clock is off, and the pairs of loggers by whose shared motion that is known."""
    trace = command("findings", "--kind", "clock-offset")
    return [
        {
            "finding": one["finding"],
            "logger": one["subject"],
            "text": one["text"],
            "offset": Figure(one["evidence"]["offset_s"], trace, "s", 2),
            "channels": list(one["evidence"]["channels"]),
            "pairs": [
                {
                    "first": pair["first"],
                    "second": pair["second"],
                    "offset": Figure(pair["offset_s"], trace, "s", 2),
                    "uncertainty": Figure(pair["uncertainty_s"], trace, "s", 2),
                    "shared": Figure(pair["shared"], trace, "", 2),
                    "windows": Figure(pair["windows"], trace, "", 0),
                }
                for pair in one["evidence"].get("pairs", ())
            ],
        }
        for one in findings
        if one["kind"] == "clock-offset" and "offset_s" in one["evidence"]
    ]


def conflicts_view(findings: Sequence[Row]) -> list[dict[str, Any]]:
    """Instants at which raw files disagree, by channel and day, with the files."""
    trace = command("findings", "--kind", "conflict")
    return [
        {
            "channel": one["subject"],
            "text": one["text"],
            "instants": Figure(one["evidence"].get("instants"), trace, "", 0),
            "files": [
                {"file": file["file"], "sha256": file["sha256"], "instants": Figure(file["instants"], trace, "", 0)}
                for file in one["evidence"].get("files", ())
            ],
        }
        for one in findings
        if one["kind"] == "conflict"
    ]


def rates_view(sampling: Row) -> dict[str, Any]:
    """Whether each logger is fast enough, as `sampling --json` has it; the worst first."""
    worst = ("too slow", "cannot be told", "fast enough")
    rows = sorted(sampling["channels"], key=lambda one: (worst.index(one["outcome"]), one["channel"]))
    return {"channels": [_rate(one) for one in rows], "limits": list(sampling["limits"])}


def _rate(one: Row) -> dict[str, Any]:
    bounds = () if one["from_at"] is None else ("--from", one["from_at"], "--to", one["to_at"])
    trace = command("sampling", one["channel"], *bounds)
    return {
        **{key: one[key] for key in ("channel", "place", "recorded", "line", "basis", "outcome", "words")},
        "from": instant(one["from_at"]),
        "to": instant(one["to_at"]),
        "rate": Figure(one["rate_hz"], trace, "Hz", 2),
        "shortfall": Figure(one["shortfall_pct"], trace, "%", 1),
        "at_least": Figure(one["at_least_pct"], trace, "%", 1),
    }


def calibrations_view(site: Site, known_us: int | None) -> list[dict[str, Any]]:
    """The newest calibration of every tension channel, those due soonest first; days left count from `known_us`.

    A day that is due counts wholly as in time.
    """
    rows = []
    for name, channel in site.channels.items():
        held = site.calibrations_of(name)
        if channel.quantity != "tension":
            continue
        due = held[-1].due if held else None
        due_us = held[-1].overdue_from_us if held else None
        left = None if due_us is None or known_us is None else (due_us - known_us) / 86.4e9
        rows.append(
            {
                "channel": name,
                "from": instant(held[-1].from_us) if held else None,
                "due": None if due is None else str(due),
                "due_us": due_us,
                "certificate": held[-1].certificate if held else None,
                "days_left": Figure(left, Trace("calibrations.csv, due, from when the newest run looked"), "d", 0),
                "overdue": left is not None and left < 0,
            }
        )
    far = 2**63
    return sorted(rows, key=lambda row: (far if row["due_us"] is None else row["due_us"], row["channel"]))


def overdue_view(findings: Sequence[Row]) -> list[dict[str, Any]]:
    """What was due and has not come: findings of OVERDUE kinds."""
    return [dict(one) for one in findings if one["kind"] in OVERDUE]
