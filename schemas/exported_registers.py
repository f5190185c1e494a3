"""Tables of an export that are registers, as the last run read them."""

from __future__ import annotations

from typing import Final

from schemas.exported import Table, of_answer, of_model, said
from schemas.registers import (
    Calibration,
    Channel,
    Line,
    Rigging,
    Service,
    Ship,
    StrengthTest,
    Winch,
    Withdrawn,
)

HERE: Final = "schemas/registers.py"
_DAY_OR_INSTANT: Final = "A day (YYYY-MM-DD), or an instant (RFC 3339)."

CHANNELS: Final = Table(
    "channels",
    "Channels",
    "one measured quantity at one place",
    "channels.csv.",
    f"{HERE}, Channel",
    of_model(
        Channel,
        f"{HERE}, Channel",
        said("channel", "Channel", "Its name."),
        said("quantity", "Quantity", "What it measures."),
        said("kind", "Kind", "`load-pin`, `winch-brake` or `other`."),
        said("rate_hz", "Rate", "Readings per second."),
        said("capacity", "Capacity", "End of its range.", unit="unit of the quantity; tension: kN"),
        said("place", "Place", "Hook or winch."),
        said("recorded", "Recorded", "Whether a reading is an instant's, a mean or a maximum."),
        said("expected_every_h", "Expected every", "A delivery is expected at least so often."),
        said("safe_load_kn", "Safe load", "Of the hook or winch."),
        said("logger", "Logger", "Whose clock stamps it."),
        said("filter_s", "Filter", "Over how long before its stamp a reading is a mean."),
    ),
)
CALIBRATIONS: Final = Table(
    "calibrations",
    "Calibrations",
    "one calibration of a channel, from when on",
    "calibrations.csv: tension = (reading - zero_kn) * gain.",
    f"{HERE}, Calibration",
    of_model(
        Calibration,
        f"{HERE}, Calibration",
        said("channel", "Channel", "Of which channel."),
        said("from_at", "From", "UTC; until the channel's next row."),
        said("zero_kn", "Zero", "Reading without a load."),
        said("gain", "Gain", "Tension over reading less zero."),
        said("uncertainty_pct", "Uncertainty", "In percent of full scale."),
        said("due", "Due", _DAY_OR_INSTANT),
        said("certificate", "Certificate", "Its number."),
    ),
)
SHIPS: Final = Table(
    "ships",
    "Ships",
    "one ship",
    "ships.csv. Limits are percent of ship design MBL.",
    f"{HERE}, Ship",
    of_model(
        Ship,
        f"{HERE}, Ship",
        said("ship", "Ship", "Its name."),
        said("design_mbl_kn", "Ship design MBL", "Design minimum breaking load; null: unknown."),
        said("source", "Source", "Who says so."),
    ),
)
LINES: Final = Table(
    "lines",
    "Lines",
    "one mooring line or tail",
    "lines.csv. What became of each stands in `line_status`.",
    f"{HERE}, Line",
    of_model(
        Line,
        f"{HERE}, Line",
        said("line", "Line", "Its name."),
        said("ship", "Ship", "To which it belongs."),
        said("spec", "Spec", "Its rope."),
        said("part", "Part", "`main` or `tail`."),
        said("in_service", "In service", _DAY_OR_INSTANT),
        said("break_force_kn", "Break force", "Of its own certificate; null: the spec's holds."),
        said("opening_life", "Opening", "Life used before the first record; null: unknown, which is not zero."),
        said("opening_source", "Source of the opening", "Who says so."),
    ),
)
RIGGING: Final = Table(
    "rigging",
    "Riggings",
    "one line on one tension channel, from when to when",
    "rigging.csv; half-open [from, to).",
    f"{HERE}, Rigging",
    of_model(
        Rigging,
        f"{HERE}, Rigging",
        said("line", "Line", "Which line."),
        said("channel", "Channel", "On which tension channel."),
        said("from_at", "From", "Made fast, UTC."),
        said("to_at", "To", "Let go, UTC; null: still rigged."),
        said("outboard_end", "Outboard end", "The zone outboard, a or b."),
        said("share_pct", "Share", "Its share of the channel's load."),
        said("share_basis", "Share is", "`measured` or `assumed`."),
        said("share_low", "Share, at least", "In percent.", unit="%"),
        said("share_high", "Share, at most", "In percent.", unit="%"),
        said("role", "Role", "`head`, `breast`, `spring` or `stern`."),
        said("inboard_m", "Inboard", "Length inboard of the chock."),
        said("outboard_m", "Outboard", "Length outboard of the chock."),
        said("wrap_deg", "Wrap", "Angle about the chock."),
        said("bend_ratio", "Bend ratio", "Diameter of the bend over that of the rope."),
        said("surface", "Surface", "What it bears on, in words."),
        said("pretension_kn", "Planned pretension", "Of the line itself."),
        said("chock_ahead_m", "Chock ahead", "Ahead of midships."),
        said("chock_athwart_m", "Chock athwart", "From the keel line, positive away from the quay."),
        said("lead_deg", "Lead", "Seen from above, from ahead, positive away from the quay."),
        said("lead_down_deg", "Lead down", "Below level."),
    ),
)
WINCHES: Final = Table(
    "winches",
    "Winches",
    "the brake setting of a winch, since when",
    "winches.csv.",
    f"{HERE}, Winch",
    of_model(
        Winch,
        f"{HERE}, Winch",
        said("place", "Winch", "Its place."),
        said("brake_set_kn", "Setting", "Load at which the brake is set to let go."),
        said("set_on", "Set on", _DAY_OR_INSTANT),
        said("layer", "Layer", "Layer of rope on the drum."),
        said("reeling", "Reeling", "`right` or `wrong`."),
        said("barrel_mm", "Barrel", "Diameter."),
        said("rope_mm", "Rope", "Diameter."),
    ),
)
SERVICES: Final = Table(
    "services",
    "Services",
    "something done to a line",
    "services.csv.",
    f"{HERE}, Service",
    of_model(
        Service,
        f"{HERE}, Service",
        said("line", "Line", "To which line."),
        said("done_at", "Done at", "When, UTC.", of="at"),
        said("action", "Action", "`end-for-end`, `crop`, `repair`, `inspection` or `retire`."),
        said("detail", "Detail", "As the register has it."),
    ),
)
STRENGTH_TESTS: Final = Table(
    "strength_tests",
    "Break tests",
    "one break test of a piece of a line",
    "strength_tests.csv.",
    f"{HERE}, StrengthTest",
    of_model(
        StrengthTest,
        f"{HERE}, StrengthTest",
        said("line", "Line", "Of which line."),
        said("zone", "Zone", "Of which zone."),
        said("tested_at", "Tested at", _DAY_OR_INSTANT, of="at"),
        said("position_m", "Position", "From the zone's end."),
        said("condition", "Condition", "`wet` or `dry`."),
        said("break_kn", "Broke at", "Load at which the piece broke."),
        said("laboratory", "Laboratory", "Who tested it."),
    ),
)
WITHDRAWN: Final = Table(
    "withdrawn",
    "Withdrawn files",
    "a raw file whose rows are not live",
    "withdrawn.csv.",
    f"{HERE}, Withdrawn",
    of_model(
        Withdrawn,
        f"{HERE}, Withdrawn",
        said("sha256", "Raw file", "SHA-256, as in `receipts`."),
        said("reason", "Reason", "Why."),
    ),
)
SPECS: Final = Table(
    "specs",
    "Specs",
    "one figure or constant of a rope's spec",
    "specs/*.toml, with what was left out at its default. The source stands beside each constant.",
    "schemas/specs.py, Spec",
    of_answer(
        "schemas/specs.py, Spec",
        said("spec", "Spec", "Its id.", "text", nullable=False),
        said("part", "Table", "Which table of the spec; `spec` for its own keys.", "text", nullable=False),
        said("constant", "Constant", "Name, which carries its unit.", "text", nullable=False),
        said("value", "Value", "As text: numbers, words, or JSON.", "text", nullable=False),
        said("source", "Source", "That of its table; null for the spec's own keys.", "text", nullable=True),
    ),
)
POLICY: Final = Table(
    "policy",
    "Policy",
    "one threshold of the site",
    "site.toml, [policy], with what was left out at its default. House rules, no published source.",
    "schemas/documents.py, Policy",
    of_answer(
        "schemas/documents.py, Policy",
        said("threshold", "Threshold", "Name, which carries its unit.", "text", nullable=False),
        said("value", "Value", "As text: numbers, words, or JSON.", "text", nullable=False),
    ),
)
REGISTER_TABLES: Final = (
    CHANNELS,
    CALIBRATIONS,
    SHIPS,
    LINES,
    RIGGING,
    WINCHES,
    SERVICES,
    STRENGTH_TESTS,
    WITHDRAWN,
    SPECS,
    POLICY,
)
