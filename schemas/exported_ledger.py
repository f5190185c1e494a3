"""Tables of an export that the published ledger holds: what is said of each, and of its columns."""

from __future__ import annotations

from typing import Final

from schemas.exported import Column, Table, of_answer, of_row, said
from schemas.tables import (
    AirDays,
    ChannelDays,
    Entries,
    Events,
    Findings,
    Parts,
    Receipts,
    Removed,
    Runs,
    Sheets,
    States,
)

WORDS: Final = "DEVELOPERS.md, words of the design"
TABLES_PY: Final = "schemas/tables.py"
INDEX: Final = (
    "It is a severity index, never a percent of life and never a date, wherever `basis` does not say that the line's "
    "constants are calibrated. No figure is a reason to keep a line longer."
)

RUN: Final = said("run", "Run", "Number of the run that said so; runs of a site are counted from 1.")
SEQ: Final = said(
    "seq", "Sequence", "Place in the run's table, from 1. The newest row is the one of largest (run, seq)."
)
LINE: Final = said("line", "Line", "The mooring line or tail, as `lines` has it.")
ZONE: Final = said("zone", "Zone", "The end that was outboard, a or b. A line is as good as its worse zone.")
DAY: Final = said("day", "Day", "UTC day.")
PLACE: Final = said("place", "Place", "Where the channel measures: a hook or a winch.")
CHANNEL: Final = said("channel", "Channel", "The channel, as `channels` has it.")
BASIS: Final = said(
    "basis",
    "What figures of the line are called",
    "`severity index`, or `life used (calibrated)` where every constant is the rope's own, with its source.",
    "text",
    nullable=False,
    defined="pipeline/ledger/basis.py",
)
REASON: Final = said("reason", "Reason", "Why this row was written.")


def _entry_columns() -> tuple[Column, ...]:
    return of_row(
        Entries,
        f"{TABLES_PY}, Entries",
        RUN,
        SEQ,
        said("entry", "Entry", "Id of the entry, for `tautlog trace`."),
        LINE,
        ZONE,
        DAY,
        said(
            "mechanism",
            "Mechanism",
            "`fatigue`, `creep` or `abrasion`. They act in bands of the rope and are not added.",
        ),
        said(
            "life",
            "Life",
            "Share of life that the day took, as posted: to the last digit, the spec's factor not applied. " + INDEX,
            unit="1",
        ),
        BASIS,
        said("kind", "Kind", "`posting`, or `reversal` of an earlier posting. A reversal has the life it takes back."),
        said("reverses", "Reverses", "The entry that a reversal takes back; null for a posting."),
        REASON,
        said("spec", "Spec", "The rope's spec that priced the day, as `specs` has it."),
        said("spec_digest", "Digest of the spec", "SHA-256 of the spec's file as it then was."),
        said("policy_digest", "Digest of the policy", "SHA-256 of the site's policy as it then was."),
        said("rests_on", "Rests on", "Digests of all that decided the figure, as JSON.", "json", of="basis"),
        said("sheets", "Day sheets", "Ids of the day sheets that the figure was priced from."),
    )


ENTRIES: Final = Table(
    "entries",
    "All entries ever made",
    "one posting, or the reversal of one",
    "The ledger itself, which is only ever added to. For sums take `live_entries`.",
    f"{WORDS}: entry",
    _entry_columns(),
    workbook=False,
)
LIVE_ENTRIES: Final = Table(
    "live_entries",
    "Live entries",
    "one posting that nothing reverses: life of a line's zone, by day and mechanism",
    "What stands posted. Fatigue and creep of a zone act on its outboard length, abrasion on contact bands; they are "
    "never added to each other without the rule of the spec's material: for a line's total take `line_status`.",
    f"{WORDS}: entry",
    _entry_columns(),
    not_for_people=("seq", "kind", "reverses", "spec_digest", "policy_digest", "rests_on", "sheets"),
)

