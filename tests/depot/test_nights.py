"""A site in an object store: the same figures as in a folder, and whatever is lost or killed heals."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.audit import rebuild_site
from pipeline.errors import SiteBusy, StoreError
from pipeline.ledger.apply import TABLES
from pipeline.ledger.database import open_published
from pipeline.ledger.index import parts
from pipeline.site import open_site
from pipeline.store import strays
from pipeline.store.days import read_readings
from pipeline.store.depot import Depot
from pipeline.store.samples import store_part
from pipeline.watch import Facts, Silent
from tests.depot.makers import Objects, copied_up, far_berth, keep_far, kept_in, lose_the_folder
from tests.extent import few
from tests.night.berth import Berth, make_berth, record, values

REPOSITORY = Path(__file__).resolve().parents[2]
KILLED_AT_RENAME = """
import os, sys
from pathlib import Path

def kill(event, arguments):
    if event == "os.rename" and sys.argv[2] in str(arguments[1]):
        os._exit(9)

sys.addaudithook(kill)
from pipeline.nightly import run_night
run_night(Path(sys.argv[1]))
"""
DAY, NEXT_DAY, THIRD_DAY = "2026-03-02", "2026-03-03", "2026-03-04"


class Notes(Silent):
    """Keeps what a run notes; at the end of its stage `sheets`, something happens elsewhere."""

    def __init__(self, meanwhile: Berth | None = None) -> None:
        self.texts: list[str] = []
        self._meanwhile = meanwhile

    def note(self, text: str) -> None:
        self.texts.append(text)

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        yield {}
        if name == "sheets" and self._meanwhile is not None:
            self._meanwhile.night()


def deliver(berth: Berth, *days: str) -> None:
    for day in days:
        berth.deliver(f"hooks_{day}.csv", record(f"{day}T06:00"))


def peak(berth: Berth) -> None:
    """A late file with a peak load, and rows that go into quarantine."""
    berth.deliver("hooks_late.csv", values(f"{DAY}T18:00", [50.0, 650.0, 60.0, "what", 40.0]))


def rows(berth: Berth) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of the ledger, to the last digit."""
    with open_published(berth.root) as ledger:
        return {table: ledger.rows(f"SELECT * FROM {table} ORDER BY run, seq") for table in TABLES}


