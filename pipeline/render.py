"""Answers as text for people, made from the very objects that `--json` prints."""

from collections.abc import Iterable, Mapping, Sequence
from math import floor
from typing import Any

from pipeline.errors import plain
from pipeline.render_berth import balance_text as balance_text
from pipeline.render_berth import episodes_text as episodes_text
from pipeline.render_events import events_text
from pipeline.render_outlook import outlook_text
from pipeline.render_outlook import sampling_text as sampling_text
from pipeline.render_service import advice_text, along_text, outside_text, served, service_text, strength_text
from pipeline.text import join as _join
from pipeline.text import life as _life
from pipeline.text import table as _table

Row = Mapping[str, Any]


def status_text(answer: Row) -> str:
    """One row a line, worst first; then what to do about each, and why, most urgent first."""
    rows = []
    mixed = len({line["basis"] for line in answer["lines"]}) > 1
    for line in answer["lines"]:
        share, event = line["coverage"]["share"], line["last_event"]
        rows.append(
            [
                line["line"],
                line["part"],
                line["zone"] or "-",
                "unknown" if line["opening"] == "unknown" else _life(line["opening"]["life"]),
                _life(line["consumed"]),
                _life(line["unposted"]),
                _life(line["pending"]),
                *([line["basis"]] if mixed else []),
                served(line["service"]),
                "-" if share is None else _floored_pct(share),
                "-" if event is None else f"{event['kind']} {event['peak_kn']:.0f} kN {_short(event['from_at'])}",
                _do(line["advice_list"][0]),
            ]
        )
    named = ["opening", "consumed", "not posted", "pending", *(["figures are"] if mixed else [])]
    head = ["line", "part", "zone", *named, "calls/h/years", "observed", "last event (UTC)", "first of all"]
    return _join(
        f"{answer['site']}, until {answer['until'] or 'nothing yet'}; worst first{_kind_note(answer)}",
        _table(head, rows),
        _factor_note(answer["lines"]),
        _unreckoned(answer),
        f"{answer['open_findings']} findings stand; see `tautlog findings`" if answer["open_findings"] else "",
        _all_advice(answer["lines"]),
        _basis_note({line["basis"] for line in answer["lines"]}),
        _not_modelled(answer),
        answer["caution"],
    )


def as_known_text(answer: Row) -> str:
    """The line above an answer that was asked for as it was known on a day; nothing above any other."""
    if "as_known_on" not in answer:
        return ""
    run = answer["run"]
    known = (
        f"As known on {answer['as_known_on']}: run {run['run']} ({run['run_id']}), committed {answer['committed_at']}"
    )
    return f"{known}; what came later is not in here.\n\n"


def _kind_note(answer: Row) -> str:
    """What consumed and pending are, when it is the same for every line."""
    kinds = {line["basis"] for line in answer["lines"]}
    return f"; consumed and pending are a {kinds.pop()}" if len(kinds) == 1 else ""


def _floored_pct(part: float) -> str:
    """Percent with one decimal, never rounded up: what was not observed is not zero."""
    return f"{floor(part * 1000) / 10:.1f} %"


def _factor_note(lines: Sequence[Row]) -> str:
    factors = [f"{line['line']} {line['factor']:g}" for line in lines if line["factor"] != 1]
    return f"Figures are times the spec's factor: {', '.join(factors)}." if factors else ""


def _unreckoned(answer: Row) -> str:
    """That samples came which no figure, event or advice here knows of."""
    days = answer["unreckoned_days"]
    if days == 0:
        return ""
    return f"NOT RECKONED YET: samples of {days} place-days, which nothing here knows of; run `tautlog nightly`."


def _do(advice: Row) -> str:
    return str(advice["do"])


def _all_advice(lines: Sequence[Row]) -> str:
    """Each piece of advice once, with the lines it is for and each line's reason."""
    by_do: dict[str, dict[str, list[str]]] = {}
    for line in lines:
        for advice in line["advice_list"]:
            by_do.setdefault(_do(advice), {}).setdefault(advice["because"], []).append(line["line"])
    parts = []
    for do, reasons in by_do.items():
        parts.append(f"{do}:")
        parts += [f"  {', '.join(names)}{': ' if because else ''}{because}" for because, names in reasons.items()]
    return "What to do, and why\n" + "\n".join(parts)


