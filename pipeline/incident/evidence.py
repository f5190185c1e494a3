"""An incident file: the folder with the record, what it was made from, its page and PDF, and its seal.

The same ledger, line, time and window make the same bytes again by the same programs: nothing in the folder tells a
clock, a machine, a run or an order of runs. It is written as a draft beside its name, and renamed when it is whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any

from pipeline.errors import RegisterError, StoreError
from pipeline.incident.links import parts_of
from pipeline.incident.page import page_html
from pipeline.incident.pdf import pdf_bytes
from pipeline.incident.record import Incident, as_json, figures
from pipeline.incident.samples import Samples, write_samples
from pipeline.incident.seal import names_in, write_seal
from pipeline.incident.view import Made, view
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.site import Site
from pipeline.store.files import cannot_write, digest_of, draft_name

RECORD, FIGURES, MADE_WITH = "incident.json", "figures.json", "made-with.json"
PAGE, PDF, README = "incident.html", "incident.pdf", "READ-ME.txt"
RAW, REGISTERS, SAMPLES = "raw", "site", "samples"
VIEWS = (RECORD, FIGURES, PAGE, PDF, README, SAMPLES)
"""What is made of the record and the samples: files, and the folder of samples."""
PROGRAMS = ("tautlog", "duckdb", "jinja2", "numba", "numpy", "polars", "pyarrow", "rfc3161-client", "scipy", "typst")
"""Programs whose version may show in a figure or a byte."""


def write_incident(
    ledger: Ledger, site: Site, incident: Incident, out: Path, *, samples: Samples | None = None
) -> dict[str, Any]:
    """Write the folder `out`, which may not be there yet, or be empty; returns what was written, and the seal's digest.
    `samples`: those of the call where they are being read already.

    Raises RegisterError when `out` holds anything, StoreError when the disk refuses or an original is not what its
    digest says.
    """
    must_be_free(out)
    draft = out.parent / draft_name(out.name)
    try:
        shutil.rmtree(draft, ignore_errors=True)
        draft.mkdir(parents=True)
        try:
            _fill(draft, ledger, site, incident, samples)
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


def _fill(folder: Path, ledger: Ledger, site: Site, incident: Incident, samples: Samples | None) -> None:
    through = index.latest_through(ledger)
    posted = None if through is None else through.isoformat()
    _write_json(folder / MADE_WITH, {"versions": versions(), "posted_through": posted})
    with ThreadPoolExecutor(1) as aside:
        copies = aside.submit(copy_all, site, incident, folder)
        write_views(folder, ledger, site, incident, samples)
        copies.result()


def copy_all(site: Site, incident: Incident, folder: Path) -> None:
    """Raw files and registers of an incident, bit for bit, into its folder. StoreError: one is gone or altered."""
    for file in incident.evidence.raw_files:
        _copy_raw(site, file.sha256, folder / RAW / file.sha256)
    for name, sha256 in incident.evidence.archive:
        _copy_register(site, name, sha256, folder / REGISTERS / name)


def versions() -> dict[str, str]:
    """Version of each program by which a figure or a byte may be another."""
    return {name: version(name) for name in PROGRAMS}


def write_views(folder: Path, ledger: Ledger, site: Site, incident: Incident, samples: Samples | None = None) -> None:
    """All that is made of the record, of the samples, and of `made-with.json`, which is there: by name in `VIEWS`."""
    with ThreadPoolExecutor(1) as aside:
        # A month of samples takes as long as all the rest, and mostly outside of the interpreter.
        written = aside.submit(write_samples, ledger, site, incident, folder / SAMPLES, samples)
        _write_json(folder / RECORD, as_json(incident))
        _write_json(folder / FIGURES, _flat(incident))
        digests = {name: digest_of(folder / name) for name in (FIGURES, RECORD, MADE_WITH)}
        shown = view(incident, site.zone, Made(digests, versions()))
        (folder / PAGE).write_text(page_html(incident, shown, site.zone), encoding="utf-8")
        (folder / PDF).write_bytes(pdf_bytes(incident, shown))
        (folder / README).write_bytes((files("pipeline.incident") / "templates" / README).read_bytes())
        written.result()


def _copy_raw(site: Site, sha256: str, to: Path) -> None:
    to.parent.mkdir(parents=True, exist_ok=True)
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
