"""Where in a site's registers, specs and policy that stands on which a figure rests. Pure: of the bytes as archived."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from functools import cached_property
from typing import Any

from pydantic import BaseModel

from pipeline.incident.figure import RegisterRow
from pipeline.registers import Row, read_register
from pipeline.site import REGISTERS, Site
from schemas.registers import Calibration, Rigging, Service, StrengthTest, Winch

Rows = tuple[RegisterRow, ...]


class Registered:
    """Finds rows by what they say, and keys of documents by name."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._rows: dict[str, list[Row[Any]]] = {}

    def rigging(self, row: Rigging) -> Rows:
        return self._row("rigging.csv", row, row.line)

    def riggings(self, line: str, until_us: int) -> Rows:
        """Every rigging of a line that began by an instant."""
        own = [row for row in self._site.riggings if row.line == line and row.from_us <= until_us]
        return tuple(found for row in own for found in self.rigging(row))

    def channel(self, channel: str) -> Rows:
        return self._row("channels.csv", self._site.channels[channel], channel)

    def calibration(self, row: Calibration) -> Rows:
        return self._row("calibrations.csv", row, row.channel)

    def winch(self, row: Winch | None) -> Rows:
        """A setting's row; none for no setting."""
        return () if row is None else self._row("winches.csv", row, row.place)

    def service(self, row: Service) -> Rows:
        return self._row("services.csv", row, row.line)

    def test(self, row: StrengthTest) -> Rows:
        return self._row("strength_tests.csv", row, row.line)

    def line(self, line: str) -> Rows:
        return self._row("lines.csv", self._site.lines[line], line)

    def break_force(self, line: str) -> Rows:
        """The line's own row, and its spec where that tells the force."""
        own = self._site.lines[line].break_force_kn is not None
        return self.line(line) + (() if own else self.spec(line, "break_force_kn"))

    def design_mbl(self, line: str) -> Rows:
        """The ship's row."""
        ship = self._site.lines[line].ship
        return self._row("ships.csv", self._site.ships[ship], ship)

    def limit(self, line: str) -> Rows:
        """What limits of a line are percent of: ship design MBL, or break force where that is unknown."""
        return self.break_force(line) if self._site.design_mbl_kn(line) is None else self.design_mbl(line)

    def spec(self, line: str, *keys: str) -> Rows:
        """Keys of a line's spec; those that it does not have are left out."""
        path, document = self._specs[self._site.lines[line].spec]
        return tuple(RegisterRow(path, None, key) for key in keys if key_in(document, key))

    def policy(self, *names: str) -> Rows:
        """Keys of the policy that `site.toml` gives itself; a default stands in no file."""
        document = tomllib.loads(self._site.archive["site.toml"].decode("utf-8-sig"))
        keys = [f"policy.{name}" for name in names]
        return tuple(RegisterRow("site.toml", None, key) for key in keys if key_in(document, key))

    def _row(self, path: str, value: BaseModel, name: str) -> Rows:
        """The first row of a register that says the same."""
        if path not in self._rows:
            self._rows[path] = read_register(path, self._site.archive[path], REGISTERS[path])
        found = next((row for row in self._rows[path] if row.value == value), None)
        return () if found is None else (RegisterRow(path, found.line_no, name),)

    @cached_property
    def _specs(self) -> dict[str, tuple[str, dict[str, Any]]]:
        return {str(document["id"]).strip(): (path, document) for path, document in self._documents()}

    def _documents(self) -> Iterator[tuple[str, dict[str, Any]]]:
        for path, content in sorted(self._site.archive.items()):
            if path.startswith("specs/") and path.endswith(".toml"):
                yield path, tomllib.loads(content.decode("utf-8-sig"))


def key_in(document: dict[str, Any], dotted: str) -> bool:
    """Whether a document has a key, its tables parted by dots."""
    found: Any = document
    for part in dotted.split("."):
        if not isinstance(found, dict) or part not in found:
            return False
        found = found[part]
    return True
