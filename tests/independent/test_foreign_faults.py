"""Bad nights: killed runs, wild stamps, hostile cells, a file withdrawn on the night it comes."""

import random
import shutil
import subprocess
import sys
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from tests.independent import compare
from tests.independent.command import REPOSITORY, Tautlog, ask, receipt_counts
from tests.independent.foreign import csv_text
from tests.independent.foreign_gallery import gallery
from tests.independent.foreign_site import (
    CHANNEL_COLUMNS,
    LINE_COLUMNS,
    RIGGING_COLUMNS,
    SPECS,
    Foreign,
    site_toml,
)
from tests.independent.reference import reckon
from tests.independent.reference_raw import file_sha256

PAIR_TOML = """name = "pair"
reader = "delimited"
match = "pair*"
[text]
encoding = "utf-8"
separator = ";"
decimal = "."
header_line = 1
missing = ["-"]
final_newline = true
[time]
column = "t"
format = "rfc3339"
[[value]]
column = "p"
channel = "P"
unit = "kN"
[[value]]
column = "q"
channel = "Q"
unit = "tf"
"""
THROUGH = date(2024, 5, 2)


def pair_site(root: Path) -> Tautlog:
    """A site of two channels and two lines, rigged since the new year."""
    site = Foreign("pair", THROUGH)
    site.files = SPECS | {
        "site.toml": site_toml("pair", "UTC"),
        "channels.csv": csv_text(CHANNEL_COLUMNS, *(f"{c},tension,load-pin,1,900,{c} post" for c in "PQ")),
        "ships.csv": csv_text("ship,design_mbl_kn,source", "Auk,900,invented for the test"),
        "lines.csv": csv_text(LINE_COLUMNS, *(f"L{c},Auk,hm40,main,2023-01-01T00:00:00Z," for c in "PQ")),
        "rigging.csv": csv_text(RIGGING_COLUMNS, *(f"L{c},{c},2024-01-01T00:00:00Z,,a,100" for c in "PQ")),
        "layouts/pair.toml": PAIR_TOML,
    }
    return Tautlog(site.build(root))


def deliver(command: Tautlog, name: str, rows: list[str]) -> Path:
    path = command.root / "inbox" / name
    path.write_text("t;p;q\n" + "".join(f"{row}\n" for row in rows), encoding="utf-8")
    return path


def clock(second: int) -> str:
    return f"2024-05-01T00:{second // 60:02d}:{second % 60:02d}Z"


BAD_CELLS = ["1_000", "0x10", "Infinity", "-inf", "nan", "NaN", "1,5", "--5", "5e", ".", "+", "1 000", "true", "\uff11"]
GOOD_CELLS = ["+5", "1e1", "00012.50", "-0", "0." + "3" * 60]


def test_only_numbers_are_readable_cells(tmp_path: Path) -> None:
    command = pair_site(tmp_path / "site")
    rows = [f"{clock(n)};{cell};1" for n, cell in enumerate([*BAD_CELLS, *GOOD_CELLS])]
    deliver(command, "pair.txt", rows)
    (receipt,) = command.run("ingest")["receipts"]
    counts = receipt_counts(receipt)
    assert counts["stored"] == len(rows)
    assert counts["cells_quarantined"] == len(BAD_CELLS)


BAD_STAMPS = [
    "2024-05-01T00:00:05",  # no offset
    "2024-05-01T24:00:00Z",
    "2024-02-30T00:00:00Z",
    "2023-02-29T00:00:00Z",
    "10000-01-01T00:00:00Z",
    "2024-05-01T00:00:14.Z",
    "2024-05-01T00:00:17+24:00",
    "2024-5-1T0:0:18Z",
    "1714521600",
    "",
]


def test_only_rfc3339_is_a_readable_time_where_the_layout_says_so(tmp_path: Path) -> None:
    command = pair_site(tmp_path / "site")
    deliver(command, "pair.txt", [f"{stamp};1;2" for stamp in [*BAD_STAMPS, clock(1), "2024-05-01T02:00:02.5+02:00"]])
    (receipt,) = command.run("ingest")["receipts"]
    counts = receipt_counts(receipt)
    assert (counts["stored"], counts["quarantined"]) == (2, len(BAD_STAMPS))
    assert receipt["first_at"] == "2024-05-01T00:00:01Z"