def statement_text(answer: Row) -> str:
    """A line's account."""
    zones, pending = answer["consumed"]["zones"], answer["pending"]["zones"]
    mechanisms = [name for name in zones["a"] if name != "total"]
    figures = [
        [
            f"{zone} (worse)" if zone == answer["consumed"]["worst"] else zone,
            *("not reckoned" if zones[zone][name] is None else _life(zones[zone][name]) for name in mechanisms),
            _life(zones[zone]["total"]),
            _life(pending[zone]),
        ]
        for zone in zones
    ]
    coverage = answer["coverage"]
    opening = answer["opening"]
    return _join(
        f"Line {answer['line']} ({answer['part']}, {answer['spec']}), break force {answer['break_force_kn']:g} kN "
        f"(from {answer['break_force_from']}), until {answer['until'] or 'nothing yet'}",
        "Opening: unknown; service before the first record is in no figure here"
        if opening == "unknown"
        else f"Opening: {_life(opening['life'])} ({opening['source']})",
        _unreckoned(answer),
        _table(["zone", *mechanisms, "consumed (worst band)", "pending (open cycles)"], figures),
        answer["together"],
        along_text(answer["bands"]),
        outside_text(answer["outside"]),
        strength_text(answer["strength"], answer["strength_tests"]),
        service_text(answer["service"]),
        advice_text(answer["advice_list"]),
        _not_reckoned(answer),
        f"These figures are a {answer['basis']}: " + "; ".join(answer["basis_reasons"])
        if answer["basis_reasons"]
        else f"Basis: {answer['basis']}",
        ""
        if answer["factor"] == 1
        else f"Fatigue is shown times the spec's factor {answer['factor']:g}; entries are without it.",
        f"Observed {coverage['observed_s'] / 3600:.2f} h of {coverage['rigged_s'] / 3600:.2f} h rigged; "
        "what was not observed is not zero.",
        ""
        if answer["closing"] == "unknown"
        else "Closing, with the opening: "
        + ", ".join(f"zone {zone} {_life(life)}" for zone, life in answer["closing"]["zones"].items()),
        _entries(answer["entries"]),
        "\n".join(
            f"Not posted yet: zone {row['zone']}, {row['day']}, {row['mechanism']} {_life(row['life'])}"
            for row in answer["unposted"]
        ),
        outlook_text(answer),
        _not_modelled(answer),
        answer["caution"],
    )


def receipts_text(answer: Row) -> str:
    """What became of every line of every raw file."""
    counts = ("lines", "header", "blank", "ignored", "stored", "duplicate", "quarantined", "cells_quarantined")
    rows = [[r["file"], *(str(r[name]) for name in counts), r["layout"], r["sha256"][:12]] for r in answer["receipts"]]
    return _join(
        _table(["file", *(name.replace("_", " ") for name in counts), "layout", "sha256"], rows),
        "lines = header + blank + ignored + stored + duplicate + quarantined",
    )


MOST_CYCLES = 30
"""How many cycles the text shows; `--json` holds them all."""


def cycles_text(answer: Row) -> str:
    """The largest closed cycles, and what is open."""
    largest = sorted(answer["cycles"], key=lambda c: c["range_kn"], reverse=True)[:MOST_CYCLES]
    rows = [
        [c["zone"], f"{c['range_kn']:.2f}", f"{c['mean_kn']:.2f}", c["from_at"], c["to_at"], c["closed_at"]]
        for c in largest
    ]
    open_ = [[point["zone"], f"{point['kn']:.2f}", point["at"]] for point in answer["residue"]]
    span = f"from {answer['from_at'] or 'the first sample'} to {answer['to_at'] or 'the last'}"
    shown = f"the {len(rows)} largest, all with --json" if len(rows) < len(answer["cycles"]) else "all, largest first"
    return _join(
        f"Line {answer['line']}: {len(answer['cycles'])} closed cycles {span}; {shown}",
        _table(["zone", "range kN", "mean kN", "from", "to", "closed"], rows),
        "Still open (turning points):",
        _table(["zone", "kN", "at"], open_),
    )