LINE_DAYS: Final = Table(
    "line_days",
    "Days of lines",
    "one UTC day of a line's zone",
    "What each day took and saw, posted or not. Lives are without the spec's factor. " + INDEX,
    "schemas/tables.py, States and WearDays",
    of_row(
        States,
        f"{TABLES_PY}, States",
        RUN,
        LINE,
        ZONE,
        DAY,
        said("postable", "Complete", "Whether the day is complete, and so posted; else it may still grow."),
        BASIS,
        said(
            "fatigue_life",
            "Fatigue",
            "Share of life of the cycles that closed on the day.",
            "exact",
            of="life_units",
            unit="1",
            nullable=False,
        ),
        said(
            "creep_life",
            "Creep",
            "Share of life by creep; null where it is not reckoned, which is not zero.",
            "exact",
            nullable=True,
            unit="1",
        ),
        said(
            "abrasion_life",
            "Abrasion",
            "Share of life by abrasion; null where it is not reckoned, which is not zero.",
            "exact",
            nullable=True,
            unit="1",
        ),
        said("observed_us", "Observed", "Rigged time observed on the day.", "whole", nullable=False),
        said("cycles", "Cycles", "Cycles that closed on the day.", "whole", nullable=True),
        said("peak_kn", "Highest tension", "Highest tension of the line on the day.", "number", nullable=True),
        said("peak_at", "When", "First instant of the highest tension, UTC.", "instant", nullable=True),
        said(
            "core_c",
            "Core temperature",
            "Reckoned temperature of the rope's core after the day.",
            "number",
            nullable=True,
        ),
        said("facts", "Counted besides", "Other counts of the day, as JSON.", "json", nullable=True),
        said("sheets", "Day sheets", "Ids of the day sheets that the day was folded from."),
    ),
    not_for_people=("facts", "sheets"),
)

_MONTH: Final = said("month", "Month", "First day of the UTC month.", "day", nullable=False)
CYCLE_CLASSES: Final = Table(
    "cycle_classes",
    "Rainflow matrix by month",
    "cycles of one class of low and high, of a line's zone in a month",
    "Closed four-point rainflow cycles by 5 kN classes [c, c + 5) of their low and high point, counted by the day on "
    "which they closed. Counts only; exact values stand in the day sheets.",
    f"{WORDS}: cycle; ISO 12110-2",
    of_answer(
        "pipeline/wear/cells.py",
        said("line", LINE.title, LINE.description, "text", nullable=False),
        said("zone", ZONE.title, ZONE.description, "text", nullable=False),
        _MONTH,
        said(
            "low_from_kn",
            "Low, from",
            "Lower edge of the 5 kN class of the cycle's low point.",
            "whole",
            nullable=False,
        ),
        said(
            "high_from_kn",
            "High, from",
            "Lower edge of the 5 kN class of the cycle's high point.",
            "whole",
            nullable=False,
        ),
        said("cycles", "Cycles", "How many closed.", "whole", nullable=False),
    ),
    workbook=False,
)
LEVEL_CLASSES: Final = Table(
    "level_classes",
    "Time at level by month",
    "time of a line's zone within one class of tension in a month",
    "Time by 5 kN class [c, c + 5) of tension. What was not observed is in none.",
    f"{WORDS}: time at level",
    of_answer(
        "pipeline/wear/cells.py",
        said("line", LINE.title, LINE.description, "text", nullable=False),
        said("zone", ZONE.title, ZONE.description, "text", nullable=False),
        _MONTH,
        said("from_kn", "Class, from", "Lower edge of the 5 kN class.", "whole", nullable=False),
        said("time_us", "Time", "Time in the class.", "whole", nullable=False),
    ),
    workbook=False,
)

