"""Run a night as a process of its own, listened to; and ask a site everything it answers."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from decimal import Decimal
from io import StringIO
from pathlib import Path
from typing import Any

from ops.torture.site import LINES, Eve

CHILD = Path(__file__).with_name("child")
PATIENCE_S = 300.0
"""A night takes some seconds; one that takes so long hangs."""
OWN = {"run", "seq", "entry", "sheets", "basis", "op", "reason", "quarantine_path"}
"""What may differ between two runs to the same end: ids, runs, what a posting was first made from, how it came."""
DONE = (0, 1)
"""Exit codes of a run that did its work: without findings, and with."""
OF_THE_WAY = {"delivered-again", "future-stamp"}
"""Findings about how and when files came."""


class Failed(Exception):
    """A promise was broken."""


@dataclass(frozen=True)
class Ran:
    """What a process ended with. `seconds`: its whole life."""

    code: int
    out: str
    err: str
    seconds: float


@dataclass(frozen=True)
class Hook:
    """What the listener in the night's processes is to do (see `child/sitecustomize.py`)."""

    at: int = 0
    after_s: float = 0.0
    do: str = "kill"
    role: str = "coordinator"
    clock_s: float | None = None


class Night:
    """A running night, in a session of its own; what it writes and does is kept in the folder `notes`."""

    def __init__(
        self, site: Path, eve: Eve, notes: Path, hook: Hook | None = None, *, words: Sequence[str] = (), **popen: Any
    ) -> None:
        self.site, self.notes = site, notes
        shutil.rmtree(notes, ignore_errors=True)
        notes.mkdir(parents=True)
        notes.chmod(0o777)  # the night may run as somebody else
        through = [] if eve.through is None else ["--through", eve.through]
        command = [sys.executable, "-m", "pipeline.cli", "nightly", str(site), "--no-pages", *through, *words]
        self.began_s = time.monotonic()
        with (notes / "out").open("wb") as out, (notes / "err").open("wb") as err:
            self.process = subprocess.Popen(
                command, stdout=out, stderr=err, stdin=subprocess.DEVNULL, start_new_session=True, cwd=notes,
                env=_environment(site, notes, hook), **popen,
            )  # fmt: skip

    @property
    def pid(self) -> int:
        return self.process.pid

    def end(self, patience_s: float = PATIENCE_S) -> Ran:
        """Wait for its end; a night that hangs is a failure."""
        try:
            code = self.process.wait(patience_s)
        except subprocess.TimeoutExpired:
            self.kill(everyone=True)
            self.process.wait()
            raise Failed(f"the night hangs: not ended after {patience_s:.0f} s") from None
        seconds = time.monotonic() - self.began_s
        return Ran(code, (self.notes / "out").read_text(), (self.notes / "err").read_text(), seconds)

    def kill(self, *, everyone: bool) -> None:
        """SIGKILL to the coordinator, or to all its processes at once."""
        try:
            os.killpg(self.pid, signal.SIGKILL) if everyone else os.kill(self.pid, signal.SIGKILL)
        except ProcessLookupError:
            return  # it has ended: the caller sees that by its exit code

    def others(self) -> list[int]:
        """Processes of the night besides its coordinator: whatever else lives in its session."""
        found = []
        for stat in Path("/proc").glob("[0-9]*/stat"):
            try:
                text = stat.read_text()
            except (FileNotFoundError, ProcessLookupError):
                continue  # it ended while we looked
            state, _, _, session = text.rpartition(")")[2].split()[:4]
            if int(session) == self.pid and state != "Z" and int(stat.parent.name) != self.pid:
                found.append(int(stat.parent.name))
        return found

    def gone(self, patience_s: float = 20.0) -> None:
        """Wait until every process of a dead night has ended by itself; a failure when one does not."""
        until = time.monotonic() + patience_s
        while self.others():
            if time.monotonic() > until:
                left = self.others()
                self.kill(everyone=True)
                raise Failed(f"{len(left)} processes outlive their coordinator by {patience_s:.0f} s")
            time.sleep(0.02)

    def trace(self, role: str = "coordinator") -> list[tuple[int, str, str]]:
        """(monotonic ns, event, path below the site) of the processes of a role, in order of time."""
        rows = []
        for log in self.notes.glob(f"{role}.*"):
            for line in log.read_text(errors="replace").splitlines():
                at_ns, event, path = line.split("\t")
                rows.append((int(at_ns), event, path))
        return sorted(rows)