def night_text(answer: Row) -> str:
    """What a run did."""
    lines = [f"run {answer['run_id']}" if answer["run_id"] is not None else "nothing new: no run was committed"]
    if answer["receipts"]:
        lines.append(receipts_text(answer))
    if "reprocessed" in answer:
        again = answer["reprocessed"]
        lines.append(
            f"reprocessed ({again['reason']}): {again['files']} files read again, {again['sheets']} sheets made again"
        )
    if "entries_posted" in answer:
        lines.append(
            f"{len(answer['days'])} days of sheets made, {answer['entries_posted']} entries posted, "
            f"{len(answer['events'])} events new or changed"
        )
    if answer.get("events"):
        lines.append(events_text(answer))
    if answer["findings"]:
        lines += ["Findings:", findings_text(answer)]
    return _join(*lines)


def findings_text(answer: Row) -> str:
    """Findings that stand."""
    if not answer["findings"]:
        return "No findings stand."
    rows = [
        [f["severity"], f["kind"], f["subject"], f["text"] + _files_of(f) + _evidence(f)] for f in answer["findings"]
    ]
    return _table(["severity", "kind", "about", "finding"], rows)


def _files_of(finding: Row) -> str:
    """The raw files that a finding rests on, where its evidence names them."""
    files = [f"{file['file']} ({file['sha256'][:12]})" for file in finding["evidence"].get("files", ())]
    return f"; see {', '.join(files)}" if files else ""


MOST_VALUES = 3
"""How many values of one list of evidence the text shows; `--json` holds them all."""


def _evidence(finding: Row) -> str:
    """What else a finding rests on, by name."""
    told = [
        f"{name.replace('_', ' ')} {_values(value)}" for name, value in finding["evidence"].items() if name != "files"
    ]
    return f" [{'; '.join(told)}]" if told else ""


def _values(value: Any) -> str:
    if not isinstance(value, list):
        return str(value)
    shown = ", ".join(str(one) for one in value[:MOST_VALUES])
    return shown if len(value) <= MOST_VALUES else f"{shown} and {len(value) - MOST_VALUES} more"


def audit_text(answer: Row) -> str:
    """What an audit found."""
    return "Everything agrees." if answer["agrees"] else _differences(answer)


def rebuild_text(answer: Row) -> str:
    """How the ledger differed from the manifests that it was made anew from."""
    kept = "The ledger agrees with the manifests." if answer["agrees"] else _differences(answer)
    return _join(kept, "Raw files, store and quarantine are not looked at here: `tautlog audit` does.")


def _differences(answer: Row) -> str:
    found = answer["differences"]
    return _join(f"{len(found)} differences:", "\n".join(f"  {text}" for text in found))


def trace_text(answer: Row) -> str:
    """A reference walked back, indented."""
    return plain("\n".join(_indented(answer["trace"], 0)))


def _indented(value: Any, depth: int) -> Iterable[str]:
    pad = "  " * depth
    if isinstance(value, Mapping):
        for name, inner in value.items():
            if isinstance(inner, Mapping | list):
                yield f"{pad}{name}:"
                yield from _indented(inner, depth + 1)
            else:
                yield f"{pad}{name}: {inner}"
    elif isinstance(value, list):
        for inner in value:
            if isinstance(inner, Mapping | list):
                yield f"{pad}-"
                yield from _indented(inner, depth + 1)
            else:
                yield f"{pad}- {inner}"


def _entries(entries: Sequence[Row]) -> str:
    history = bool(entries) and "reason" in entries[0]
    head = ["entry", "day", "zone", "mechanism", "life", "spec", "run", *(["reason"] if history else [])]
    rows = [
        [
            entry["entry"],
            entry["day"],
            entry["zone"],
            entry["mechanism"],
            _life(entry["life"]),
            entry["spec"],
            str(entry["run"]),
            *([entry["reason"]] if history else []),
        ]
        for entry in entries
    ]
    return _table(head, rows) if rows else "No entries yet."


def _basis_note(kinds: set[str]) -> str:
    if "severity index" not in kinds:
        return ""
    return (
        "Figures resting on an invented, borrowed or uncalibrated constant are a severity index: they rank lines, "
        "and are never a percent of life or a date."
    )


def _not_reckoned(answer: Row) -> str:
    """Mechanisms that are in no figure of this line, each with why: they are not zero."""
    return "\n".join(
        f"Not reckoned, which is not zero: {name} ({why})." for name, why in answer["not_reckoned"].items()
    )


def _not_modelled(answer: Row) -> str:
    return "In no figure: " + ", ".join(answer["not_modelled"]) + "."


def _short(at: str) -> str:
    return at[:16].replace("T", " ")
