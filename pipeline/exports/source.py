"""What exports are made from: the published snapshot, the registers of its last run, its answers, each asked once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

from pipeline.ledger.basis import basis_of
from pipeline.ledger.berth import balance_json, episodes_json
from pipeline.ledger.brakes import brakes_json
from pipeline.ledger.database import Ledger
from pipeline.ledger.gathered import Gathered, gather
from pipeline.ledger.service import Call
from pipeline.ledger.status import status_of
from pipeline.site import Site


@dataclass
class Source:
    """An open snapshot. Raises StoreError, when first asked, where no run has committed yet."""

    ledger: Ledger

    @cached_property
    def gathered(self) -> Gathered:
        """Accounts of all lines, and what they rest on."""
        return gather(self.ledger)

    @property
    def site(self) -> Site:
        """The site as the newest run read it."""
        return self.gathered.site

    @cached_property
    def status(self) -> dict[str, Any]:
        """As `tautlog status --json` answers."""
        return status_of(self.gathered)

    @cached_property
    def brakes(self) -> dict[str, Any]:
        """As `tautlog brakes --json` answers."""
        return brakes_json(self.ledger)

    @cached_property
    def episodes(self) -> dict[str, Any]:
        """As `tautlog episodes --json` answers."""
        return episodes_json(self.ledger)

    @cached_property
    def balance(self) -> dict[str, Any]:
        """As `tautlog balance --json` answers."""
        return balance_json(self.ledger)

    @property
    def calls(self) -> list[Call]:
        """Calls that have begun by the horizon."""
        return self.gathered.calls

    @cached_property
    def basis(self) -> dict[str, str]:
        """What figures of each line are called."""
        return {line: basis_of(self.site, line)[0] for line in self.site.lines}