EVENTS: Final = Table(
    "events",
    "Events",
    "one named happening of a line that stands",
    "Live events. After an overload, a rendered brake or a sudden loss of load, inspect before use.",
    f"{WORDS}: event",
    of_row(
        Events,
        f"{TABLES_PY}, Events",
        RUN,
        said("event", "Event", "Id of the event, for `tautlog trace`."),
        said("kind", "Kind", "What it is: peak-load, brake-render, slack and so on.", defined="pipeline/events/"),
        said(
            "severity",
            "Severity",
            "`note`, `warning` or `alarm`; null of releases that knew none.",
            "text",
            nullable=True,
        ),
        said("line", "Line", "The line it is of; tails that shared it stand in `details`."),
        CHANNEL,
        PLACE,
        said("from_at", "From", "First instant, UTC.", of="from_us"),
        said("to_at", "To", "Last instant, UTC.", of="to_us"),
        said(
            "peak_kn", "Peak", "Highest tension. Where `peak_at_least` it was that or more: the gauge was at its end."
        ),
        said("peak_at_least", "At least", "Whether the peak is a lower bound.", "truth", nullable=False),
        said("peak_at", "Peak at", "First instant of the peak, UTC.", of="peak_us"),
        said("peak_pct", "Peak in percent", "Peak in percent of what `peak_pct_of` says."),
        said(
            "peak_pct_of",
            "Percent of",
            "`ship design MBL`, or `break force` where that is unknown.",
            "text",
            nullable=True,
        ),
        said("details", "Details", "What only its kind has, as JSON.", "json", of="payload"),
    ),
)
FINDINGS: Final = Table(
    "findings",
    "Findings",
    "something wrong with data, registers, sensors or brakes that stands",
    "Open findings. None is ever a silent correction.",
    f"{WORDS}: finding",
    of_row(
        Findings,
        f"{TABLES_PY}, Findings",
        RUN,
        said("finding", "Finding", "Id of the finding."),
        said("kind", "Kind", "What is wrong.", defined="ops/RUNBOOK.md"),
        said("severity", "Severity", "`info`, `warning` or `error`."),
        said("subject", "About", "What it is about: a channel, a file, a line."),
        said("text", "In words", "What was found."),
        said("evidence", "Evidence", "What shows it, as JSON.", "json"),
        said("scope", "Scope", "Of what part of the work it is: a day, a file, a register."),
    ),
)
_COUNTED: Final = "Lines of the raw file: "
RECEIPTS: Final = Table(
    "receipts",
    "Receipts",
    "the newest receipt of one raw file",
    "What became of every line: lines = header + blank + ignored + stored + duplicate + quarantined.",
    f"{WORDS}: receipt",
    of_row(
        Receipts,
        f"{TABLES_PY}, Receipts",
        RUN,
        SEQ,
        said("file", "File", "Name under which it was delivered."),
        said("sha256", "SHA-256", "Of its bytes as delivered: by this a file is known."),
        said("bytes", "Bytes", "Length.", unit="byte"),
        said("layout", "Layout", "The layout by which it was read."),
        said("layout_digest", "Digest of the layout", "SHA-256 of the layout as it then was."),
        said("lines", "Lines", _COUNTED + "all."),
        said("header", "Header", _COUNTED + "header and preamble."),
        said("blank", "Blank", _COUNTED + "white space or separators only."),
        said("ignored", "Ignored", _COUNTED + "valid, but nothing that the layout asks for."),
        said("stored", "Stored", _COUNTED + "with any new or different reading."),
        said("duplicate", "Duplicate", _COUNTED + "that repeat stored readings."),
        said("quarantined", "Quarantined", _COUNTED + "that could not be used; kept with number, bytes and reason."),
        said("cells_quarantined", "Quarantined cells", "Single bad cells of good rows."),
        said("first_at", "First reading", "UTC; null without any.", of="first_us"),
        said("last_at", "Last reading", "UTC; null without any.", of="last_us"),
        said("quarantine_path", "Quarantine", "File below quarantine/ with the rows that could not be used."),
        said("quarantine_digest", "Digest of the quarantine", "SHA-256 of that file."),
        said("op", "What was done", "`new`, `reread` under a changed layout, or `withdrawn`."),
        REASON,
    ),
)
SHEETS: Final = Table(
    "sheets",
    "Index of day sheets",
    "the live day sheet of one rigging on one UTC day",
    "A day sheet holds what a rigging felt, in kN, seconds and counts, and knows no rope constant.",
    f"{WORDS}: day sheet",
    of_row(
        Sheets,
        f"{TABLES_PY}, Sheets",
        RUN,
        said("sheet", "Sheet", "Id of the day sheet."),
        CHANNEL,
        PLACE,
        DAY,
        said("from_at", "From", "First instant, UTC.", of="from_us"),
        said("to_at", "To", "End, exclusive, UTC.", of="to_us"),
        said("cycles", "Cycles", "Cycles that closed within the day's piece."),
        said("observed_us", "Observed", "Time observed."),
        said("path", "File", "Below store/."),
        said("row", "Row", "In that file, from 0."),
        said("digest", "Digest", "SHA-256 of that file."),
        said("inputs", "Made from", "Digests of all that decided it, as JSON.", "json"),
    ),
    workbook=False,
)
PARTS: Final = Table(
    "parts",
    "Index of stored samples",
    "what one raw file holds of one place and UTC day",
    "Live samples files: the way from a day back to raw files.",
    f"{WORDS}: sample",
    of_row(
        Parts,
        f"{TABLES_PY}, Parts",
        RUN,
        said("part", "Part", "File below store/."),
        said("sha256", "Raw file", "SHA-256 of the raw file that it was read from, as in `receipts`."),
        PLACE,
        DAY,
        said("rows", "Rows", "How many."),
        said("first_at", "First reading", "UTC.", of="first_us"),
        said("last_at", "Last reading", "UTC.", of="last_us"),
        said("channels", "Channels", "Those it holds readings of."),
        said("digest", "Digest", "SHA-256 of the file."),
    ),
    workbook=False,
)
AIR: Final = Table(
    "air",
    "Air",
    "the mean of ten minutes of one thermometer or anemometer",
    "Ten-minute means of the site's own air temperature and wind.",
    f"{TABLES_PY}, AirDays",
    of_row(
        AirDays,
        f"{TABLES_PY}, AirDays",
        CHANNEL,
        PLACE,
        said("quantity", "Quantity", "`temperature` or `wind`."),
        said("from_at", "From", "First instant of the ten minutes, UTC.", "instant", nullable=False),
        said("mean", "Mean", "Mean reading.", "number", nullable=False, unit="degC (temperature) or m/s (wind)"),
    ),
    workbook=False,
)
CHANNEL_DAYS: Final = Table(
    "channel_days",
    "Days of channels",
    "what a tension channel showed of itself on a UTC day",
    "Zero checks, when it bore a load, and when it was observed.",
    f"{TABLES_PY}, ChannelDays",
    of_row(
        ChannelDays,
        f"{TABLES_PY}, ChannelDays",
        RUN,
        CHANNEL,
        PLACE,
        DAY,
        said("facts", "Facts", "As JSON: `checks` [kN, us], `loads` [kN, us], `seen` [us].", "json"),
    ),
    workbook=False,
)
RUNS: Final = Table(
    "runs",
    "Runs",
    "one run that committed",
    "The chain of manifests; each names the digest of the one before.",
    f"{TABLES_PY}, Runs",
    of_row(
        Runs,
        f"{TABLES_PY}, Runs",
        RUN,
        said("run_id", "Run id", "Name of the run."),
        said("started_at", "Started", "When, by the clock of the machine that ran it, UTC.", of="started_us"),
        said("program", "Program", "Which version of tautlog ran."),
        said("through", "Through", "The day of `--through`; null without it."),
        said("horizon_at", "Coverage up to", "Up to when coverage is reckoned, UTC.", of="horizon_us"),
        said("prev", "Manifest before", "SHA-256 of the manifest before; null for the first."),
        said("archive", "Registers used", "SHA-256 of every register, layout and spec by path, as JSON.", "json"),
        said("meta", "Besides", "What else the run noted, as JSON.", "json"),
    ),
    workbook=False,
)
REMOVED: Final = Table(
    "removed",
    "Files taken away",
    "one superseded file that was taken away by decision",
    "So that nobody takes it for lost.",
    f"{TABLES_PY}, Removed",
    of_row(
        Removed,
        f"{TABLES_PY}, Removed",
        RUN,
        said("path", "File", "Below the site folder."),
        said("sha256", "SHA-256", "Of what it held."),
        said("bytes", "Bytes", "Length.", unit="byte"),
        said("kind", "Kind", "What it was."),
        said("superseded_run", "Superseded by", "The run that superseded it; null for what no manifest names."),
        REASON,
    ),
    workbook=False,
)

LEDGER_TABLES: Final = (
    LIVE_ENTRIES,
    ENTRIES,
    LINE_DAYS,
    CYCLE_CLASSES,
    LEVEL_CLASSES,
    EVENTS,
    FINDINGS,
    RECEIPTS,
    SHEETS,
    PARTS,
    AIR,
    CHANNEL_DAYS,
    RUNS,
    REMOVED,
)
LEFT_OUT: Final = {
    "flags": "which checks marked which samples: a file below store/, not in what is published",
    "sheet_marks": "what a sheet hands to the events; told by `events`",
    "states": "told by `line_days`; open turning points are the program's own",
    "wear_days": "told by `line_days`, `cycle_classes` and `level_classes`; what is carried is the program's own",
    "air_days": "told by `air`",
    "berth_days": "told by `balance`, `events` and `episodes`",
}
"""Manifest tables that no exported table stands for by its own name, and why."""
