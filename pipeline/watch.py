"""Progress of a run on stderr: a live line for a person at a terminal, JSON lines for a machine."""

import json
import sys
import time
from collections.abc import Callable, Iterator
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
    """JSON lines with the site and the run's id: one as a run begins, one a stage, one a note, one as it ends.

    The first is held back until the run has its id, so that every line can be found by it; a run that ends before
    it has one says null. ops/README.md lists the fields.
    """

    def __init__(self, site: str | None = None) -> None:
        self._site = site
        self._run_id: str | None = None
        self._held: Facts | None = None

    def begins(self, what: Facts) -> None:
        """The first line of a run."""
        self._held = {"at": _now(), "level": "info", **what}

    def ends(self, what: Facts, *, level: str) -> None:
        """The last line of a run."""
        self._line(what, level=level)

    def name_run(self, run_id: str) -> None:
        self._run_id = run_id
        self._release()

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
            level = "info" if outcome == "done" else "error"
            self._line({"stage": name, "outcome": outcome, "seconds": seconds, **facts}, level=level)

    def _line(self, what: Facts, *, level: str = "info") -> None:
        self._release()
        self._print({"at": _now(), "level": level, **what})

    def _release(self) -> None:
        held, self._held = self._held, None
        if held is not None:
            self._print(held)

    def _print(self, line: Facts) -> None:
        named = {"at": line["at"], "level": line["level"], "site": self._site, "run_id": self._run_id}
        print(json.dumps({**named, **line}), file=sys.stderr, flush=True)


class Recording:
    """Passes everything on to another watch, and keeps what metrics and lineage tell of afterwards.

    `seconds` by stage; `run_id` once the run has one. `named` is called with it.
    """

    def __init__(self, onward: Watch, named: Callable[[str], None]) -> None:
        self.seconds: dict[str, float] = {}
        self.run_id: str | None = None
        self._onward = onward
        self._named = named

    def name_run(self, run_id: str) -> None:
        self.run_id = run_id
        self._onward.name_run(run_id)
        self._named(run_id)

    def note(self, text: str) -> None:
        self._onward.note(text)

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        began = time.perf_counter()
        try:
            with self._onward.stage(name) as facts:
                yield facts
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - began


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


def watch_stderr(log: str = "auto", site: str | None = None) -> Terminal | JsonLines:
    """The watch for stderr. `log`: `json`, `text`, or `auto`: text on a terminal, else JSON. `site`: its id."""
    if log == "text" or (log == "auto" and sys.stderr.isatty()):
        return Terminal()
    return JsonLines(site)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
