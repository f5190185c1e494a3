"""Progress of a run on stderr: a live line for a person at a terminal, one JSON line a stage for a machine."""

import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, Protocol

Facts = dict[str, Any]


class Watch(Protocol):
    """What a run tells about itself: each stage, how long it took, and what it counted."""

    def stage(self, name: str) -> "StageContext": ...


class StageContext(Protocol):
    """A stage under way; counts go into the mapping it gives."""

    def __enter__(self) -> Facts: ...

    def __exit__(self, *exc: object) -> bool | None: ...


class Silent:
    """Tells nobody."""

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        yield {}


class JsonLines:
    """One structured line a stage."""

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        facts: Facts = {}
        began = time.perf_counter()
        outcome = "failed"
        try:
            yield facts
            outcome = "done"
        finally:
            line = {
                "at": datetime.now(UTC).isoformat(timespec="milliseconds"),
                "stage": name,
                "outcome": outcome,
                "seconds": round(time.perf_counter() - began, 3),
                **facts,
            }
            print(json.dumps(line), file=sys.stderr, flush=True)


class Terminal:
    """A spinner while a stage runs, then one line of what it did."""

    def __init__(self) -> None:
        from rich.console import Console

        self._console = Console(stderr=True)

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        facts: Facts = {}
        began = time.perf_counter()
        with self._console.status(f"{name} …"):
            yield facts
        counts = "  ".join(f"{key} {value}" for key, value in facts.items())
        self._console.print(f"  {name:<10} {time.perf_counter() - began:6.2f} s  {counts}", highlight=False)


def watch_stderr() -> Watch:
    """The watch that suits where stderr goes."""
    return Terminal() if sys.stderr.isatty() else JsonLines()