def test_files_without_rows_have_receipts_that_add_up(tmp_path: Path) -> None:
    command = pair_site(tmp_path / "site")
    (command.root / "inbox" / "pair_empty.txt").write_bytes(b"")
    (command.root / "inbox" / "pair_head.txt").write_bytes(b"t;p;q")
    (command.root / "inbox" / "pair_blank.txt").write_bytes(b"t;p;q\n\n;;\n \n")
    receipts = {r["file"]: receipt_counts(r) for r in command.run("ingest")["receipts"]}
    assert receipts["pair_empty.txt"] == {}
    assert receipts["pair_head.txt"] == {"lines": 1, "header": 1}
    assert receipts["pair_blank.txt"] == {"lines": 4, "header": 1, "blank": 3}


def test_a_stamp_at_either_end_of_the_calendar_does_not_stop_the_night(tmp_path: Path) -> None:
    """A wrong clock is a finding at most (exit 1), never the end of every night to come (exit 70)."""
    command = pair_site(tmp_path / "site")
    rows = [f"{clock(n)};{n % 5};{n % 3}" for n in range(60)]
    deliver(command, "pair.txt", [*rows, "9999-12-31T23:59:59Z;1;1", "0001-01-01T00:00:00Z;1;1"])
    (receipt,) = command.nightly(THROUGH)["receipts"]
    counts = receipt_counts(receipt)
    compare.assert_adds_up(counts)
    assert counts["stored"] + counts["quarantined"] == 62


def test_a_file_withdrawn_on_the_night_it_comes_is_kept_but_not_live(tmp_path: Path) -> None:
    command = pair_site(tmp_path / "site")
    rows = [f"{clock(n)};{n % 5 * 20};{n % 3}" for n in range(60)]
    path = deliver(command, "pair.txt", rows)
    kept = tmp_path / "pair.txt"
    shutil.copy(path, kept)
    register = command.root / "withdrawn.csv"
    register.write_text(f"sha256,reason\n{file_sha256(kept)},wrong berth\n", encoding="utf-8")
    night = command.nightly(THROUGH)
    assert night["entries_posted"] == 0
    assert [r["file"] for r in night["receipts"]] == ["pair.txt"]
    assert command.run("audit", exits=(0,))["agrees"] is True
    register.unlink()
    assert command.nightly(THROUGH)["entries_posted"] > 0
    answers = reckon(command.root, [kept], THROUGH)
    live = ask(command, ["LP"], date(2024, 4, 30), THROUGH)
    compare.assert_account(live, answers.accounts["LP"])
    assert command.run("audit", exits=(0,))["agrees"] is True


def test_a_killed_night_leaves_nothing_lost_nothing_doubled_and_audit_agreeing(tmp_path: Path) -> None:
    foreign = gallery(9, lines=2, rows=1_500)
    rng = random.Random(9)
    command = Tautlog(foreign.build(tmp_path / "site"))
    (tmp_path / "raw").mkdir()
    paths = []
    for number, (_, data) in enumerate(foreign.logs[0].pieces(rng, 4, 3)):
        paths.append(tmp_path / "raw" / f"odd{number}.asc")
        paths[-1].write_bytes(data)
    for part in (paths[:2], paths[2:]):
        for path in part:
            shutil.copy(path, command.root / "inbox" / path.name)
        _kill_a_night(command, foreign.through, rng.uniform(0.8, 2.0))
        command.nightly(foreign.through)
    answers = reckon(command.root, paths, foreign.through)
    lines = foreign.lines()
    live = ask(command, lines, foreign.through - timedelta(days=10), foreign.through)
    for line in lines:
        compare.assert_account(live, answers.accounts[line])
        compare.assert_cycles(live, answers.accounts[line])
    compare.assert_peak_loads(live, answers)
    assert sorted(_names(command.run("receipts"))) == sorted(path.name for path in paths)
    assert command.run("audit", exits=(0,))["agrees"] is True


def _kill_a_night(command: Tautlog, through: date, after_s: float) -> None:
    words = [sys.executable, "-m", "pipeline.cli", "nightly", str(command.root), "--no-pages"]
    words += ["--through", through.isoformat()]
    with subprocess.Popen(words, cwd=REPOSITORY, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as night:
        time.sleep(after_s)
        night.kill()


def _names(answer: Any) -> list[str]:
    return [receipt["file"] for receipt in answer["receipts"]]
