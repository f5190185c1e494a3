"""An incident file: the folder with the record, what it was made from, its page and PDF, and its seal.

The same ledger, line, time and window make the same bytes again by the same programs: nothing in the folder tells a
clock, a machine, a run or an order of runs. It is written as a draft beside its name, and renamed when it is whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pipeline.errors import RegisterError, StoreError
from pipeline.incident.links import parts_of
from pipeline.incident.page import page_html
from pipeline.incident.pdf import pdf_bytes
from pipeline.incident.record import Incident, as_json, figures
from pipeline.incident.seal import names_in, write_seal
from pipeline.incident.view import Made, view
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.night.intake import LiveParts
from pipeline.site import Site
from pipeline.store.extract import extract, together
from pipeline.store.files import cannot_write, digest_of, draft_name
from pipeline.store.samples import store_part
from pipeline.store.sheets import read_flags
from schemas.times import us_to_rfc3339

RECORD, FIGURES, MADE_WITH = "incident.json", "figures.json", "made-with.json"
PAGE, PDF, README = "incident.html", "incident.pdf", "READ-ME.txt"
RAW, REGISTERS, SAMPLES = "raw", "site", "samples"
VIEWS = (RECORD, FIGURES, PAGE, PDF, README, SAMPLES)
"""What is made of the record and the samples: files, and the folder of samples."""
PROGRAMS = ("tautlog", "duckdb", "jinja2", "numba", "numpy", "polars", "pyarrow", "rfc3161-client", "scipy", "typst")
"""Programs whose version may show in a figure or a byte."""


def write_incident(ledger: Ledger, site: Site, incident: Incident, out: Path) -> dict[str, Any]:
    """Write the folder `out`, which may not be there yet, or be empty; returns what was written, and the seal's digest.

    Raises RegisterError when `out` holds anything, StoreError when the disk refuses or an original is not what its
    digest says.
    """
    must_be_free(out)
    draft = out.parent / draft_name(out.name)
    try:
        shutil.rmtree(draft, ignore_errors=True)
        draft.mkdir(parents=True)
        try:
            _fill(draft, ledger, site, incident)
            digest = write_seal(draft)
            names = names_in(draft)
            if out.exists():
                out.rmdir()
            os.rename(draft, out)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as error:
        raise cannot_write(out, error) from error
    return {"folder": str(out), "files": len(names), "manifest_sha256": digest}


def must_be_free(out: Path) -> None:
    """RegisterError unless the folder may be made: it is not there, or empty."""
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise RegisterError(
            "an incident file needs a folder of its own", file=out, next_step="name a new folder, or an empty one"
        )


def _fill(folder: Path, ledger: Ledger, site: Site, incident: Incident) -> None:
    through = index.latest_through(ledger)
    posted = None if through is None else through.isoformat()
    _write_json(folder / MADE_WITH, {"versions": versions(), "posted_through": posted})
    with ThreadPoolExecutor(1) as aside:
        copies = aside.submit(_copy_all, site, incident, folder)
        write_views(folder, ledger, site, incident)
        copies.result()


def _copy_all(site: Site, incident: Incident, folder: Path) -> None:
    for file in incident.evidence.raw_files:
        _copy_raw(site, file.sha256, folder / RAW / file.sha256)
    for name, sha256 in incident.evidence.archive:
        _copy_register(site, name, sha256, folder / REGISTERS / name)


def versions() -> dict[str, str]:
    """Version of each program by which a figure or a byte may be another."""
    return {name: version(name) for name in PROGRAMS}


def write_views(folder: Path, ledger: Ledger, site: Site, incident: Incident) -> None:
    """All that is made of the record, of the samples, and of `made-with.json`, which is there: by name in `VIEWS`."""
    with ThreadPoolExecutor(1) as aside:
        # A month of samples takes as long as all the rest, and mostly outside of the interpreter.
        samples = aside.submit(write_samples, ledger, site, incident, folder / SAMPLES)
        _write_json(folder / RECORD, as_json(incident))
        _write_json(folder / FIGURES, _flat(incident))
        digests = {name: digest_of(folder / name) for name in (FIGURES, RECORD, MADE_WITH)}
        shown = view(incident, site.zone, Made(digests, versions()))
        (folder / PAGE).write_text(page_html(incident, shown, site.zone), encoding="utf-8")
        (folder / PDF).write_bytes(pdf_bytes(incident, shown))
        (folder / README).write_bytes((files("pipeline.incident") / "templates" / README).read_bytes())
        samples.result()


def _copy_raw(site: Site, sha256: str, to: Path) -> None:
    to.parent.mkdir(exist_ok=True)
    original = site.raw.local(sha256)
    try:
        shutil.copyfile(original, to)
    except FileNotFoundError as error:
        raise StoreError("the original of a raw file is gone", file=original, next_step="restore it") from error
    found = digest_of(to)
    if found != sha256:
        raise StoreError(
            "the original of a raw file was altered", file=original, found=found, next_step="restore it from a backup"
        )


def _copy_register(site: Site, name: str, sha256: str, to: Path) -> None:
    content = site.archive[name]
    found = hashlib.sha256(content).hexdigest()
    if found != sha256:
        raise StoreError("an archived register was altered", file=name, found=found, expected=sha256)
    to.parent.mkdir(parents=True, exist_ok=True)
    to.write_bytes(content)


def write_samples(ledger: Ledger, site: Site, incident: Incident, folder: Path) -> None:
    """Every stored reading of the call's places over the call, and over the window, by place; and the flags.

    The window is of corrected times: its samples are taken a bound on any clock wider, so that none is missing.
    """
    call = incident.call
    call_to_us = call.to_us if call.to_us is not None else call.until_us
    ahead_us = _most_ahead_us(incident)
    live = LiveParts(store_part(part) for part in index.parts(ledger)).days()
    for kind in ("call", "window"):
        (folder / kind).mkdir(parents=True, exist_ok=True)
    extracts = (
        extract(
            site.store,
            place,
            [part for (of, _), found in live.items() if of == place for part in found],
            from_us=call.from_us - ahead_us,
            to_us=call_to_us + ahead_us + 1,
        )
        for place in sorted(incident.evidence.places)
    )
    for of_call in together(extracts):
        of_call.write(folder / "call" / _file_name(of_call.places))
        of_window = of_call.between(call.window_from_us - ahead_us, call.window_to_us + ahead_us + 1)
        of_window.write(folder / "window" / _file_name(of_call.places))
    _write_flags(ledger, site, incident, folder / "flags.csv", call.from_us, call_to_us)


def _most_ahead_us(incident: Incident) -> int:
    """How far any logger's clock may stand from the reference [us], rounded up to a minute."""
    ends = [
        abs(float(end))
        for clock in incident.part_a.clocks
        for end in (clock.offset.value, clock.offset.low, clock.offset.high)
        if isinstance(end, float | int)
    ]
    return int(-(-max(ends, default=0.0) // 60)) * 60_000_000


def _file_name(places: Sequence[str]) -> str:
    """A name for one place, or for the first and last of several; encoded, so that it cannot leave the folder."""
    ends = dict.fromkeys((places[0], places[-1]))
    return "-to-".join(quote(place, safe="").replace(".", "%2E") for place in ends)


def _write_flags(ledger: Ledger, site: Site, incident: Incident, to: Path, from_us: int, to_us: int) -> None:
    """Runs of samples of the call's channels that are not flagged 1, with the checks that said so."""
    import polars as pl

    wanted, rows = set(incident.evidence.channels), []
    for (place, _), file in sorted(index.flags(ledger).items()):
        for run in read_flags(site.store, file.path) if place in incident.evidence.places else ():
            if run["channel"] in wanted and run["first"] <= to_us and run["last"] >= from_us:
                rows.append({**run, "first": us_to_rfc3339(run["first"]), "last": us_to_rfc3339(run["last"])})
    kinds = {"channel": pl.String, "first": pl.String, "last": pl.String, "samples": pl.Int64, "flag": pl.Int8}
    frame = pl.DataFrame(rows, schema={**kinds, "checks": pl.String}, orient="row")
    frame.sort("channel", "first", "last").write_csv(to)


def _flat(incident: Incident) -> dict[str, Any]:
    """Every figure once, in the order of the record, with its part."""
    return {
        "version": incident.version,
        "asked": as_json(incident.asked),
        "figures": [
            {"part": part, **as_json(figure)} for part, found in parts_of(incident).items() for figure in figures(found)
        ],
    }


def _write_json(path: Path, found: Mapping[str, Any] | Iterable[Any]) -> None:
    path.write_text(json.dumps(found, ensure_ascii=False, allow_nan=False, indent=1) + "\n", encoding="utf-8")
