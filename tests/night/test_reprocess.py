"""A deliberate rerun reads and makes everything again, enters only what comes out otherwise, and says why."""

import hashlib
import json
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pipeline import manifest as manifests
from tests.cli.command import tautlog
from tests.night.berth import LAYOUT, Berth, make_berth, values
from tests.night.conftest import DAYS
from tests.night.test_corrections import settled

REPOSITORY = Path(__file__).resolve().parents[2]
WHY = "the reader took every second reading for half of it"
OLD_PROGRAM = """
import dataclasses, sys
from datetime import date
from pathlib import Path
import numpy as np
from pipeline.night import place_day, reading
from pipeline.nightly import run_night

read_log, make_sheet = reading.read_log, place_day.make_sheet

def halves(*args, **named):
    for piece in read_log(*args, **named):
        for rows in piece.rows:
            for values in rows.values.values():
                values[1::2] /= 2
        yield piece

def blind(wanted, at_us, kn, *args, **named):
    return make_sheet(wanted, at_us, np.where(kn > 300.0, 300.0, kn), *args, **named)

if "reader" in sys.argv[2:]:
    reading.read_log = halves
if "sheets" in sys.argv[2:]:
    place_day.make_sheet = blind
run_night(Path(sys.argv[1]), through=date(2026, 3, 5))
"""
"""An old program with a fault that its versions do not tell of."""


def by_an_old_program(berth: Berth, fault: str) -> Berth:
    """The berth's logs in a fresh site, its first night run by a program with a fault."""
    old = berth.emptied()
    for name, data in berth.delivered.items():
        old.deliver(name, data)
    subprocess.run([sys.executable, "-c", OLD_PROGRAM, str(old.root), fault], cwd=REPOSITORY, check=True)
    old.through = berth.through
    return old


def test_a_rerun_that_finds_nothing_else_posts_nothing_and_says_what_it_looked_at(four_days: Berth) -> None:
    live, receipts = four_days.live(), four_days.receipts()
    ran = tautlog("nightly", four_days.root, "--reprocess", "a look at all of it", "--json")
    assert ran.code == 0
    assert ran.json["entries_posted"] == 0
    assert ran.json["reprocessed"] == {"reason": "a look at all of it", "files": 4, "sheets": 8}
    assert four_days.live() == live
    again = four_days.receipts()
    assert [(r["op"], r["reason"]) for r in again] == [("reread", "reprocess: a look at all of it")] * 4
    changed = {"op": "", "reason": "", "run": 0}
    assert [r | changed for r in again] == [r | changed for r in receipts]
    head = manifests.head(four_days.root)
    assert head is not None
    assert head.meta["reprocess"] == "a look at all of it"
    settled(four_days)


def test_the_text_says_it_too(four_days: Berth) -> None:
    ran = tautlog("nightly", four_days.root, "--reprocess", " once \n more ")
    assert "reprocessed (once more): 4 files read again, 8 sheets made again" in ran.out


@pytest.mark.parametrize("reason", ["", "  "])
def test_without_a_reason_nothing_is_reprocessed(four_days: Berth, reason: str) -> None:
    ran = tautlog("nightly", four_days.root, "--reprocess", reason)
    assert ran.code == 2
    assert "say why" in ran.err
    assert four_days.runs() == 1


def test_what_an_old_reader_read_wrongly_is_read_rightly(four_days: Berth) -> None:
    old = by_an_old_program(four_days, "reader")
    wrong = old.posted()
    assert wrong != four_days.posted()
    assert old.audit() == []  # it agrees with what was stored, and that is what is wrong
    assert old.night().run_id is None
    assert old.posted() == wrong
    night = old_night(old)
    assert night["entries_posted"] == len(old.entered()) == 2 * 8
    assert {reason for *_, reason in old.entered() if "carried" not in reason} == {
        f"late or corrected samples (reprocess: {WHY})"
    }
    assert all(f"(reprocess: {WHY})" in reason for *_, reason in old.entered())
    assert old.live() == four_days.live()
    settled(old)
    assert old_night(old)["entries_posted"] == 0


