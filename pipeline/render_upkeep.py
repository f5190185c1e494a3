"""Answers of the upkeep commands as text for people, made from the very objects that `--json` prints."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.render_service import served
from pipeline.text import join, life, table

Row = Mapping[str, Any]
MOST_LINES = 15
"""How many lines of a group the text shows; `--json` holds them all."""


def fleet_text(answer: Row) -> str:
    """What needs looking at first: sites, then lines group by group, then findings and silent channels."""
    unreadable = [[site["site"], site["error"]] for site in answer["unreadable"]]
    overdue = [[site["site"], site["run_at"], site["advice"]] for site in answer["overdue"]]
    silent = [
        [found["site"], found["channel"] or "the whole site", f"{found['text']}; {found['advice']}"]
        for found in answer["silent"]
    ]
    return join(
        f"{len(answer['sites'])} sites read, {len(unreadable)} not",
        _told("Cannot be read:", ["site", "why, and what to do"], unreadable),
        _told("No run for long:", ["site", "last run", "what to do"], overdue),
        *(_group(group) for group in answer["lines"] if group["lines"]),
        _told("Silent:", ["site", "channel", "since when, and what to do"], silent),
        _findings(answer),
        f"Left out, being backups: {', '.join(answer['backups'])}" if answer["backups"] else "",
        "In no figure: " + ", ".join(answer["not_modelled"]) + ".",
        answer["caution"],
    )


def _group(group: Row) -> str:
    rows = [
        [
            line["site"],
            line["line"],
            line["part"],
            line["zone"] or "-",
            "unknown" if line["opening"] == "unknown" else life(line["opening"]["life"]),
            life(line["consumed"]),
            life(line["pending"]),
            "-" if line["factor"] == 1 else f"{line['factor']:g}",
            served(line["service"]),
            ": ".join(filter(None, (line["advice_list"][0]["do"], line["advice_list"][0]["because"]))),
        ]
        for line in group["lines"][:MOST_LINES]
    ]
    more = len(group["lines"]) - len(rows)
    return join(
        f"{group['basis'].capitalize()}: {group['means']}",
        table(
            [
                "site",
                "line",
                "part",
                "zone",
                "opening",
                "consumed",
                "pending",
                "factor",
                "calls/h/years",
                "first of all",
            ],
            rows,
        ),
        f"and {more} more; all with --json" if more else "",
    )


def _findings(answer: Row) -> str:
    counts = ", ".join(f"{count} {severity}" for severity, count in answer["findings"].items())
    rows = [
        [site["site"], *(str(site["findings"][severity]) for severity in answer["findings"])]
        for site in answer["sites"]
        if any(site["findings"].values())
    ]
    if not rows:
        return "No findings stand."
    head = ["site", *answer["findings"]]
    return join(f"Open findings: {counts}; see `tautlog findings SITE`", table(head, rows))


def _told(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    return join(title, table(head, rows)) if rows else ""


def backup_text(answer: Row) -> str:
    """What a backup copied, and up to which run it is good."""
    return join(
        f"{answer['dest']} is good up to run {answer['run']} ({answer['run_id']})",
        f"manifest {answer['manifest_sha256']}",
        f"{answer['copied']} files copied and verified, {answer['bytes']} bytes; {answer['already']} were there",
        "\n".join(f"note: {note}" for note in answer["notes"]),
        "Keep that manifest's SHA-256 in a third place: it proves that no run before it was changed.",
    )


def restore_text(answer: Row) -> str:
    """What a restore made."""
    return join(
        f"{answer['site']} is made anew up to run {answer['run']} ({answer['run_id']}): {answer['copied']} files, "
        f"{answer['bytes']} bytes, each verified",
        f"Run `tautlog audit {answer['site']}` before anything rests on it.",
    )


def tidy_text(answer: Row) -> str:
    """What goes or went, how many bytes, and where it is recorded."""
    kinds = [[kind, str(found["files"]), str(found["bytes"])] for kind, found in answer["kinds"].items()]
    done = answer["run_id"] is not None
    if not kinds and not answer["finished"]:
        return f"Nothing was superseded before {answer['superseded_before']}; nothing goes."
    return join(
        f"{'Taken away' if done else 'Would go'}, superseded before {answer['superseded_before']}:" if kinds else "",
        table(["what", "files", "bytes"], kinds) if kinds else "",
        f"{answer['finished']} files that an earlier tidy had recorded and not taken away are gone now"
        if answer["finished"]
        else "",
        f"Recorded by run {answer['run_id']}." if done else "",
        "" if done or answer["finished"] else "Nothing was touched; repeat it with --yes.",
        "Raw files, samples and manifests stay; every figure can still be made again from them.",
    )
