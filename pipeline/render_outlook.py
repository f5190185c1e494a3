"""Text of what is in no figure of a statement, and of whether loggers are fast enough; from the objects of `--json`."""

from collections.abc import Mapping
from typing import Any

from pipeline.text import join, life, table

Row = Mapping[str, Any]


def outlook_text(answer: Row) -> str:
    """What is not in a statement's figures: each item's figures with their band, or why there are none."""
    parts = [
        _unobserved(answer["unobserved"], answer["basis"]),
        _forecast(answer["forecast"], answer["basis"]),
        _return_peaks(answer["return_peaks"]),
        _shares(answer["shares"], answer["basis"]),
    ]
    return "What is not in these figures\n" + "\n".join(f"  {part}" for part in parts if part)


def sampling_text(answer: Row) -> str:
    """One row a tension channel: its verdict, and what it rests on."""
    rows = [
        [
            channel["channel"],
            channel["line"] or "-",
            "-" if channel["rate_hz"] is None else f"{channel['rate_hz']:g}",
            _span(channel),
            channel["basis"] or "-",
            channel["words"],
        ]
        for channel in answer["channels"]
    ]
    return join(
        f"{answer['site']}: is the logger fast enough for fatigue?",
        table(["channel", "line", "Hz", "samples (UTC)", "the figure is a", "verdict"], rows)
        if rows
        else "No tension channels.",
        *answer["limits"],
    )


def _unobserved(told: Row, basis: str) -> str:
    name = "Unobserved time"
    if not told["reckoned"]:
        hours = f" ({told['hours']:.2f} h)" if "hours" in told else ""
        return f"{name}{hours}: no price: {told['why']}."
    return (
        f"{name}, {told['hours']:.2f} h of zone {told['zone']} ({told['band']}), may have cost {life(told['median'])} "
        f"({basis}), {told['interval_pct']} % interval {life(told['low'])} to {life(told['high'])}: {told['words']}. "
        f"How far to trust it: {told['measured']}."
    )


def _forecast(told: Row, basis: str) -> str:
    if not told["reckoned"]:
        return f"Coming days: no rate: {told['why']}."
    rate = (
        f"Coming days: zone {told['zone']} ({told['band']}) used {life(told['per_rigged_day'])} ({basis}) a rigged day "
        f"from {told['from_day']} to {told['to_day']}; band for as many days to come {life(told['low'])} to "
        f"{life(told['high'])} a day, {told['measured']}."
    )
    return f"{rate} {_reached(told)} Caution: {told['caution']}."


def _reached(told: Row) -> str:
    if told["reached"] is None:
        return f"No date: {'; '.join(told['no_date'])}." if told["no_date"] else "No date."
    dates = told["reached"]
    earliest, median, latest = (dates[name] or "not within ten years" for name in ("earliest", "median", "latest"))
    return f"From {earliest} on (middle {median}, late {latest}): {dates['words']}."


def _return_peaks(told: Row) -> str:
    if not told["reckoned"]:
        return f"Rare peaks: {told['why']}."
    bound = "at least (a clipped peak is among them) " if told["at_least"] else ""
    high = "without upper end" if told["high_kn"] is None else f"to {told['high_kn']:.0f} kN"
    level = f"once in {told['years']:g} rigged years {bound}{told['level_kn']:.0f} kN"
    interval = f"{told['interval_pct']} % interval {told['low_kn']:.0f} kN {high}"
    record = (
        f"{told['clusters']} clusters above {told['threshold_kn']:.0f} kN in {told['observed_days']:.0f} observed days"
    )
    return f"Rare peaks: {level}, {interval}, from {record}: {told['words']}."


def _shares(told: Row | None, basis: str) -> str:
    if told is None:
        return ""
    open_ended = f" Without bounds: {', '.join(told['unbounded'])}." if told["unbounded"] else ""
    if not told["reckoned"]:
        return f"Assumed share: no band: {told['why']}.{open_ended}"
    return (
        f"Assumed share: fatigue of zone {told['zone']} ({basis}) would be {life(told['at_share_low'])} at its least "
        f"and {life(told['at_share_high'])} at its largest, against {life(told['at_share'])} at the registered one "
        f"({told['from']}; the entries hold {life(told['posted'])}); {told['words']}.{open_ended}"
    )


def _span(channel: Row) -> str:
    if channel["from_at"] is None:
        return "-"
    return f"{channel['from_at'][:16].replace('T', ' ')} to {channel['to_at'][:16].replace('T', ' ')}"
