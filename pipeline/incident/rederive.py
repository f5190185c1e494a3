"""Every figure of an incident file reckoned again, from its raw copies, registers, specs, policy and layouts alone."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.errors import DataError, RegisterError, nearest
from pipeline.incident import make_incident
from pipeline.incident.evidence import MADE_WITH, RAW, RECORD, REGISTERS, VIEWS, versions, write_views
from pipeline.incident.record import VERSION, Asked, Incident, as_json
from pipeline.incident.seal import names_in
from pipeline.incident.traced import untraced
from pipeline.ledger.account import last_site
from pipeline.ledger.database import Ledger, open_published
from pipeline.nightly import run_night
from pipeline.site import BUILT_IN, open_site
from pipeline.watch import Watch

LONG_AGO_S = 1_000_000_000
"""Time of writing of scratch copies: long settled, so that the night waits for none of them."""
MOST_TOLD = 200
"""Differences named at most; of the others only how many there are."""
_SHA256 = re.compile(r"[0-9a-f]{64}", re.ASCII)


@dataclass(frozen=True)
class Rederived:
    """What differs, each beginning with the figure's number or the item's name; empty: nothing does. `views_held`:
    whether page, PDF, figures and samples were made again too and held byte for byte; they are not where the record
    differs, nor where it was made by other versions of a program: `other_versions`, as filed and here, by program."""

    differences: list[str]
    views_held: bool
    other_versions: dict[str, dict[str, str | None]]


def rederive(folder: Path, *, workers: str | None, watch: Watch | None) -> Rederived:
    """Reckon an incident file again in a scratch site, and follow every trace of its figures into the folder.

    Raises DataError when the record cannot be read or is of another version, RegisterError when a register of the file
    cannot be used.
    """
    filed, made_with = _json(folder / RECORD), _json(folder / MADE_WITH)
    if filed.get("version") != VERSION:
        raise DataError(
            "another version of tautlog made this incident file, and this one reads another record",
            file=folder / RECORD,
            found=f"version {filed.get('version')}",
            expected=f"version {VERSION}",
            next_step=f"verify it with the program that made-with.json names: {made_with.get('versions')}",
        )
    asked, files, through = _inputs(folder, filed, made_with)
    differences, others = _built_in_differ(folder / REGISTERS), _other_versions(made_with.get("versions"))
    with tempfile.TemporaryDirectory(prefix="tautlog-incident-") as work:
        root = Path(work) / "site"
        _scratch_site(folder, files, root)
        run_night(root, through=through, workers=workers, watch=watch)
        with open_published(root) as ledger:
            again = make_incident(ledger, line=asked.line, at_us=asked.at_us, window_min=asked.window_min)
            differences += compared(filed, json.loads(json.dumps(as_json(again))))
            views_held = not differences and not others
            if not differences:
                differences += untraced(again, last_site(ledger), folder)
            if views_held:
                differences += _views_differ(folder, filed, ledger, again, Path(work) / "views")
    more = len(differences) - MOST_TOLD
    if more > 0:
        differences = [*differences[:MOST_TOLD], f"the record: {more} differences more"]
    return Rederived(differences, views_held, others)


def _other_versions(filed: Any) -> dict[str, dict[str, str | None]]:
    """Programs of which the file was made with another version than that of here."""
    here, there = versions(), filed if isinstance(filed, dict) else {}
    told = {name: {"filed": there.get(name), "here": here.get(name)} for name in sorted({*here, *there})}
    return {name: both for name, both in told.items() if both["filed"] != both["here"]}


def _views_differ(
    folder: Path, filed: Mapping[str, Any], ledger: Ledger, incident: Incident, made: Path
) -> Iterator[str]:
    """Page, PDF, figures and samples made again of a record that agrees: by the same programs they are the same bytes.

    By others they may not be, and are not held against one another; the record is, whatever made it.
    """
    made.mkdir()
    shutil.copyfile(folder / MADE_WITH, made / MADE_WITH)
    archive = tuple((str(name), str(sha256)) for name, sha256 in filed["evidence"]["archive"])
    as_filed = replace(incident, evidence=replace(incident.evidence, archive=archive))
    write_views(made, ledger, last_site(ledger), as_filed)
    ours, theirs = ({name for name in names_in(where) if name.split("/")[0] in VIEWS} for where in (made, folder))
    for name in sorted(ours | theirs):
        if name not in ours or name not in theirs:
            yield f"{name}: only {'made again' if name in ours else 'filed'}"
        elif (made / name).read_bytes() != (folder / name).read_bytes():
            yield f"{name}: not what the same programs make of the record"


def _inputs(
    folder: Path, filed: Mapping[str, Any], made_with: Mapping[str, Any]
) -> tuple[Asked, list[tuple[str, str]], date | None]:
    """What was asked, the raw files as (SHA-256, name), and the day posted through. DataError: not what is filed.

    Whoever made the folder may have written anything: no name may lead out of it.
    """
    try:
        found = filed["asked"]
        asked = Asked(str(found["site"]), str(found["line"]), int(found["at_us"]), float(found["window_min"]))
        files = [(str(file["sha256"]), str(file["file"])) for file in filed["evidence"]["raw_files"]]
        text = made_with["posted_through"]
        through = None if text is None else date.fromisoformat(text)
    except (KeyError, TypeError, ValueError) as error:
        raise DataError(f"not a record: {error!r}", file=folder / RECORD) from error
    for sha256, name in files:
        if _SHA256.fullmatch(sha256) is None or Path(name).name != name or name in ("", ".", ".."):
            raise DataError("a raw file's name is no file name", file=folder / RECORD, found=repr((sha256, name)))
    return asked, files, through


def _json(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise DataError(f"cannot be read: {error}", file=path) from error
    if not isinstance(found, dict):
        raise DataError("not a record", file=path)
    return found


def _scratch_site(folder: Path, files: list[tuple[str, str]], root: Path) -> None:
    """A site of the folder's registers, with the raw copies in its inbox under the names they were delivered by."""
    shutil.copytree(folder / REGISTERS, root)
    shutil.rmtree(root / BUILT_IN, ignore_errors=True)
    (root / "site.toml").write_bytes(without_store((root / "site.toml").read_bytes()))
    # A folder for each: two raw files may have come under one name.
    for i, (sha256, name) in enumerate(files):
        to = root / "inbox" / f"{i:05d}" / name
        to.parent.mkdir(parents=True)
        shutil.copyfile(folder / RAW / sha256, to)
        os.utime(to, (LONG_AGO_S, LONG_AGO_S))
    open_site(root)


