"""Progress of a run on stderr: a live line for a person at a terminal, one JSON line a stage for a machine."""

import json
import sys
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime
from typing import Any, Protocol

from pipeline.errors import plain

Facts = dict[str, Any]


class Watch(Protocol):
    """What a run tells about itself: each stage, how long it took and what it counted, and notes in between."""

    def name_run(self, run_id: str) -> None:
        """The id that the run will have if it commits."""

    def note(self, text: str) -> None:
        """Something worth knowing that is no finding about the data."""

    def stage(self, name: str) -> AbstractContextManager[Facts]:
        """A stage; what it counts goes into the mapping."""


class Silent:
    """Tells nobody."""

    def name_run(self, run_id: str) -> None:
        pass

    def note(self, text: str) -> None:
        pass

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        yield {}


class JsonLines:
    """One structured line a stage, with the run's id."""

    def __init__(self) -> None:
        self._run_id: str | None = None

    def name_run(self, run_id: str) -> None:
        self._run_id = run_id

    def note(self, text: str) -> None:
        self._line({"note": text})

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        facts: Facts = {}
        began = time.perf_counter()
        outcome = "failed"
        try:
            yield facts
            outcome = "done"
        finally:
            seconds = round(time.perf_counter() - began, 3)
            self._line({"stage": name, "outcome": outcome, "seconds": seconds, **facts})

    def _line(self, what: Facts) -> None:
        at = datetime.now(UTC).isoformat(timespec="milliseconds")
        print(json.dumps({"at": at, "run_id": self._run_id, **what}), file=sys.stderr, flush=True)


class Terminal:
    """A spinner while a stage runs, then one line of what it did."""

    def __init__(self) -> None:
        from rich.console import Console

        self._console = Console(stderr=True, highlight=False, markup=False)

    def name_run(self, run_id: str) -> None:
        pass

    def note(self, text: str) -> None:
        self._console.print(f"  note: {plain(text)}")

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        facts: Facts = {}
        began = time.perf_counter()
        with self._console.status(f"{name} …"):
            yield facts
        counts = "  ".join(f"{key} {value}" for key, value in facts.items())
        self._console.print(f"  {name:<10} {time.perf_counter() - began:6.2f} s  {counts}")


def watch_stderr() -> Watch:
    """The watch that suits where stderr goes."""
    return Terminal() if sys.stderr.isatty() else JsonLines()
