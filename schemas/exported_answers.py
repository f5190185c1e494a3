"""Tables of an export that are made of answers: status, episodes, calls, balance, brakes."""

from __future__ import annotations

from typing import Final

from schemas.exported import Table, of_answer, said
from schemas.exported_ledger import INDEX, WORDS

LINE_STATUS: Final = Table(
    "line_status",
    "Status of lines",
    "one line or tail, worst first",
    "What each line has used, what is not known of it, and what to do with it. Figures are of its worse zone, the "
    "spec's factor applied, as `tautlog status` shows them. " + INDEX,
    "pipeline/ledger/status.py",
    of_answer(
        "pipeline/ledger/status.py",
        said("place_in_list", "Worst first", "Place in the list, from 1: the worst.", "whole", nullable=False),
        said("line", "Line", "The mooring line or tail.", "text", nullable=False),
        said("part", "Part", "`main` or `tail`.", "text", nullable=False),
        said("ship", "Ship", "The ship it belongs to.", "text", nullable=False),
        said("spec", "Spec", "Its rope, as `specs` has it.", "text", nullable=False),
        said(
            "basis", "What figures are called", "`severity index` or `life used (calibrated)`.", "text", nullable=False
        ),
        said("advice", "Advice", "What to do, most urgent first, with the reason of each.", "text", nullable=False),
        said("zone", "Worse zone", "Null for a line that nobody observed.", "text", nullable=True),
        said(
            "used", "Used", "All that is counted: known opening, consumed, unposted, pending.", "exact", nullable=True
        ),
        said(
            "consumed", "Consumed", "Posted life. Null where nobody observed: that is not zero.", "exact", nullable=True
        ),
        said("unposted", "Unposted", "Life of days that are not complete yet.", "exact", nullable=True),
        said("pending", "Pending", "Life that open cycles would take if they closed now.", "exact", nullable=True),
        said("factor", "Factor", "Factor of the spec on fatigue, applied here.", "number", nullable=False),
        said(
            "opening_life",
            "Opening",
            "Life used before our first record. Null: unknown, which is not zero.",
            "exact",
            nullable=True,
        ),
        said("opening_source", "Source of the opening", "Who says so.", "text", nullable=True),
        said("rigged_s", "Rigged", "Time rigged.", "number", nullable=False),
        said("observed_s", "Observed", "Time observed; the rest is not zero damage.", "number", nullable=False),
        said("coverage", "Coverage", "Observed over rigged; null where never rigged.", "number", nullable=True),
        said("calls", "Calls", "Calls in which it was rigged.", "whole", nullable=False),
        said("mooring_h", "Mooring hours", "Hours rigged in our records.", "number", nullable=False),
        said(
            "age_years",
            "Age",
            "Since it came into service; null where that is not registered.",
            "number",
            nullable=True,
        ),
        said(
            "last_event",
            "Last event",
            "Id of its latest event above a note, else of its latest note.",
            "text",
            nullable=True,
        ),
    ),
)
EPISODES: Final = Table(
    "episodes",
    "Episodes",
    "events of several lines that belong together",
    "Made of live events from warnings on.",
    f"{WORDS}: episode",
    of_answer(
        "pipeline/events/episodes.py",
        said("episode", "Episode", "Its id.", "text", nullable=False),
        said("ship", "Ship", "Of which ship.", "text", nullable=False),
        said("from_at", "From", "First instant, UTC.", "instant", nullable=False),
        said("to_at", "To", "Last instant, UTC.", "instant", nullable=False),
        said("severity", "Severity", "That of its severest event.", "text", nullable=True),
        said("first_line", "First line", "The line of the event that began first.", "text", nullable=False),
        said("first_kind", "First kind", "The kind of that event.", "text", nullable=False),
        said("largest_line", "Line of the highest tension", "Of all its events.", "text", nullable=False),
        said("largest_kn", "Highest tension", "Of all its events.", "number", nullable=False),
        said("largest_at", "When", "First instant of that tension, UTC.", "instant", nullable=False),
        said("lines", "Lines", "All lines that took part, main lines only.", "list", nullable=False),
        said("events", "Events", "Ids of its events.", "list", nullable=False),
        said("sentence", "In words", "The episode in a sentence.", "text", nullable=False),
    ),
)
CALLS: Final = Table(
    "calls",
    "Calls",
    "one ship at the site, first line ashore to last line let go",
    "Made of the riggings.",
    f"{WORDS}: call",
    of_answer(
        "pipeline/events/calls.py",
        said("ship", "Ship", "Which ship.", "text", nullable=False),
        said("from_at", "First line ashore", "UTC.", "instant", nullable=False),
        said("to_at", "Last line let go", "UTC; null while she lies alongside.", "instant", nullable=True),
        said("lines", "Lines", "Lines and tails that were rigged in it.", "list", nullable=False),
    ),
)
BALANCE: Final = Table(
    "balance",
    "Balance",
    "what one line bore in a call while all lines were fast",
    "Means of ten-second bins. Lines of one role can be held against each other and against the plan.",
    "pipeline/events/balance.py",
    of_answer(
        "pipeline/events/balance.py",
        said("ship", "Ship", "Which ship.", "text", nullable=False),
        said("call_from_at", "Call", "First line ashore, UTC, as in `calls`.", "instant", nullable=False),
        said("role", "Role", "`head`, `breast`, `spring` or `stern`.", "text", nullable=False),
        said("line", "Line", "The line.", "text", nullable=False),
        said("mean_kn", "Mean", "Mean tension.", "number", nullable=True),
        said("last_hour_kn", "Mean of the last hour", "Of the last recorded hour of it.", "number", nullable=True),
        said("planned_kn", "Planned pretension", "What was planned.", "number", nullable=False),
        said("planned_by", "Planned by", "Who says so: `rigging.csv` or the policy.", "text", nullable=False),
        said("of_planned_pct", "Of the plan", "Mean against the plan.", "number", nullable=True),
    ),
)
BRAKES: Final = Table(
    "brakes",
    "Brakes",
    "one winch, worst first",
    "What ordinary calls showed of each brake. A brake is tested by the winch maker's procedure; nothing here replaces "
    "a test, and what a brake held or let go at once it need not hold or let go at again.",
    "pipeline/events/brakes.py",
    of_answer(
        "pipeline/events/brakes.py",
        said("place", "Winch", "The place, as `winches` has it.", "text", nullable=False),
        said("verdict", "Verdict", "What calls showed of it.", "text", nullable=False),
        said("brake_set_kn", "Setting", "Null where none is registered.", "number", nullable=True),
        said(
            "tested_on", "Tested", "Day of the newest test in the registers; null where none is.", "text", nullable=True
        ),
        said(
            "test_due",
            "Test due",
            "Whether its newest test is more than a year old; null where none is registered.",
            "truth",
            nullable=True,
        ),
        said("let_go", "Let go", "How often it let go since its setting.", "whole", nullable=False),
        said("last_let_go_kn", "Last let go at", "Load at which it last let go.", "number", nullable=True),
        said("last_let_go_at", "When", "UTC.", "instant", nullable=True),
        said("held_kn", "Held", "Highest load that it held above its setting.", "number", nullable=True),
        said("held_at", "When", "UTC.", "instant", nullable=True),
        said("highest_kn", "Highest load", "Of the last year, on this place.", "number", nullable=True),
        said("highest_at", "When", "UTC.", "instant", nullable=True),
    ),
)
ANSWER_TABLES: Final = (LINE_STATUS, EPISODES, CALLS, BALANCE, BRAKES)
