"""Text of `brakes`: one row a winch, worst first, and beneath it what each figure is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.text import join, table

Row = Mapping[str, Any]


def brakes_text(answer: Row) -> str:
    """What ordinary calls show of each winch's brake."""
    if not answer["brakes"]:
        return "No winches: none is in winches.csv, and no channel is one of a winch."
    head = ["winch", "verdict", "set kN", "let go at kN", "held at kN", "highest of the year kN", "set on", "test"]
    rows = [
        [
            brake["place"],
            brake["verdict"] or "setting not registered",
            _kn(brake["brake_set_kn"]),
            _let_go(brake),
            "-" if brake["held"] is None else f"{_load(brake['held'])} ({brake['held']['pct_of_set']:.0f} %)",
            "-" if brake["highest"] is None else f"{_load(brake['highest'])} on {brake['highest']['at'][:10]}",
            brake["tested_on"] or "unknown",
            {True: "due: over a year ago", False: "within the year", None: "unknown"}[brake["test_due"]],
        ]
        for brake in answer["brakes"]
    ]
    return join(
        f"Brakes, until {answer['until']}; worst first. Evidence since each setting, of the last "
        f"{answer['exercised_within_days']} days",
        table(head, rows),
        "\n".join(said for brake in answer["brakes"] for said in _notes(brake)),
        answer["caution"],
    )


def _kn(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _load(load: Row) -> str:
    """A load as it is judged; `hook` where it is not the drum's."""
    bound = "at least " if load["at_least"] else ""
    return f"{bound}{load['judged_kn']:.0f}{' hook' if load['drum_kn'] is None else ''}"


def _let_go(brake: Row) -> str:
    if not brake["let_go"]:
        return "-"
    last = brake["let_go"][-1]
    pct = "" if last["pct_of_set"] is None else f" ({last['pct_of_set']:.0f} %)"
    return f"{_load(last)}{pct} on {last['at'][:10]}, {len(brake['let_go'])}x"


def _notes(brake: Row) -> list[str]:
    """What stands beside a winch's figures."""
    found = []
    loads = [*brake["let_go"], *([] if brake["held"] is None else [brake["held"]])]
    found += sorted({one["judged_is"] for one in loads if one["measured_at"] == "hook"})
    if any(one["basis"] == "tension alone" for one in brake["let_go"]):
        found.append("of what it let go at some is told from tension alone, without payout: it may be otherwise")
    if brake["held"] is not None and not brake["held"]["payout_measured"]:
        found.append("whether it let out line when it held is not measured")
    if not brake["payout"]:
        found.append("its payout is not recorded")
    if brake["set_in_layer_kn"] is not None and brake["layer"] != 1:
        found.append(
            f"set in the first layer, {brake['brake_set_kn']:.0f} kN come to {brake['set_in_layer_kn']:.0f} kN "
            f"in layer {brake['layer']}"
        )
    if brake["wrong_reeling_kn"] is not None:
        found.append(
            f"its drum is reeled the wrong way: it may hold as little as {brake['wrong_reeling_kn']:.0f} kN "
            "(published: as much as 50 % less)"
        )
    return [f"{brake['place']}: {said}" for said in found]
