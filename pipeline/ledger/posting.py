"""What has to be entered so that the live postings say what they now should. Pure: no files, no clock.

Nothing is ever changed: a posting that no longer holds is reversed by an entry of its negated life, and the
new life posted beside it. A life that is equal, to the last digit, is left alone, whatever it now rests on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from pipeline.errors import Bug
from pipeline.ledger.rows import Entry, Key

BASIS_WORDS: Mapping[str, str] = {
    "samples": "late or corrected samples",
    "layout": "layout changed",
    "flags": "quality flags changed",
    "calibration": "calibration changed",
    "rigging": "rigging changed",
    "carried": "open cycles carried from earlier days changed",
    "policy": "policy changed",
    "spec": "spec or break force changed",
    "air": "readings of the air changed",
    "contact": "way over the chock changed",
    "wear": "way of reckoning wear changed",
}
"""What a posting rests on (the keys of its basis), and what a reversal says when that part changed."""

SCALE, LIFE_END = 30, Decimal(10**8)
"""Lives are DECIMAL(38, 30): thirty digits after the point, eight before it."""

POSTED = "posted"
VANISHED = "nothing is left to post for this line, zone and day"
UNEXPLAINED = "the program reckons it differently, on the same basis"


@dataclass(frozen=True, slots=True)
class Desired:
    """What the live posting of one key should say. `basis`: digests by the keys of BASIS_WORDS."""

    life: Decimal
    spec: str
    spec_digest: str
    policy_digest: str
    basis: Mapping[str, str]
    sheets: tuple[str, ...]


def post(desired: Mapping[Key, Desired], live: Mapping[Key, Entry], *, run: int) -> list[Entry]:
    """Entries that turn `live` into `desired`, in order of key, each reversal before its new posting.

    `live` has to be restricted to what `desired` speaks for: a key that is live and not desired is reversed.
    Entry ids are `E<run>-<n>`. Raises Bug for a basis it has no words for,
    or a life that the ledger cannot hold exactly.
    """
    entries: list[Entry] = []
    for key in sorted(desired.keys() | live.keys()):
        wanted, posted = desired.get(key), live.get(key)
        if wanted is not None:
            _check(key, wanted)
        if wanted is not None and posted is not None and wanted.life == posted.life:
            continue
        reason = why(wanted, posted)
        if posted is not None:
            entries.append(_reversal(posted, reason, run, len(entries) + 1))
        if wanted is not None:
            entries.append(_posting(key, wanted, reason, run, len(entries) + 1))
    return entries


def why(wanted: Desired | None, posted: Entry | None) -> str:
    """The reason to enter, in words: which parts of the basis changed."""
    if posted is None:
        return POSTED
    if wanted is None:
        return VANISHED
    changed = [words for part, words in BASIS_WORDS.items() if wanted.basis.get(part) != posted.basis.get(part)]
    return ", ".join(changed) if changed else UNEXPLAINED


def _check(key: Key, wanted: Desired) -> None:
    for part in wanted.basis:
        if part not in BASIS_WORDS:
            raise Bug(f"no words for the basis {part!r}", expected=", ".join(BASIS_WORDS))
    exponent = wanted.life.as_tuple().exponent
    if not isinstance(exponent, int) or exponent < -SCALE or wanted.life < 0 or wanted.life >= LIFE_END:
        # It would come back from the ledger as another number, and be reversed and posted again every night.
        raise Bug(f"life of {key} cannot be posted exactly", found=str(wanted.life))


def _reversal(posted: Entry, reason: str, run: int, number: int) -> Entry:
    return Entry(
        run=run,
        entry=f"E{run}-{number}",
        line=posted.line,
        zone=posted.zone,
        day=posted.day,
        mechanism=posted.mechanism,
        # copy_negate is exact; the unary minus would round to the context's precision.
        life=posted.life.copy_negate(),
        kind="reversal",
        reverses=posted.entry,
        reason=reason,
        spec=posted.spec,
        spec_digest=posted.spec_digest,
        policy_digest=posted.policy_digest,
        basis=posted.basis,
        sheets=posted.sheets,
    )


def _posting(key: Key, wanted: Desired, reason: str, run: int, number: int) -> Entry:
    line, zone, day, mechanism = key
    return Entry(
        run=run,
        entry=f"E{run}-{number}",
        line=line,
        zone=zone,
        day=day,
        mechanism=mechanism,
        life=wanted.life,
        kind="posting",
        reverses=None,
        reason=reason,
        spec=wanted.spec,
        spec_digest=wanted.spec_digest,
        policy_digest=wanted.policy_digest,
        basis=wanted.basis,
        sheets=list(wanted.sheets),
    )
