"""A run as OpenLineage events, appended to a file: which raw files went in, and which tables of the manifest came out.

The form is that of the published specification, OpenLineage 2-0-2 (RunEvent) and its facets OutputStatistics 1-0-2 and
ErrorMessage 1-0-1, written by hand: the specification's own client brings an HTTP stack along. One JSON object a line.
A run has a START as soon as it has its id, then COMPLETE or FAIL; one that ended before (the site busy, a register
refused) has none.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import manifest as manifests
from pipeline.errors import StoreError

if TYPE_CHECKING:
    from pipeline.nightly import Night

_RUN_EVENT = "https://openlineage.io/spec/2-0-2/OpenLineage.json#/$defs/RunEvent"
_FACETS = "https://openlineage.io/spec/facets"
_STATISTICS = f"{_FACETS}/1-0-2/OutputStatisticsOutputDatasetFacet.json#/$defs/OutputStatisticsOutputDatasetFacet"
_ERROR = f"{_FACETS}/1-0-1/ErrorMessageRunFacet.json#/$defs/ErrorMessageRunFacet"
_IDS = uuid.UUID("5b0f7f64-9c1d-5b52-8a0e-3f6d7c1e2a90")
"""The namespace of our run ids (random, once)."""


class Lineage:
    """Writes the events of one run of `what` (nightly) on a site, given by its folder and id."""

    def __init__(self, file: Path, site_root: Path, site: str, what: str) -> None:
        self._file, self._site_root, self._site, self._what = file, site_root, site, what
        self._run_id: str | None = None

    def start(self, run_id: str) -> None:
        """The run has its id. StoreError when the file cannot be written, here and below."""
        self._run_id = run_id
        self._append("START", {})

    def complete(self, night: Night) -> None:
        """The run came to its end: the raw files it read, and the tables it committed, if any."""
        inputs = [{"namespace": self._site, "name": receipt.sha256} for receipt in night.receipts]
        self._append("COMPLETE", {}, inputs, self._tables(night))

    def fail(self, error: BaseException) -> None:
        """The run failed, and with what words; nothing when it never had an id."""
        if self._run_id is not None:
            facet = {"message": str(error) or repr(error), "programmingLanguage": "PYTHON", **self._facet(_ERROR)}
            self._append("FAIL", {"errorMessage": facet})

    def _tables(self, night: Night) -> list[dict[str, Any]]:
        if night.run_id is None:
            return []
        manifest = manifests.read(self._site_root, int(night.run_id.partition("-")[0]))
        return [
            {
                "namespace": self._site,
                "name": table,
                "outputFacets": {
                    "outputStatistics": {"rowCount": file.rows, "size": file.bytes, **self._facet(_STATISTICS)}
                },
            }
            for table, file in sorted(manifest.tables.items())
        ]

    def _append(
        self,
        kind: str,
        run_facets: Mapping[str, Any],
        inputs: Iterable[Mapping[str, Any]] = (),
        outputs: Iterable[Mapping[str, Any]] = (),
    ) -> None:
        event = {
            "eventType": kind,
            "eventTime": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "run": {"runId": str(uuid.uuid5(_IDS, f"{self._site}/{self._run_id}")), "facets": dict(run_facets)},
            "job": {"namespace": self._site, "name": f"tautlog.{self._what}"},
            "inputs": list(inputs),
            "outputs": list(outputs),
            "producer": _producer(),
            "schemaURL": _RUN_EVENT,
        }
        try:
            with self._file.open("a", encoding="utf-8") as handle:
                handle.write(json.dumps(event) + "\n")
        except OSError as error:
            raise StoreError(
                f"the lineage cannot be written: {error.strerror}",
                file=self._file,
                next_step="make the folder, or give the right to write to it; what the night committed is safe",
            ) from error

    def _facet(self, schema: str) -> dict[str, str]:
        return {"_producer": _producer(), "_schemaURL": schema}


def _producer() -> str:
    return f"urn:tautlog:{version('tautlog')}"