def told(ran: Ran, codes: tuple[int, ...], names: Path | str | None = None) -> int:
    """The exit code, which must be one of these; an error must be one message that names a file and what comes next."""
    if ran.code not in codes:
        raise Failed(f"exits {ran.code}, not {' or '.join(map(str, codes))}: {ran.err.strip()[-800:]}")
    if "Traceback" in ran.err:
        raise Failed(f"exits {ran.code} with a traceback: {ran.err.strip()[-800:]}")
    if ran.code not in DONE:
        last = ran.err.strip().rpartition("\ntautlog: ")[2].removeprefix("tautlog: ")
        for word in ("next: ", *((str(names),) if names is not None else ())):
            if word not in last:
                raise Failed(f"the error does not say {word!r}: {last[-800:]}")
    return ran.code


def _environment(site: Path, notes: Path, hook: Hook | None) -> dict[str, str]:
    environment = {name: text for name, text in os.environ.items() if not name.startswith("TORTURE_")}
    if hook is None:
        return environment
    path = os.pathsep.join(filter(None, (str(CHILD), environment.get("PYTHONPATH"))))
    environment |= {"PYTHONPATH": path, "TORTURE_SITE": str(site), "TORTURE_TRACE": str(notes)}
    environment |= {"TORTURE_AT": str(hook.at), "TORTURE_AFTER_S": str(hook.after_s), "TORTURE_DO": hook.do}
    environment |= {"TORTURE_ROLE": hook.role}
    return environment if hook.clock_s is None else environment | {"TORTURE_CLOCK_S": str(hook.clock_s)}


def tautlog(*words: object) -> Ran:
    """Any command, in this process: what it prints and its exit code are those of the command line."""
    from pipeline.cli import main

    out, err, before, began_s = StringIO(), StringIO(), sys.argv, time.monotonic()
    sys.argv = ["tautlog", *map(str, words)]
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main()
    except SystemExit as ended:
        code = ended.code
    finally:
        sys.argv = before
    if not isinstance(code, int):
        raise Failed(f"{words[0]} ended with {code!r}")
    return Ran(code, out.getvalue(), err.getvalue(), time.monotonic() - began_s)


def ask(site: Path, command: str, *words: object) -> Any:
    """The JSON of an answer; a failure when it does not come."""
    ran = tautlog(command, site, *words, "--json")
    if ran.code != 0:
        raise Failed(f"{command} exits {ran.code}: {ran.err.strip()[-600:]}")
    return json.loads(ran.out, parse_float=Decimal)


def answers(site: Path) -> dict[str, Any]:
    """All that must not depend on what happened on the way: from the command line, and from the published Parquet."""
    listed = {
        "status": [
            (row["line"], row["consumed"], row["pending"], row["coverage"]) for row in ask(site, "status")["lines"]
        ],
        "statements": [_account(ask(site, "statement", line)) for line in LINES],
        "events": _plain(ask(site, "events")["events"]),
        "receipts": _plain(ask(site, "receipts")["receipts"]),
        "findings": _plain(
            {"kind": found["kind"], "subject": found["subject"], "text": found["text"]}
            for found in ask(site, "findings")["findings"]
            if found["kind"] not in OF_THE_WAY
        ),
    }
    return listed | {f"published {name}": _export(site, name) for name in ("entries", "events", "receipts")}


def _account(statement: Mapping[str, Any]) -> dict[str, Any]:
    entries = sorted((e["zone"], e["day"], e["mechanism"], e["life"]) for e in statement["entries"])
    kept = {name: statement[name] for name in ("line", "opening", "consumed", "pending", "coverage", "unposted")}
    return kept | {"entries": entries}


def _plain(rows: Any) -> list[str]:
    """Rows without what is their own, in no order."""
    return sorted(repr(sorted((key, cell) for key, cell in row.items() if key not in OWN)) for row in rows)


def _export(site: Path, table: str) -> list[str]:
    import polars as pl

    rows = pl.read_parquet(site / "published" / "current" / f"live_{table}.parquet").to_dicts()
    return _plain(rows)


def difference(found: Mapping[str, Any], expected: Mapping[str, Any]) -> str:
    """Where two answers differ first, in words; empty when they are equal."""
    for name, value in expected.items():
        if found[name] != value:
            mine, theirs = _items(found[name]), _items(value)
            odd = [f"found {item}" for item in mine if item not in theirs]
            odd += [f"expected {item}" for item in theirs if item not in mine]
            return f"{name} differ: " + "; ".join(text[:400] for text in odd[:4])
    return ""


def _items(value: Sequence[Any]) -> list[str]:
    return [repr(item) for item in value]
