"""A finding: something wrong with data, registers, sensors or brakes, with its evidence; never a silent correction."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

GAUGES = "gauges"
"""The scope of what gauges, registers of riggings and calibrations, and clocks show over all days."""


@dataclass(frozen=True)
class Finding:
    """`severity`: info, warning or error. `scope`: what it is about (file:…, layout:… of a file, day:…, inbox, site,
    gauges).

    A scope that is looked at again closes those of its findings that are no longer so.
    """

    kind: str
    subject: str
    severity: str
    text: str
    scope: str
    evidence: Mapping[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """Stable name: the same finding has the same one every night."""
        basis = "\0".join((self.kind, self.subject, self.scope, self.text))
        return "F" + hashlib.sha256(basis.encode()).hexdigest()[:15]
