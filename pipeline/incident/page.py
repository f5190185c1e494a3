"""The incident as one page of HTML: nothing outside of it is asked for, and nothing from outside may run in it.

Whatever registers and logs hold is text to it: templates escape, and the page's own policy lets only its own script and
style run, each by the digest of its bytes.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from pipeline.incident import chart
from pipeline.incident.forms import CUSTODY, CUSTODY_ROWS
from pipeline.incident.links import anchor_of
from pipeline.incident.plan import plan
from pipeline.incident.record import Incident
from pipeline.incident.words import Clocks

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from jinja2 import Template

PLANS = (("before", "the minute before"), ("at", "at the last loaded sample"), ("after", "the third minute after"))
FORMS = (("Who copied what, when and how", CUSTODY["copies"]), ("Checks of the loggers' clocks", CUSTODY["clocks"]))


def page_html(incident: Incident, shown: dict[str, Any], zone: ZoneInfo) -> str:
    """The page of an incident, from what `view` made of it."""
    from markupsafe import Markup

    clocks = Clocks(zone)
    anchors = {one.number: anchor_of(one.number) for one in incident.part_a.sequence}
    window = (incident.call.window_from_us, incident.call.window_to_us)
    style, script = _own("page.css"), _own("page.js")
    # Marked as markup are only our own files, and pictures in which every text was escaped (`svg.text`).
    return _template().render(
        v=shown,
        style=Markup(style),
        style_hash=_hash(style),
        script=Markup(script),
        script_hash=_hash(script),
        still=Markup(chart.still(incident, window, style=False)),
        plans=[Markup(plan(incident.part_a.berth, when, words=words, style=False)) for when, words in PLANS],
        traces=chart.data(incident, anchors, clocks),
        forms=FORMS,
        form_rows=CUSTODY_ROWS,
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined

    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.policies["json.dumps_kwargs"] = {"sort_keys": True, "allow_nan": False, "separators": (",", ":")}
    return made.from_string(_own("page.html.j2"))


def _own(name: str) -> str:
    return (files("pipeline.incident") / "templates" / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """How a content security policy names the text of a script or style. Source: W3C, Content Security Policy 3."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
