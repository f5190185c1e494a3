"""The demo: the invented site of the sample logs, its deliveries dropped night by night, each night run."""

import shutil
from pathlib import Path
from typing import Any

from pipeline.errors import RegisterError
from pipeline.ledger.database import open_published
from pipeline.ledger.status import status
from pipeline.nightly import run_night
from pipeline.watch import Watch
from sample_logs.demo import copy_demo_site
from schemas.times import us_to_rfc3339


def build_incident_demo(root: Path, watch: Watch) -> tuple[str, str]:
    """Build the small site of the demo's incident in a new folder and run its night; the line that parts, and about
    when, to the second, by its own logger's clock."""
    from sample_logs.incident_demo import write_incident_site

    try:
        case = write_incident_site(root)
    except FileExistsError as error:
        raise RegisterError("the demo site needs a folder of its own", file=root, next_step=str(error)) from error
    run_night(root, watch=watch)
    lost = case.losses[0]
    return lost.line, us_to_rfc3339(lost.unloaded_us // 1_000_000 * 1_000_000)


def build_demo(root: Path, watch: Watch) -> dict[str, Any]:
    """Build the demo site in a new folder and run its nights; the answer of its `status`."""
    try:
        deliveries = copy_demo_site(root)
    except FileExistsError as error:
        raise RegisterError("the demo site needs a folder of its own", file=root, next_step=str(error)) from error
    for delivery in deliveries:
        for file in delivery:
            # With its time of writing: no night need wait to see whether it has settled.
            shutil.copy2(file, root / "inbox" / file.name)
        run_night(root, watch=watch)
    with open_published(root) as ledger:
        return status(ledger)
