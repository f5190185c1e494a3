"""Forms to fill in by hand: what lies outside the logs and is lost if nobody keeps it, and who copied what.

The list is what an investigation of a parted line normally preserves: common practice, no source. Nothing is inferred
from a box left empty.
"""

from __future__ import annotations

CHECKLIST: list[dict[str, object]] = [
    {
        "group": "The line",
        "items": [
            "Both ends of the rope at the break: kept, tagged with line, end and place, dry, uncut and unwashed",
            "The eye and its splice; the rest of the line on the drum, with the side it was reeled from",
            "The tail and the connector between them, with their marks",
            "Photographs of both ends before they are moved, with a scale and the time",
        ],
    },
    {
        "group": "What it ran over and was held by",
        "items": [
            "Chock, roller and fairlead surfaces: photographs, and an impression or rubbing where rough",
            "Hook: state, release and lock, its own record; bollard, where there was one",
            "Winch: mode at the time, brake condition and setting, linings, layer on the drum, last brake test record",
            "Load pins and cells: calibration certificates, and a check of their zeros before anything is touched",
        ],
    },
    {
        "group": "Papers and records",
        "items": [
            "Certificates of line, tail and connector; maker's guidance; inspection and line management records",
            "Mooring plan of the call, berth limits, and what was agreed with the terminal",
            "Voyage data recorder: saved before it overwrites itself, with the time it was saved",
            "Video of deck, quay and terminal; audio of radio channels",
            "Weather, current, tide and passing traffic, from whoever measured them",
            "Orders given and accounts of those present, taken apart from one another and signed",
        ],
    },
    {
        "group": "The logs themselves",
        "items": [
            "Loggers: kept from overwriting; their settings, filter and rate, firmware and time source written down",
            "A check of every logger's clock against one clock known to be right (see the custody form)",
            "Raw logs copied whole, and held against the SHA-256 in this file",
        ],
    },
]

CUSTODY: dict[str, list[str]] = {
    "copies": ["What was copied", "From where, to what", "Who", "When (UTC)", "How, and SHA-256", "Seen by, signature"],
    "clocks": ["Logger", "Its clock showed", "The right clock showed", "Which right clock", "Who", "When (UTC)"],
}
CUSTODY_ROWS = 5
"""Empty rows of each form. House rule."""