def test_what_an_old_program_made_wrongly_of_right_samples_is_made_again(four_days: Berth) -> None:
    old = by_an_old_program(four_days, "sheets")
    assert old.posted() != four_days.posted()
    assert any("comes out otherwise" in text for text in old.audit())
    assert old.night().run_id is None
    old_night(old)
    reasons = {reason for *_, reason in old.entered()}
    assert f"the program reckons it differently, on the same basis (reprocess: {WHY})" in reasons
    assert all(reason.endswith(f"(reprocess: {WHY})") for reason in reasons)
    assert old.live() == four_days.live()
    settled(old)


def old_night(berth: Berth) -> dict[str, object]:
    ran = tautlog("nightly", berth.root, "--reprocess", WHY, "--json")
    assert ran.code == 0
    found: dict[str, object] = json.loads(ran.out)
    return found


def test_withdrawn_files_stay_out_and_new_ones_are_read_beside(four_days: Berth) -> None:
    sha256 = hashlib.sha256(four_days.delivered["hooks_2026-03-04.csv"]).hexdigest()
    four_days.write("withdrawn.csv", f"sha256,reason\n{sha256},another berth's log\n")
    four_days.night()
    four_days.deliver("hooks_new.csv", values("2026-03-05T18:00", [100.0, 300.0, 90.0]))
    ran = tautlog("nightly", four_days.root, "--reprocess", "why not", "--json")
    assert ran.json["reprocessed"]["files"] == 3
    assert {r["file"]: r["op"] for r in ran.json["receipts"]} == {
        **{f"hooks_{day}.csv": "reread" for day in DAYS if day != "2026-03-04"},
        "hooks_new.csv": "new",
    }
    settled(four_days)


def test_a_repeated_hour_that_a_neighbour_settled_stays_settled(tmp_path: Path) -> None:
    local = LAYOUT.replace('format = "rfc3339"', 'format = "%Y-%m-%d %H:%M:%S"\nzone = "Europe/Lisbon"')
    berth = make_berth(tmp_path / "b", ["L1,H1,2026-10-24T00:00:00Z,,a,100"], files={"layouts/hooks.toml": local})

    def log(first: str, count: int) -> bytes:
        start = datetime.fromisoformat(first)
        rows = [(start + timedelta(seconds=2 * i), 100 + (i * 37) % 200) for i in range(count)]
        return ("at,hook,kn\n" + "".join(f"{at:%Y-%m-%d %H:%M:%S},H1,{kn}\n" for at, kn in rows)).encode()

    # Clocks go back from 02:00 to 01:00 on 25 October: 01:10 to 01:20 is told twice, and once only comes a log of it.
    berth.deliver("hooks_b.csv", log("2026-10-25 01:10:00", 300))
    berth.night()
    assert berth.receipts()[0]["quarantined"] == 300
    berth.deliver("hooks_a.csv", log("2026-10-25 00:50:00", 600))
    berth.night(through="2026-10-25")
    before = {r["file"]: (r["stored"], r["quarantined"]) for r in berth.receipts()}
    assert before == {"hooks_a.csv": (600, 0), "hooks_b.csv": (300, 0)}
    live = berth.live()
    ran = tautlog("nightly", berth.root, "--reprocess", "again", "--json")
    assert (ran.code, ran.json["entries_posted"]) == (0, 0)
    assert {r["file"]: (r["stored"], r["quarantined"]) for r in berth.receipts()} == before
    reasons = {r["file"]: r["reason"] for r in berth.receipts()}
    assert reasons["hooks_b.csv"] == "reprocess: again, repeated hour settled by a neighbour: first pass"
    assert berth.live() == live
    assert berth.findings() == []
    assert berth.audit() == []


def test_a_file_that_can_no_longer_be_read_keeps_its_rows_and_is_told(four_days: Berth) -> None:
    live = four_days.live()
    four_days.edit("layouts/hooks.toml", 'column = "kn"', 'column = "load"')
    ran = tautlog("nightly", four_days.root, "--reprocess", "another layout", "--json")
    assert ran.code == 1
    assert {found["kind"] for found in ran.json["findings"]} == {"unreadable-file"}
    assert ran.json["reprocessed"]["files"] == 0
    assert four_days.live() == live
    assert four_days.audit() == []