def without_store(site_toml: bytes) -> bytes:
    """The site's own document without the object store that it may name: a scratch site must touch none.

    RegisterError: the key stands there in a way that cannot be taken out line by line.
    """
    keys = tomllib.loads(site_toml.decode("utf-8-sig"))
    if "store" not in keys.get("site", {}):
        return site_toml
    text = re.sub(r"(?m)^[ \t]*store[ \t]*=.*$\n?", "", site_toml.decode("utf-8-sig"))
    keys["site"].pop("store")
    if tomllib.loads(text) != keys:
        raise RegisterError("the key `store` cannot be taken out for a scratch site", file="site.toml")
    return text.encode()


def _built_in_differ(registers: Path) -> list[str]:
    """Layouts that ship with the program are read from the program: say so where they are others than those filed."""
    from importlib.resources import files

    shipped = files("schemas") / "layouts"
    found = []
    for path in sorted((registers / BUILT_IN).glob("*.toml")):
        ours = shipped / path.name
        if not ours.is_file() or ours.read_bytes() != path.read_bytes():
            found.append(f"{BUILT_IN}{path.name}: this program ships another layout of that name")
    return found


def compared(filed: Any, again: Any) -> Iterator[str]:
    """What differs between a record as filed and as made again: figures by number, all else by where it stands.

    Exact: numbers to the last bit. The archived site.toml is left out, of which the scratch site may lack one line.
    """
    yield from _differ(filed, again, "")


def _differ(filed: Any, again: Any, where: str) -> Iterator[str]:
    if isinstance(filed, dict) and isinstance(again, dict):
        if "number" in filed and "how" in filed:
            where = f"figure {filed['number']} ({filed.get('what')})"
        elif "number" in filed:
            where = str(filed["number"])
        for key in [*filed, *(key for key in again if key not in filed)]:
            if key not in filed or key not in again:
                near = nearest(key, again if key in filed else filed)
                yield f"{_at(where, key)}: only {'filed' if key in filed else 'made again'}" + (
                    f" (the other has {near})" if near else ""
                )
            else:
                yield from _differ(filed[key], again[key], _at(where, key))
    elif isinstance(filed, list) and isinstance(again, list):
        if where.endswith("archive"):
            filed, again = ([row for row in rows if row[0] != "site.toml"] for rows in (filed, again))
        if len(filed) != len(again):
            yield f"{where}: {len(filed)} filed, {len(again)} made again"
        for i, (one, other) in enumerate(zip(filed, again, strict=False)):
            yield from _differ(one, other, f"{where}[{i}]")
    elif type(filed) is not type(again) or filed != again:
        yield f"{where}: {_short(filed)} filed, {_short(again)} made again"


def _at(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key


def _short(found: Any) -> str:
    text = json.dumps(found, ensure_ascii=False)
    return text if len(text) <= 120 else f"{text[:117]}..."
