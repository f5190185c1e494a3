"""What pages read: the published snapshot, asked once for each thing, by the functions that answer `--json` as well.

So a figure on a page is the figure of `tautlog … --json`, to the last digit. Everything is read when it is first asked
for, and kept. Raises StoreError where nothing is published, or it cannot be read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from functools import cached_property
from types import TracebackType
from typing import Any, Self

from pipeline.ledger import index
from pipeline.ledger.berth import balance_json, episodes_json
from pipeline.ledger.brakes import brakes_json
from pipeline.ledger.database import Ledger
from pipeline.ledger.gathered import Gathered, gather
from pipeline.ledger.queries import events_json, findings_json, receipts_json
from pipeline.ledger.statement import statement_of
from pipeline.ledger.status import status_of
from pipeline.site import Site
from pipeline.store.depot import Depot
from schemas.registers import Spec

Answer = dict[str, Any]
Rows = list[dict[str, Any]]


class Snapshot:
    """The published snapshot of one site. Use it in a `with`, which closes the ledger.

    `candidates`: specs of ropes to compare, besides those of the site that no line uses. `events_from_us`: from when on
    events are given pages of their own; None: the last days (`chosen.OWN_DAYS`).
    """

    def __init__(self, ledger: Ledger, candidates: Sequence[Spec] = (), *, events_from_us: int | None = None) -> None:
        self.ledger = ledger
        self.candidates = candidates
        self.events_from_us = events_from_us
        self._statements: dict[str, Answer] = {}
        self._summaries: dict[str, Answer] = {}
        self._explained: dict[str, Answer] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.ledger.con.close()

    @cached_property
    def gathered(self) -> Gathered:
        """Registers, accounts and evidence of all lines."""
        return gather(self.ledger)

    @property
    def site(self) -> Site:
        """Registers, specs and policy of the newest run."""
        return self.gathered.site

    @property
    def store(self) -> Depot:
        """Samples, flags and sheets."""
        return self.site.store

    @property
    def lines(self) -> list[str]:
        """All registered lines, worst first."""
        return [row["line"] for row in self.status["lines"]]

    @property
    def horizon_us(self) -> int | None:
        """Up to when coverage is reckoned: nothing on a page is told by the wall clock."""
        return self.gathered.horizon_us

    @property
    def known_us(self) -> int:
        """Up to when the newest run knew things to have happened."""
        return self.gathered.evidence.known_us

    @property
    def head(self) -> Mapping[str, Any]:
        """`run`, `run_id` and `manifest_sha256` of the newest run."""
        head = self.gathered.head
        assert head is not None  # registers are those of a run
        return head

    @cached_property
    def status(self) -> Answer:
        """`tautlog status`."""
        return status_of(self.gathered)

    def statement(self, line: str) -> Answer:
        """`tautlog statement LINE`, with its live entries."""
        if line not in self._statements:
            self._statements[line] = statement_of(self.ledger, self.gathered, line)
        return self._statements[line]

    def summary(self, line: str) -> Answer:
        """A line's statement without its entries: for pages that show every line."""
        if line not in self._summaries:
            self._summaries[line] = {name: told for name, told in self.statement(line).items() if name != "entries"}
        return self._summaries[line]

    def know(self, summaries: Mapping[str, Answer]) -> None:
        """Take statements without entries that another process asked of the same snapshot."""
        self._summaries |= summaries

    def explain(self, line: str) -> Answer:
        """`tautlog explain LINE`: of the last day reckoned, and the worse zone."""
        from pipeline.tracing.explain import explain_json

        if line not in self._explained:
            self._explained[line] = explain_json(self.ledger, line)
        return self._explained[line]

    @cached_property
    def events(self) -> Rows:
        """`tautlog events`: all live events of all lines, by time."""
        return list(events_json(self.ledger)["events"])

    @cached_property
    def events_by_id(self) -> dict[str, dict[str, Any]]:
        return {event["event"]: event for event in self.events}

    @cached_property
    def episodes(self) -> Rows:
        """`tautlog episodes`, by time."""
        return list(episodes_json(self.ledger)["episodes"])

    @cached_property
    def balance(self) -> Answer:
        """`tautlog balance`: `calls`, newest first."""
        return balance_json(self.ledger)

    @cached_property
    def brakes(self) -> Answer:
        """`tautlog brakes`."""
        return brakes_json(self.ledger)

    @cached_property
    def findings(self) -> Rows:
        """`tautlog findings`: those that stand, in the order they were opened."""
        return list(findings_json(self.ledger)["findings"])

    @cached_property
    def receipts(self) -> Rows:
        """`tautlog receipts`, in the order they came."""
        return list(receipts_json(self.ledger)["receipts"])

    @cached_property
    def zeros(self) -> Answer:
        """`tautlog zeros`."""
        from pipeline.tracing.zeros import zeros_json

        return zeros_json(self.ledger)

    @cached_property
    def sampling(self) -> Answer:
        """`tautlog sampling`: reads stored samples of each tension channel's last full day."""
        from pipeline.tracing.sampling import sampling_json

        return sampling_json(self.ledger, ())

    @cached_property
    def day_facts(self) -> dict[tuple[str, str, date], dict[str, Any]]:
        """What each day of a line's zone counted or saw besides lives: `peak_kn`, `peak_us`, …"""
        return index.day_facts(self.ledger)

    def events_of(self, line: str) -> Rows:
        """Live events of a line, those that it shared as a tail too, by time."""
        return self._by_line.get(line, [])

    @cached_property
    def _by_line(self) -> dict[str, Rows]:
        found: dict[str, Rows] = {}
        for event in self.events:
            for line in _lines_of(event):
                found.setdefault(line, []).append(event)
        return found


def _lines_of(event: Mapping[str, Any]) -> Sequence[str]:
    return [event["line"], *(tail["line"] for tail in event.get("tails", ()))]