@pytest.fixture(scope="module")
def two_days_live(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the first two days give in a folder."""
    near = make_berth(tmp_path_factory.mktemp("near") / "b")
    deliver(near, DAY, NEXT_DAY)
    near.night()
    return near.live()


def test_a_site_in_an_object_store_comes_out_as_one_in_a_folder(tmp_path: Path, url: str) -> None:
    far, near = far_berth(tmp_path / "far", url), make_berth(tmp_path / "near")
    for berth in (far, near):
        deliver(berth, DAY, NEXT_DAY)
        berth.night()
        peak(berth)
        deliver(berth, THIRD_DAY)
        berth.night()
    assert far.live() == near.live()
    assert len(far.live()["events"]) == 1
    assert far.receipts() == near.receipts()
    assert Objects(url).digests() == kept_in(far)
    assert any(name.startswith("quarantine/") for name in kept_in(far))
    assert far.audit() == []


def test_a_lost_folder_comes_back_from_the_registers_and_the_object_store(tmp_path: Path, url: str) -> None:
    berth = far_berth(tmp_path / "b", url)
    deliver(berth, DAY, NEXT_DAY)
    berth.night()
    peak(berth)
    berth.night()
    before, live = rows(berth), berth.live()
    lose_the_folder(berth)
    assert rebuild_site(berth.root) == [f"{berth.root / 'ledger.duckdb'}: is missing"]
    assert rows(berth) == before
    assert berth.live() == live
    lose_the_folder(berth)
    deliver(berth, THIRD_DAY)
    notes = Notes()
    assert berth.night(watch=notes).run_id is not None
    assert notes.texts == [f"2 committed runs that this folder had not seen were fetched from {url}"]
    assert berth.live() == berth_in_a_folder(tmp_path, berth).live()
    assert berth.audit() == []


def berth_in_a_folder(tmp_path: Path, berth: Berth) -> Berth:
    """All that was delivered to a berth, in one night in a folder."""
    near = make_berth(tmp_path / "near")
    for name, data in berth.delivered.items():
        near.deliver(name, data)
    near.night()
    return near


def test_a_worker_needs_the_url_and_a_folder_of_its_own(tmp_path: Path, url: str) -> None:
    berth = far_berth(tmp_path / "b", url)
    deliver(berth, DAY)
    berth.night()
    live = [store_part(part) for part in berth.ask(parts)]
    own = read_readings(open_site(berth.root).store, live)
    elsewhere = read_readings(Depot(tmp_path / "another machine", f"{url}/store"), live)
    assert own["H1"].value.tolist() == elsewhere["H1"].value.tolist()
    assert own["H1"].value.size == 40


def test_of_two_coordinators_one_commits_and_the_other_then_takes_it_in(
    tmp_path: Path, url: str, two_days_live: dict[str, Any]
) -> None:
    one, other = far_berth(tmp_path / "one", url), far_berth(tmp_path / "other", url)
    deliver(one, DAY)
    deliver(other, NEXT_DAY)
    with pytest.raises(SiteBusy, match="committed run 1 first") as told:
        one.night(watch=Notes(meanwhile=other))
    assert (told.value.exit_code, told.value.file) == (75, f"{url}/manifests/000001.json")
    assert one.waiting() == [f"hooks_{DAY}.csv"]
    assert all("no manifest names it" in text for text in other.audit())  # the loser's, until its next run
    one.night()
    other.night()
    assert one.runs() == other.runs() == 2
    assert one.live() == other.live() == two_days_live
    assert one.audit() == []


@pytest.mark.parametrize(
    ("where", "committed"), few([("manifests/000001.json", True), ("/store/sheets/", False), ("/raw/", False)], 1)
)
def test_a_run_killed_between_its_put_and_its_rename_heals(
    tmp_path: Path, url: str, two_days_live: dict[str, Any], where: str, committed: bool
) -> None:
    berth = far_berth(tmp_path / "b", url)
    deliver(berth, DAY, NEXT_DAY)
    command = [sys.executable, "-c", KILLED_AT_RENAME, str(berth.root), where]
    assert subprocess.run(command, cwd=REPOSITORY, check=False).returncode == 9
    assert any(where in f"/{name}" for name in Objects(url).names())
    assert [name for name in kept_in(berth) if where in f"/{name}" and not name.endswith(".draft")] == []
    notes = Notes()
    berth.night(watch=notes)
    assert any("were fetched from" in text for text in notes.texts) == committed
    assert berth.runs() == 1 + committed  # what was committed is told as delivered again
    assert berth.waiting() == []
    assert berth.live() == two_days_live
    assert berth.audit() == []


def test_an_object_store_out_of_reach_ends_the_run_and_nothing_is_committed(tmp_path: Path, url: str) -> None:
    berth = far_berth(tmp_path / "b", url)
    deliver(berth, DAY)
    command = [sys.executable, "-m", "pipeline.cli", "nightly", str(berth.root), "--workers", "2"]
    environment = {**os.environ, "AWS_ENDPOINT_URL": "http://127.0.0.1:9"}
    done = subprocess.run(command, cwd=REPOSITORY, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 74
    assert f"tautlog: {url}/manifests: the object store cannot list" in done.stderr
    assert "next: check the network" in done.stderr
    assert berth.runs() == 0
    assert berth.waiting() == [f"hooks_{DAY}.csv"]
    subprocess.run(command, cwd=REPOSITORY, check=True, capture_output=True)  # in processes, which reach it too
    assert berth.runs() == 1
    assert Objects(url).digests() == kept_in(berth)


def test_an_altered_a_missing_and_an_added_object_are_found(tmp_path: Path, url: str) -> None:
    berth = far_berth(tmp_path / "b", url)
    deliver(berth, DAY, NEXT_DAY)
    berth.night()
    objects = Objects(url)
    names = objects.names()
    raw = next(name for name in names if name.startswith("raw/"))
    samples = next(name for name in names if name.startswith("store/samples/"))
    table = next(name for name in names if name.endswith("/entries.parquet"))
    objects.put(raw, objects.get(raw)[:-1] + b"9")
    objects.put(table, objects.get(table) + b" ")
    objects.delete(samples)
    objects.put("store/samples/H1/more.parquet", b"")
    objects.put(f"{table}.more", b"")
    found = berth.audit()
    assert len(found) == 5
    for name, words in (
        (raw, "altered"),
        (table, "altered"),
        (samples, "missing from the object store"),
        ("store/samples/H1/more.parquet", "no manifest names it"),
        (f"{table}.more", "no manifest names it"),
    ):
        assert sum(text.startswith(f"{url}/{name}: {words}") for text in found) == 1


def test_objects_of_nobody_go_after_a_day_and_younger_ones_stay(
    tmp_path: Path, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    objects = Objects(url)
    depots = [Depot(tmp_path, url).below(name) for name in ("raw", "store")]
    for name in ("raw/" + "ab" * 32, "store/named", "store/others"):
        objects.put(name, b"")
    named = {tmp_path / "store" / "named"}
    assert strays.sweep(depots, named) == 0
    monkeypatch.setattr(strays, "GRACE", timedelta(seconds=-5))
    assert strays.sweep(depots, named) == 2
    assert objects.names() == ["store/named"]


def test_a_site_moves_into_an_object_store_by_copying_and_not_otherwise(tmp_path: Path, url: str) -> None:
    berth = make_berth(tmp_path / "b")
    deliver(berth, DAY)
    berth.night()
    keep_far(berth, url)
    deliver(berth, NEXT_DAY)
    with pytest.raises(StoreError, match=r"which the object store lacks; next: .*copy its raw, store"):
        berth.night()
    copied_up(berth, url)
    berth.night()
    assert berth.runs() == 2
    assert Objects(url).digests() == kept_in(berth)
    assert berth.audit() == []
    stranger = make_berth(tmp_path / "stranger")
    deliver(stranger, THIRD_DAY)
    stranger.night()
    keep_far(stranger, url)
    with pytest.raises(StoreError, match="run 1 is not the object store's"):
        stranger.night()
