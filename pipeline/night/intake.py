"""What passes between the steps of an ingest: deliveries, live parts, and what the run adds."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.night.finding import Finding
from pipeline.store.samples import Part
from schemas.registers import Layout


def reprocess_cause(reason: str) -> str:
    """How a deliberate rerun stands in the reasons of receipts and entries."""
    return f"reprocess: {reason}"


@dataclass(frozen=True)
class Inbox:
    """A file of the inbox as it was when its bytes were hashed: it may go once they are safe, if it is that still.

    `known`: an earlier run has committed these very bytes.
    """

    path: Path
    size: int
    mtime_ns: int
    known: bool = False


def waiting(inbox: Path) -> list[Path]:
    """Raw files waiting; hidden ones, and those in hidden folders, are somebody's unfinished copies."""
    found = (path for path in inbox.rglob("*") if path.is_file())
    return [path for path in found if not any(part.startswith(".") for part in path.relative_to(inbox).parts)]


@dataclass(frozen=True)
class Delivery:
    """A raw file to be read: where it is, the name it came under, its bytes' digest and count.

    `continues`: SHA-256, or its first 12 digits, of the raw file that this one begins with; empty: of none known.
    """

    path: Path
    name: str
    sha256: str
    size: int
    layout: Layout
    op: str = "new"
    reason: str = ""
    continues: str = ""
    inbox: Inbox | None = None

    @property
    def account(self) -> str:
        """Why it is read, and what it continues, for its receipt."""
        said = [self.reason, f"continues {self.continues[:12]}" if self.continues else ""]
        return "; ".join(text for text in said if text)


class LiveParts:
    """The parts whose readings count, findable by place and day and by raw file."""

    def __init__(self, parts: Iterable[Part]) -> None:
        self._by_day: dict[tuple[str, date], dict[str, Part]] = {}
        self._by_file: dict[str, list[Part]] = {}
        self.add(parts)

    def add(self, parts: Iterable[Part]) -> None:
        for part in parts:
            self._by_day.setdefault((part.place, part.day), {})[part.part] = part
            self._by_file.setdefault(part.sha256, []).append(part)

    def drop_file(self, sha256: str) -> list[Part]:
        """Take out the parts of one raw file."""
        gone = self._by_file.pop(sha256, [])
        for part in gone:
            del self._by_day[part.place, part.day][part.part]
        return gone

    def of(self, place: str, day: date) -> list[Part]:
        """The live parts of a place and day."""
        return list(self._by_day.get((place, day), {}).values())

    def days(self) -> dict[tuple[str, date], list[Part]]:
        """All live parts by place and day."""
        return {key: list(parts.values()) for key, parts in self._by_day.items() if parts}


@dataclass
class Ingested:
    """What an ingest adds: rows for the manifest, findings, and the inbox files that may go once it is committed.

    `settled_by`: findings that are no longer so, by id, and why.
    """

    receipts: list[dict[str, Any]] = field(default_factory=list)
    added: list[Part] = field(default_factory=list)
    dropped: list[tuple[Part, str]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    done_with: list[Inbox] = field(default_factory=list)
    settled_by: dict[str, str] = field(default_factory=dict)

    def drop(self, sha256: str, reason: str, live: LiveParts) -> None:
        """Take the rows of a raw file out."""
        self.dropped += [(part, reason) for part in live.drop_file(sha256)]

    @property
    def causes(self) -> dict[tuple[str, date], str]:
        """Why rows of a place's day are no longer what they were, where it is not just that others came."""
        return {(part.place, part.day): reason for part, reason in self.dropped}

    def forget_findings(self, scope: str) -> None:
        """Take back what was found of a file, because it is read again."""
        self.findings = [finding for finding in self.findings if finding.scope != scope]
