"""Answers from the ledger as the objects that `--json` prints: events, receipts, findings, single rows."""

from __future__ import annotations

from typing import Any

import simplejson

from pipeline.errors import RegisterError, nearest
from pipeline.events.severity import SEVERITIES
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import Entry, Event, Finding, Receipt
from pipeline.site import Site
from schemas.times import us_to_rfc3339

VERSION = 1


def answer_text(answer: dict[str, Any]) -> str:
    """An answer as JSON text with its version. Decimals are written to the last digit; ValueError for NaN.

    What no terminal should obey is escaped, beyond what JSON asks for: a name may hold any character.
    """
    text: str = simplejson.dumps(
        {"version": VERSION, **answer}, use_decimal=True, allow_nan=False, ensure_ascii=False, indent=2
    )
    if text.isascii() and "\x7f" not in text:
        return text
    return "".join(c if c.isprintable() or c == "\n" else simplejson.dumps(c)[1:-1] for c in text)


def events_json(
    ledger: Ledger,
    *,
    line: str | None = None,
    kind: str | None = None,
    severity: str | None = None,
    from_us: int | None = None,
    to_us: int | None = None,
) -> dict[str, Any]:
    """Live events, by time: of one line, one kind, from one severity on, and those that touch [from_us, to_us].

    An event of a release that knew no severity counts as a warning. `severity` in the answer is what was asked for.
    """
    least = 0 if severity is None else SEVERITIES.index(severity)
    found = [
        event
        for event in index.events(ledger).values()
        if (line is None or line in lines_of(event))
        and (kind is None or event.kind == kind)
        and SEVERITIES.index(event.payload.get("severity", "warning")) >= least
        and (from_us is None or event.to_us >= from_us)
        and (to_us is None or event.from_us < to_us)
    ]
    found.sort(key=lambda event: (event.from_us, event.line, event.kind))
    return {"severity": severity, "events": [event_object(event) for event in found]}


def lines_of(event: Event) -> list[str]:
    """The lines an event is of: its main line, and the tails that shared it."""
    return [event.line, *(tail["line"] for tail in event.payload.get("tails", ()))]


def event_object(event: Event) -> dict[str, Any]:
    """One event; what only its kind has comes from its payload, and never replaces what every event has."""
    return {
        **event.payload,
        "event": event.event,
        "kind": event.kind,
        "line": event.line,
        "channel": event.channel,
        "place": event.place,
        "from_at": us_to_rfc3339(event.from_us),
        "to_at": us_to_rfc3339(event.to_us),
        "peak_kn": event.peak_kn,
        "peak_at": us_to_rfc3339(event.peak_us),
        "peak_pct": event.peak_pct,
        "run": event.run,
    }


def receipts_json(ledger: Ledger) -> dict[str, Any]:
    """What became of every raw file: the newest receipt of each, in the order they came."""
    return {"receipts": [receipt_object(receipt) for receipt in index.receipts(ledger).values()]}


def receipt_object(receipt: Receipt) -> dict[str, Any]:
    """One receipt."""
    counts = (
        "lines",
        "header",
        "blank",
        "ignored",
        "stored",
        "duplicate",
        "quarantined",
        "cells_quarantined",
    )
    return {
        "file": receipt.file,
        "sha256": receipt.sha256,
        "bytes": receipt.bytes,
        "layout": receipt.layout,
        **{name: getattr(receipt, name) for name in counts},
        "first_at": None if receipt.first_us is None else us_to_rfc3339(receipt.first_us),
        "last_at": None if receipt.last_us is None else us_to_rfc3339(receipt.last_us),
        "op": receipt.op,
        "reason": receipt.reason,
        "run": receipt.run,
    }


def findings_json(ledger: Ledger, *, kind: str | None = None, channel: str | None = None) -> dict[str, Any]:
    """Open findings, in the order they were opened: of one kind, and about one channel, where given.

    A finding is about a channel if it is its subject, or its evidence names it.
    """
    found = [
        finding
        for finding in index.findings(ledger).values()
        if (kind is None or finding.kind == kind) and (channel is None or channel in _about(finding))
    ]
    return {"findings": [finding_object(finding) for finding in found]}


def known_channel(site: Site, channel: str) -> None:
    """RegisterError, with the nearest name, for a channel that is not registered."""
    if channel not in site.channels:
        near = nearest(channel, site.channels)
        raise RegisterError(
            f"no channel is called {channel!r}",
            file="channels.csv",
            next_step="check the name" if near is None else f"did you mean {near}?",
        )


def _about(finding: Finding) -> set[str]:
    named = finding.evidence.get("channels", ())
    return {finding.subject, *(named if isinstance(named, list) else ())}


def finding_object(finding: Finding) -> dict[str, Any]:
    """One finding."""
    return {
        "finding": finding.finding,
        "kind": finding.kind,
        "subject": finding.subject,
        "severity": finding.severity,
        "text": finding.text,
        "evidence": dict(finding.evidence),
        "run": finding.run,
    }


def entry(ledger: Ledger, ref: str) -> Entry | None:
    """The entry of this id, live or not; None when there is none."""
    found = index.load(ledger, Entry, "entries", order="run, seq", where="entry = ?", given=[ref])
    return found[0] if found else None


def reversal_of(ledger: Ledger, ref: str) -> Entry | None:
    """The entry that reverses this one; None while it stands."""
    found = index.load(ledger, Entry, "entries", order="run, seq", where="reverses = ?", given=[ref])
    return found[0] if found else None


def event(ledger: Ledger, ref: str) -> Event | None:
    """The newest record of the event of this id, superseded or not; None when there is none."""
    found = index.load(ledger, Event, "events", order="run DESC, seq DESC", where="event = ?", given=[ref])
    return found[0] if found else None
