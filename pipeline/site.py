"""Open a site folder: its registers, specs, layouts and policy, checked against each other, and its paths.

Everything that a run reads from the registers is read once, as bytes; `site_from_archive` makes the same Site
from the same bytes later, so that an archived run can be recomputed exactly.
"""

from __future__ import annotations

import importlib.resources
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar
from zoneinfo import ZoneInfo

from pydantic import BaseModel

from pipeline.crosschecks import Tables, check_layout, check_tables, one_each, zone_named
from pipeline.errors import RegisterError, StoreError, nearest
from pipeline.registers import Row, read_document, read_register
from pipeline.store.depot import Depot
from schemas.registers import (
    Calibration,
    Channel,
    Layout,
    Line,
    Policy,
    Rigging,
    Service,
    Ship,
    SiteConfig,
    SiteInfo,
    Spec,
    StrengthTest,
    Winch,
    Withdrawn,
)

REGISTERS: Mapping[str, type[BaseModel]] = MappingProxyType(
    {
        "channels.csv": Channel,
        "calibrations.csv": Calibration,
        "ships.csv": Ship,
        "lines.csv": Line,
        "rigging.csv": Rigging,
        "winches.csv": Winch,
        "services.csv": Service,
        "strength_tests.csv": StrengthTest,
        "withdrawn.csv": Withdrawn,
    }
)
NEEDED = ("channels.csv", "ships.csv", "lines.csv", "rigging.csv")
BUILT_IN = "layouts/built-in/"
LOCK = "run.lock"
M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True)
class Site:
    """One berth or ship. `riggings` and `calibrations` are in order of `from_us`.

    `archive` holds the exact bytes, by path relative to the site folder, of everything read.
    """

    root: Path
    info: SiteInfo
    zone: ZoneInfo
    policy: Policy
    channels: Mapping[str, Channel]
    calibrations: tuple[Calibration, ...]
    ships: Mapping[str, Ship]
    lines: Mapping[str, Line]
    riggings: tuple[Rigging, ...]
    winches: tuple[Winch, ...]
    services: tuple[Service, ...]
    strength_tests: tuple[StrengthTest, ...]
    withdrawn: Mapping[str, str]
    specs: Mapping[str, Spec]
    layouts: Mapping[str, Layout]
    archive: Mapping[str, bytes]

    @property
    def inbox(self) -> Path:
        return self.root / "inbox"

    @property
    def depot(self) -> Depot:
        """Everything that `rebuild` and `audit` need: the folder, or the object store that the register names."""
        return Depot(self.root, self.info.store)

    @property
    def raw(self) -> Depot:
        return self.depot.below("raw")

    @property
    def store(self) -> Depot:
        return self.depot.below("store")

    @property
    def manifests(self) -> Path:
        return self.root / "manifests"

    @property
    def ledger(self) -> Path:
        return self.root / "ledger.duckdb"

    @property
    def published(self) -> Path:
        return self.root / "published"

    @property
    def quarantine(self) -> Depot:
        return self.depot.below("quarantine")

    @property
    def pages(self) -> Path:
        return self.root / "pages"

    @property
    def lock(self) -> Path:
        return self.root / LOCK

    def spec_of(self, line: str) -> Spec:
        """The spec of a registered line."""
        return self.specs[self.lines[line].spec]

    def break_force_kn(self, line: str) -> float:
        """The line's own certified break force where its register row gives one, else its spec's [kN]."""
        own = self.lines[line].break_force_kn
        return own if own is not None else self.spec_of(line).break_force_kn

    def design_mbl_kn(self, line: str) -> float | None:
        """Ship design MBL of the line's ship [kN]; None where it is unknown."""
        return self.ships[self.lines[line].ship].design_mbl_kn

    def calibrations_of(self, channel: str) -> tuple[Calibration, ...]:
        """The channel's calibrations in order of `from_us`; before the first, readings stand as they are."""
        return tuple(row for row in self.calibrations if row.channel == channel)

    def brake_setting(self, place: str, at_us: int) -> Winch | None:
        """The newest setting of the place's brake that was made at or before `at_us`, if there is one."""
        made = [
            (-1 if row.set_on_us is None else 0, row.set_on_us or 0, row)
            for row in self.winches
            if row.place == place and (row.set_on_us is None or row.set_on_us <= at_us)
        ]
        return max(made, key=lambda item: item[:2])[2] if made else None


def open_site(root: Path) -> Site:
    """Read and check a site folder. RegisterError names file, row, nearest name; StoreError: unreadable."""
    odd = sorted(set(str(root.resolve())) & set("?*["))
    if odd:
        raise RegisterError(
            "the ledger's database takes these characters in a path for patterns",
            file=root,
            found=" ".join(odd),
            next_step="rename the folder, or one above it",
        )
    try:
        return site_from_archive(_read_folder(root), root)
    except OSError as error:
        raise StoreError(
            f"cannot read the site: {error.strerror}", file=error.filename, next_step="check its permissions"
        ) from error


