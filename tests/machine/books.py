"""A site's books, without ids, runs and sheets: what must not depend on how and when things came."""

from collections import Counter
from dataclasses import dataclass, field, fields
from datetime import date
from decimal import Decimal
from typing import Any

Zone = tuple[str, str]
Key = tuple[str, str, date]
Event = dict[str, Any]


@dataclass
class Books:
    """`postings`, `unposted`: life by line, zone, day. `consumed`, `pending`: life by line and zone, nothing where
    it is zero. `coverage`: microseconds rigged and observed by line. `receipts`: lines of each class by SHA-256, of
    files that are not withdrawn. `conflicts`: instants whose readings differ, by channel and day.
    """

    postings: dict[Key, Decimal] = field(default_factory=dict)
    unposted: dict[Key, Decimal] = field(default_factory=dict)
    consumed: dict[Zone, Decimal] = field(default_factory=dict)
    pending: dict[Zone, Decimal] = field(default_factory=dict)
    coverage: dict[str, tuple[int, int]] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    receipts: dict[str, Counter[str]] = field(default_factory=dict)
    conflicts: Counter[tuple[str, date]] = field(default_factory=Counter)


@dataclass
class Cycles:
    """Closed cycles of a line as (zone, range, mean, closed), and its residues [kN] by zone."""

    closed: Counter[tuple[str, float, float, int]]
    residue: dict[str, list[float]]


def rounded(figure: float) -> float:
    """A percentage, which may be reckoned in more than one order, to twelve digits."""
    return float(f"{figure:.12g}")


def differences(got: Books, wanted: Books) -> list[str]:
    """What two books do not agree on, account by account; none where they are equal to the last digit."""
    found: list[str] = []
    for name in (one.name for one in fields(Books)):
        ours, theirs = getattr(got, name), getattr(wanted, name)
        if ours == theirs:
            continue
        if isinstance(ours, dict):
            keys = [key for key in {**ours, **theirs} if ours.get(key) != theirs.get(key)]
            found += [f"{name} {key}: program {ours.get(key)}, model {theirs.get(key)}" for key in keys]
        else:
            found += [f"{name}: program alone has {one}" for one in ours if one not in theirs]
            found += [f"{name}: model alone has {one}" for one in theirs if one not in ours]
            found = found or [f"{name}: program {ours}, model {theirs}"]
    return found
