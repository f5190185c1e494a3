"""What a run tells the outside: its log, and where it was asked to, metrics and lineage; also when it fails.

A command wraps its run in `told`. Metrics, lineage or pages that cannot be written never stop a night, nor hide its
own error: after a good night they are an error themselves (exit 74, everything committed), after a failed one a note.
"""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import TautlogError, exit_code_of, words_of
from pipeline.lastnight import site_id
from pipeline.watch import JsonLines, Recording, Terminal, watch_stderr

if TYPE_CHECKING:
    from pipeline.lineage import Lineage
    from pipeline.nightly import Night


@dataclass
class Telling:
    """`watch` is for the run to tell its stages; the run's end is told with `done`."""

    watch: Recording
    night: Night | None = None
    exit_code: int = 0
    refused: TautlogError | None = None

    def done(self, night: Night, exit_code: int) -> None:
        """The run came to its end; `exit_code` is what the command will end with."""
        self.night, self.exit_code = night, exit_code

    def refuse(self, error: TautlogError) -> None:
        """What came after the night's end failed: an error of the command, though all of the night stands."""
        self.refused = error


@contextmanager
def told(
    what: str,
    site: Path,
    options: Mapping[str, object],
    *,
    log: str = "auto",
    metrics: Path | None = None,
    lineage: Path | None = None,
) -> Iterator[Telling]:
    """Tell of the run in this block (`what`: nightly or ingest) on a site folder.

    `log`: as of `watch_stderr`. `metrics`: text file, or folder of such. `lineage`: file to append events to. Errors
    of the run pass through; with `log` json, which must be JSON to its last line, as SystemExit with their exit code.
    """
    began_us = time.time_ns() // 1000
    out = _Outlets(what, site, began_us, watch_stderr(log, site_id(site)), metrics, lineage)
    out.begin({**options, "metrics": metrics, "lineage": lineage})
    telling = Telling(Recording(out.log, out.start))
    try:
        yield telling
        out.finish(telling)
    except BaseException as error:
        code = out.fail(telling, error)
        if log == "json":
            raise SystemExit(code) from error
        raise


class _Outlets:
    """Where a run is told to."""

    def __init__(
        self,
        what: str,
        site: Path,
        began_us: int,
        log: Terminal | JsonLines,
        metrics: Path | None,
        lineage: Path | None,
    ) -> None:
        self.log = log
        self._what, self._site, self._began_us, self._metrics = what, site, began_us, metrics
        self._lineage: Lineage | None = None
        self._refused: TautlogError | None = None
        if lineage is not None:
            from pipeline.lineage import Lineage

            self._lineage = Lineage(lineage, site, site_id(site), what)

    def begin(self, options: Mapping[str, object]) -> None:
        if isinstance(self.log, JsonLines):
            given = {name: str(value) for name, value in options.items() if value is not None}
            program = f"tautlog {version('tautlog')}"
            self.log.begins({"begins": self._what, "program": program, "folder": str(self._site), "options": given})

    def start(self, run_id: str) -> None:
        """The run has its id."""
        if self._lineage is not None:
            lineage = self._lineage
            self._try(lambda: lineage.start(run_id))

    def finish(self, telling: Telling) -> None:
        """The run came to its end. Raises what metrics or lineage were refused with."""
        night = telling.night
        if self._lineage is not None and night is not None:
            lineage = self._lineage
            self._try(lambda: lineage.complete(night))
        self._refused = self._refused or telling.refused
        self._write_metrics(telling, telling.exit_code if self._refused is None else self._refused.exit_code)
        if self._refused is not None:
            raise self._refused
        self._end({"outcome": "done" if telling.exit_code == 0 else "findings"}, telling.exit_code)

    def fail(self, telling: Telling, error: BaseException) -> int:
        """The run failed, or what it was to tell; returns the exit code."""
        code = exit_code_of(error)
        if error is not self._refused:
            if self._lineage is not None:
                lineage = self._lineage
                self._try(lambda: lineage.fail(error))
            self._write_metrics(telling, code)
            if self._refused is not None:
                self.log.note(str(self._refused))
        facts: dict[str, Any] = {"outcome": "failed", "message": words_of(error)}
        if code == 70:
            facts["traceback"] = "".join(traceback.format_exception(error))
        self._end(facts, code)
        return code

    def _write_metrics(self, telling: Telling, code: int) -> None:
        if self._metrics is None:
            return
        from pipeline.metrics import Ran, write_metrics

        ran = Ran(self._began_us, time.time_ns() // 1000, code, telling.watch.seconds, telling.night)
        target = self._metrics
        self._try(lambda: write_metrics(self._site, target, ran, note=self.log.note))

    def _end(self, facts: Mapping[str, Any], code: int) -> None:
        if isinstance(self.log, JsonLines):
            seconds = round((time.time_ns() // 1000 - self._began_us) / 1e6, 3)
            level = {0: "info", 1: "warning"}.get(code, "error")
            self.log.ends({"ends": self._what, "exit_code": code, "seconds": seconds, **facts}, level=level)

    def _try(self, tell: Callable[[], object]) -> None:
        """Tell, and keep the first refusal for the end of the run."""
        try:
            tell()
        except TautlogError as error:
            self._refused = self._refused or error
