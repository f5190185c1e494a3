"""Hold an incident file against its seal, then reckon all of it again from what lies in it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.errors import DataError, RegisterError, StoreError
from pipeline.incident.seal import check_seal
from pipeline.watch import Watch

NOT_FOUND = (
    "Not found by this: a folder altered and sealed anew. Hold the manifest's SHA-256 against the custody form, a "
    "time-stamp authority's answer, or a signature. Nor whether a raw file was altered before it was delivered."
)


def verify_incident(folder: Path, *, workers: str | None = None, watch: Watch | None = None) -> dict[str, Any]:
    """What `tautlog incident --verify` answers: faults of bytes, and, if there are none, of figures; whether page, PDF,
    figures.json and samples were made again and held (`views_held`), or of which programs versions differ.

    Raises DataError when the folder is no incident file, or one of another version; OSError when it cannot be read.
    """
    if not folder.is_dir():
        raise DataError("not an incident file: there is no such folder", file=folder)
    checked = check_seal(folder)
    answer: dict[str, Any] = {
        "folder": str(folder),
        "manifest_sha256": checked.manifest_sha256,
        "files": checked.files,
        "beside": checked.beside,
        "faults": checked.faults,
        "rederived": False,
        "differences": [],
        "views_held": False,
        "other_versions": {},
    }
    if checked.faults:
        return {**answer, "agrees": False, "not_found": NOT_FOUND}
    from pipeline.incident.rederive import rederive

    try:
        told = rederive(folder, workers=workers, watch=watch)
        answer |= {
            "differences": told.differences,
            "views_held": told.views_held,
            "other_versions": told.other_versions,
        }
    except (RegisterError, StoreError) as error:
        # The scratch site cannot be used, or holds nothing: the file does not bear out its own figures.
        answer["differences"] = [f"the whole record: cannot be reckoned again: {error}"]
    return {**answer, "rederived": True, "agrees": not answer["differences"], "not_found": NOT_FOUND}