def site_from_archive(archive: Mapping[str, bytes], root: Path) -> Site:
    """The site that these bytes say (keys: path relative to the folder), checked just as a folder is."""
    config = read_document("site.toml", _bytes(archive, "site.toml"), SiteConfig)
    zone = zone_named(config.site.timezone, file="site.toml", key="timezone")
    specs = one_each("id", _documents(archive, "specs/", Spec), lambda spec: spec.id)
    layout_files = _documents(archive, "layouts/", Layout)
    layouts = one_each("name", layout_files, lambda layout: layout.name)
    tables = Tables(
        channels=_rows(archive, "channels.csv", Channel),
        calibrations=_rows(archive, "calibrations.csv", Calibration),
        ships=_rows(archive, "ships.csv", Ship),
        lines=_rows(archive, "lines.csv", Line),
        riggings=_rows(archive, "rigging.csv", Rigging),
        winches=_rows(archive, "winches.csv", Winch),
        services=_rows(archive, "services.csv", Service),
        strength_tests=_rows(archive, "strength_tests.csv", StrengthTest),
        withdrawn=_rows(archive, "withdrawn.csv", Withdrawn),
    )
    check_tables(tables, specs)
    channels = {row.channel: row for row in _values(tables.channels)}
    for file, layout in layout_files.items():
        check_layout(file, layout, channels, built_in=file.startswith(BUILT_IN))
    return Site(
        root=root,
        info=config.site,
        zone=zone,
        policy=config.policy,
        channels=channels,
        calibrations=tuple(sorted(_values(tables.calibrations), key=lambda row: (row.from_us, row.channel))),
        ships={row.ship: row for row in _values(tables.ships)},
        lines={row.line: row for row in _values(tables.lines)},
        riggings=tuple(sorted(_values(tables.riggings), key=lambda row: (row.from_us, row.line))),
        winches=tuple(_values(tables.winches)),
        services=tuple(sorted(_values(tables.services), key=lambda row: (row.at_us, row.line))),
        strength_tests=tuple(_values(tables.strength_tests)),
        withdrawn={row.sha256: row.reason for row in _values(tables.withdrawn)},
        specs=specs,
        layouts=layouts,
        archive=dict(archive),
    )


def _rows(archive: Mapping[str, bytes], file: str, model: type[M]) -> list[Row[M]]:
    if file not in archive and file not in NEEDED:
        return []
    return read_register(file, _bytes(archive, file), model)


def _bytes(archive: Mapping[str, bytes], file: str) -> bytes:
    data = archive.get(file)
    if data is None:
        raise RegisterError(
            "missing from the site folder",
            file=file,
            expected="a folder made by `tautlog new`",
            next_step="check the folder's name, or scaffold a new one with `tautlog new SITE`",
        )
    return data


def _documents(archive: Mapping[str, bytes], folder: str, model: type[M]) -> dict[str, M]:
    files = sorted(file for file in archive if file.startswith(folder) and file.endswith(".toml"))
    return {file: read_document(file, archive[file], model) for file in files}


def _values(rows: Sequence[Row[M]]) -> list[M]:
    return [row.value for row in rows]


def _read_folder(root: Path) -> dict[str, bytes]:
    if not (root / "site.toml").is_file():
        raise RegisterError(
            "not a site folder: it has no site.toml",
            file=root,
            next_step="check the folder's name, or scaffold a new one with `tautlog new SITE`",
        )
    _no_misspelt_register(root)
    paths = [root / "site.toml", *(root / file for file in REGISTERS if (root / file).exists())]
    for folder in ("specs", "layouts"):
        paths += sorted(path for path in (root / folder).glob("*.toml") if not path.name.startswith("."))
    archive = {path.relative_to(root).as_posix(): path.read_bytes() for path in paths}
    shipped = importlib.resources.files("schemas") / "layouts"
    for entry in sorted(shipped.iterdir(), key=lambda entry: entry.name):
        if entry.name.endswith(".toml"):
            archive[BUILT_IN + entry.name] = entry.read_bytes()
    return archive


def _no_misspelt_register(root: Path) -> None:
    # An optional register under a wrong name would be left out without a word.
    absent = [file for file in REGISTERS if not (root / file).exists()]
    for path in sorted(root.glob("*.csv")):
        near = nearest(path.name, absent)
        if path.name not in REGISTERS and near is not None:
            raise RegisterError(
                "no register has this name", file=path.name, next_step=f"rename it to {near}, or move it away"
            )
