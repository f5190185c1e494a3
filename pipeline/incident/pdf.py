"""The incident on paper: A4, set by typst. The same incident is the same bytes: no date, no fonts of the machine."""

from __future__ import annotations

import json
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import Any

from pipeline.errors import Bug
from pipeline.incident import chart
from pipeline.incident.page import PLANS
from pipeline.incident.plan import plan
from pipeline.incident.record import Incident

BEFORE_S, AFTER_S = 20, 40
"""What the close view shows around the loss [s]. House rule."""


def pdf_bytes(incident: Incident, shown: dict[str, Any]) -> bytes:
    """The PDF of an incident, from what `view` made of it. Bug: the typesetter refuses our own template."""
    import typst

    with tempfile.TemporaryDirectory() as work:
        root = Path(work)
        for name, picture in _pictures(incident).items():
            (root / name).write_text(picture, encoding="utf-8")
        (root / "shown.json").write_text(json.dumps(shown, sort_keys=True), encoding="utf-8")
        template = root / "incident.typ"
        template.write_bytes((files("pipeline.incident") / "templates" / "incident.typ").read_bytes())
        try:
            made = typst.compile(template, root=root, format="pdf", ignore_system_fonts=True, timestamp=0)
        except typst.TypstError as error:
            raise Bug(f"the PDF cannot be set: {error}") from error
    if not isinstance(made, bytes):
        raise Bug("the typesetter gave no bytes", found=type(made).__name__)
    return made


def _pictures(incident: Incident) -> dict[str, str]:
    at_us = incident.asked.at_us
    for one in incident.part_a.sequence:
        if one.number == incident.part_a.loss and one.from_us is not None:
            at_us = one.from_us
    close = (at_us - BEFORE_S * 1_000_000, at_us + AFTER_S * 1_000_000)
    window = (incident.call.window_from_us, incident.call.window_to_us)
    berth = incident.part_a.berth
    return {
        "traces.svg": chart.still(incident, window, style=True),
        "close.svg": chart.still(incident, close, style=True),
        **{f"{when}.svg": plan(berth, when, words=words, style=True) for when, words in PLANS},
    }
