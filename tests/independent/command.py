"""The real command line, run as a user runs it: in a process of its own, answers read from its JSON.

The processes are forked from one that has the program loaded (`serve.py`), so that only the first waits for it. Times
come back as microseconds and figures as Decimal, so that nothing is lost on the way.
"""

import atexit
import functools
import json
import socket
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Context, Decimal
from pathlib import Path
from typing import Any

from tests.independent.reference_times import parse_rfc3339

WIDE = Context(prec=80)  # the default would round a posting's thirty decimals away
REPOSITORY = Path(__file__).resolve().parents[2]
OWN_WORDS = ("event", "run", "sheet", "source", "file", "sha", "entry", "supersede", "status", "posted")


def figure(value: Any) -> Decimal:
    """A JSON figure, number or string, exactly as printed."""
    return Decimal(str(value))


def at_us(value: Any) -> int:
    """Microseconds of a JSON instant."""
    found = parse_rfc3339(str(value))
    assert found is not None, f"{value!r} is not RFC 3339"
    return found


@dataclass(frozen=True)
class Ended:
    """What a command ended with."""

    code: int
    out: str
    err: str


def started(*words: str) -> Ended:
    """Run `tautlog WORDS…` in a process that loads the program itself."""
    command = [sys.executable, "-m", "pipeline.cli", *words]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, check=False)
    return Ended(done.returncode, done.stdout, done.stderr)


def forked(*words: str) -> Ended:
    """Run `tautlog WORDS…` in a process that has it loaded already."""
    with (
        tempfile.NamedTemporaryFile("r") as out,
        tempfile.NamedTemporaryFile("r") as err,
        socket.socket(socket.AF_UNIX) as asking,
    ):
        asking.connect(_server())
        asking.sendall(json.dumps({"words": words, "out": out.name, "err": err.name}).encode() + b"\n")
        with asking.makefile() as answer:
            code = answer.readline()
        assert code, "the server of commands is gone; run `python tests/independent/serve.py 0` to see why"
        return Ended(int(code), out.read(), err.read())


@functools.cache
def _server() -> str:
    """Where the process that has the program loaded is asked; it is started once, and ends with this one."""
    folder = tempfile.TemporaryDirectory(prefix="tautlog-serve-")
    path = f"{folder.name}/s"
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(path)
        listening.listen()
        server = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("serve.py")), str(listening.fileno())],
            cwd=REPOSITORY, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, pass_fds=[listening.fileno()],
        )  # fmt: skip

    def end() -> None:
        server.communicate()
        folder.cleanup()

    atexit.register(end)
    return path


@dataclass
class Tautlog:
    """A site folder and the command on it."""

    root: Path

    def run(self, command: str, *args: str, exits: Sequence[int] = (0, 1)) -> Any:
        """Run one command with --json; its exit code must be one of `exits`; its JSON must be version 1."""
        words = (command, str(self.root), *args, "--json")
        done = forked(*words)
        shown = f"{' '.join(words)}\nexit {done.code}\n{done.err[-3000:]}\n{done.out[-500:]}"
        assert done.code in exits, shown
        answer = json.loads(done.out, parse_float=Decimal)
        assert answer["version"] == 1, shown
        return answer

    def nightly(self, through: date) -> Any:
        return self.run("nightly", "--no-pages", "--through", through.isoformat())


@dataclass
class Live:
    """Everything a site answers, without ids, runs and source files."""

    statements: dict[str, Any] = field(default_factory=dict)
    cycles: dict[str, list[tuple[Decimal, Decimal]]] = field(default_factory=dict)
    residue: dict[str, list[Decimal]] = field(default_factory=dict)
    listed: dict[str, list[dict[str, Any]]] = field(default_factory=dict)  # cycles as the command lists them
    events: list[dict[str, Any]] = field(default_factory=list)


def entries_by_day(statement: Any) -> dict[tuple[str, str, str], Decimal]:
    """Net life by (zone, day, mechanism); nothing where it is zero."""
    net: dict[tuple[str, str, str], Decimal] = {}
    for entry in statement["entries"]:
        key = (entry["zone"], str(entry["day"]), entry["mechanism"])
        net[key] = WIDE.add(net.get(key, Decimal(0)), figure(entry["life"]))
    return {key: life for key, life in net.items() if life}


def live_statement(statement: Any) -> dict[str, Any]:
    """What must not depend on how the logs came."""
    return {
        "consumed": statement["consumed"],
        "pending": statement["pending"],
        "coverage": {key: statement["coverage"][key] for key in ("rigged_s", "observed_s")},
        "entries": entries_by_day(statement),
    }


def live_event(event: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in event.items() if not key.startswith(OWN_WORDS)}


def ask(site: Tautlog, lines: Sequence[str], first: date, last: date, counted: Sequence[str] | None = None) -> Live:
    """Statements, cycles (of `counted` lines, all days to `last`) and events, two commands at a time."""
    live = Live()
    span = ("--from", first.isoformat(), "--to", (last + timedelta(days=1)).isoformat())
    wanted = lines if counted is None else counted
    with ThreadPoolExecutor(2) as pool:
        statements = {line: pool.submit(site.run, "statement", line) for line in lines}
        cycles = {line: pool.submit(site.run, "cycles", line, *span) for line in wanted}
        events = pool.submit(site.run, "events")
        for line, statement in statements.items():
            live.statements[line] = live_statement(statement.result())
        for line, answer in cycles.items():
            found = answer.result()
            pairs = ((figure(c["range_kn"]), figure(c["mean_kn"])) for c in found["cycles"])
            live.cycles[line] = sorted(pairs)
            live.listed[line] = found["cycles"]
            live.residue[line] = sorted(figure(point["kn"]) for point in found["residue"])
        live.events = sorted((live_event(e) for e in events.result()["events"]), key=repr)
    return live


def live_rows(site: Tautlog) -> dict[str, Any]:
    """Consumed, pending and coverage of every line, as `status` has them."""
    rows = site.run("status")["lines"]
    return {row["line"]: (row["consumed"], row["pending"], row["coverage"]) for row in rows}


def receipt_counts(receipt: Any) -> Counter[str]:
    """The counts of a receipt, zeros left out."""
    names = (
        "lines",
        "header",
        "blank",
        "ignored",
        "stored",
        "duplicate",
        "quarantined",
        "cells_quarantined",
    )
    return +Counter({name: int(receipt[name]) for name in names})
