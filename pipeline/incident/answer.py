"""What the command answers: of a file made, and of one verified; as objects for `--json`, and as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.incident.links import parts_of
from pipeline.incident.record import Incident, figures
from pipeline.incident.view import KEEP_CLEAR
from pipeline.incident.words import sentence
from pipeline.ledger.words import CAUTION
from pipeline.text import join
from schemas.times import us_to_rfc3339

Row = Mapping[str, Any]


def made_answer(incident: Incident, written: Row) -> dict[str, Any]:
    """What was recorded, in short, and where the file lies."""
    part = incident.part_a
    return {
        "line": incident.asked.line,
        "at": us_to_rfc3339(incident.asked.at_us),
        "call": {"ship": incident.call.ship, "from_at": us_to_rfc3339(incident.call.from_us)},
        "loss": part.loss_text,
        "loss_found": part.loss is not None,
        "instant": None if not isinstance(part.instant.value, int) else us_to_rfc3339(part.instant.value),
        "first_to_go": part.first_to_go,
        "first": part.first_text,
        "happenings": len(part.sequence),
        "figures": sum(1 for part in parts_of(incident).values() for _ in figures(part)),
        "doubts": len(part.doubts),
        "strong_doubts": sum(doubt.weight == "strong" for doubt in part.doubts),
        "raw_files": len(incident.evidence.raw_files),
        **written,
        "caution": CAUTION,
    }


def made_text(answer: Row) -> str:
    """What a person reads after a file was made."""
    return join(
        f"{sentence(answer['loss'])} {sentence(answer['first'])}",
        f"{answer['figures']} figures and {answer['happenings']} happenings; {answer['doubts']} things missing or "
        f"doubtful, {answer['strong_doubts']} of which can change what the record says. No cause is named.",
        f"{answer['folder']}: {answer['files']} files, of which {answer['raw_files']} raw files; open incident.html or "
        "incident.pdf, and read READ-ME.txt",
        f"SHA-256 of its manifest, for the custody form: {answer['manifest_sha256']}",
        KEEP_CLEAR,
        answer["caution"],
    )


def verified_text(answer: Row) -> str:
    """What a person reads of a verification."""
    if answer["agrees"]:
        told = (
            f"{answer['folder']} agrees: {answer['files']} files to the last byte, every figure reckoned again, and "
            "every trace followed to what it rests on"
        )
    elif answer["faults"]:
        told = f"{answer['folder']} does not agree with its seal; its figures were not reckoned again"
    else:
        told = f"{answer['folder']}: every byte is as sealed, and yet what is reckoned from them again differs"
    return join(
        told,
        "\n".join([*answer["faults"], *answer["differences"]]),
        _views_text(answer) if answer["rederived"] else "",
        f"beside the seal, not judged: {', '.join(answer['beside'])}" if answer["beside"] else "",
        f"SHA-256 of its manifest: {answer['manifest_sha256']}",
        answer["not_found"],
    )


def _views_text(answer: Row) -> str:
    """Whether what is made of the record was made again and held against the folder, and if not, why."""
    views = "page, PDF, figures.json and samples"
    if answer["views_held"]:
        return f"{views}: made again by the same programs, and held byte for byte"
    if not answer["other_versions"]:
        return f"{views}: not made again, as the record differs; their bytes are as sealed"
    others = ", ".join(
        f"{name} {both['filed'] or 'not named'} (here {both['here'] or 'none'})"
        for name, both in answer["other_versions"].items()
    )
    return (
        f"{views}: NOT made again and held, as other versions made them: {others}. Their bytes are as sealed; that "
        "they show what the record says only those versions can tell"
    )
