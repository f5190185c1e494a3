"""Sites that the program's authors never saw, run through the real command and held against the reference.

`TAUTLOG_LONG=1` adds seeds. reference.py lists where DESIGN.md left it a choice.
"""

import os
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import pytest

from tests.independent import compare
from tests.independent.command import Live, Tautlog, ask, at_us, live_rows, receipt_counts
from tests.independent.foreign_farrow import farrow_holm
from tests.independent.foreign_gallery import gallery
from tests.independent.foreign_ost import ost_reede
from tests.independent.foreign_site import Foreign
from tests.independent.foreign_skjer import lang_skjer
from tests.independent.reference import Answers, reckon
from tests.independent.reference_raw import file_bytes, file_sha256, read_once

MAKERS: dict[str, Callable[[int], Foreign]] = {
    "farrow-holm": farrow_holm,
    "ost-reede": ost_reede,
    "lang-skjer": lang_skjer,
    "gallery": gallery,
}
PLAIN = {"ost-reede", "gallery"}  # kN as logged, whole shares, no calibration: all digits must be the same
NOTHING_TOLD = {"ost-reede"}  # by the definitions as they stand its logs hold no such event
LONG = os.environ.get("TAUTLOG_LONG") == "1"
SEEDS = range(1, 9) if LONG else range(1, 2)
CASES = [pytest.param(name, seed, id=f"{name}-{seed}") for name in MAKERS for seed in SEEDS]


@dataclass
class Whole:
    """A site after one night on its whole logs: what the command answers, and what the reference does."""

    foreign: Foreign
    command: Tautlog
    night: Any
    live: Live
    reference: Answers


def first_day(foreign: Foreign) -> date:
    return foreign.through - timedelta(days=10)


def first_night(name: str, seed: int, folder: Path) -> Whole:
    """Build a site, run a night on its whole logs, ask everything, reckon everything."""
    foreign = MAKERS[name](seed)
    root = foreign.build(folder / "site")
    (folder / "raw").mkdir()
    reference = reckon(root, foreign.deliver(folder / "raw"), foreign.through)
    foreign.deliver(root / "inbox")
    (root / "inbox" / "mystery.dat").write_bytes(b"no layout knows this\n")
    command = Tautlog(root)
    night = command.run("nightly", "--through", foreign.through.isoformat(), exits=(1,))  # dirt: quarantine
    live = ask(command, foreign.lines(), first_day(foreign), foreign.through)
    return Whole(foreign, command, night, live, reference)


# ------------------------------------------------------------------------------------- the whole logs


def every_line_of_every_file_gets_the_class_its_writer_meant(whole: Whole, tmp_path: Path) -> None:
    receipts = {receipt["file"]: receipt_counts(receipt) for receipt in whole.night["receipts"]}
    assert set(receipts) == {log.name for log in whole.foreign.logs}
    for log in whole.foreign.logs:
        compare.assert_adds_up(receipts[log.name])
        assert receipts[log.name] == +log.tally(), log.name


def the_reference_reads_what_the_writer_meant(whole: Whole, tmp_path: Path) -> None:
    for log in whole.foreign.logs:
        read = Counter(whole.reference.site.receipts[log.name])
        assert read["row"] == 0
        assert +read == +log.tally(), log.name


def receipts_are_kept_with_their_first_and_last_instant(whole: Whole, tmp_path: Path) -> None:
    kept = {receipt["file"]: receipt for receipt in whole.command.run("receipts")["receipts"]}
    for log in whole.foreign.logs:
        assert receipt_counts(kept[log.name]) == +log.tally()
        span = whole.reference.site.spans[log.name]
        assert (at_us(kept[log.name]["first_at"]), at_us(kept[log.name]["last_at"])) == span, log.name


def a_file_that_no_layout_knows_stays_in_the_inbox_as_a_finding(whole: Whole, tmp_path: Path) -> None:
    assert [path.name for path in (whole.command.root / "inbox").iterdir()] == ["mystery.dat"]
    assert "mystery.dat" in str(whole.night["findings"])


def closed_cycles_equal_the_independent_count(whole: Whole, tmp_path: Path) -> None:
    for account in whole.reference.accounts.values():
        compare.assert_cycles(whole.live, account)


def the_instants_of_a_cycle_are_those_of_its_two_points(whole: Whole, tmp_path: Path) -> None:
    for line in whole.foreign.lines():
        compare.assert_instants(whole.live, whole.reference, line)


def a_cycle_walks_back_to_the_raw_lines_of_its_points(whole: Whole, tmp_path: Path) -> None:
    """trace: each point's raw file (SHA-256) and line number hold a reading of that channel at that instant."""
    listed = max(whole.live.listed.values(), key=len)
    points = whole.command.run("trace", listed[len(listed) // 2]["cycle"])["trace"]["points"]
    assert len(points) == 2
    read = {}
    for path in whole.foreign.deliver(tmp_path):
        layout = next(one for one in whole.reference.site.layouts if fnmatchcase(path.name, one.match))
        read[file_sha256(path)] = read_once(file_bytes(path), layout)
    for point in points:
        assert point["raw"]
        for raw in point["raw"]:
            line = read[raw["sha256"]][int(raw["line"]) - 1]
            held = [(r.channel, r.at_us) for r in line.readings]
            assert (point["channel"], at_us(point["at"])) in held


def residue_equals_the_independent_count(whole: Whole, tmp_path: Path) -> None:
    for account in whole.reference.accounts.values():
        compare.assert_residue(whole.live, account)


def fatigue_is_posted_by_zone_and_by_the_day_each_cycle_closed(whole: Whole, tmp_path: Path) -> None:
    for account in whole.reference.accounts.values():
        compare.assert_entries(whole.live, account, exact=whole.foreign.name in PLAIN)


def consumed_life_is_the_sum_of_the_entries(whole: Whole, tmp_path: Path) -> None:
    for account in whole.reference.accounts.values():
        compare.assert_consumed(whole.live, account)


def pending_is_the_residue_as_half_cycles(whole: Whole, tmp_path: Path) -> None:
    for account in whole.reference.accounts.values():
        compare.assert_pending(whole.live, account)


def coverage_is_exact_to_the_microsecond(whole: Whole, tmp_path: Path) -> None:
    for account in whole.reference.accounts.values():
        compare.assert_coverage(whole.live, account)


def peak_loads_are_found_to_the_sample(whole: Whole, tmp_path: Path) -> None:
    assert whole.reference.peak_loads
    compare.assert_peak_loads(whole.live, whole.reference)


def brake_renders_are_found_to_the_sample(whole: Whole, tmp_path: Path) -> None:
    assert bool(whole.reference.renders) == (whole.foreign.name == "ost-reede")
    compare.assert_renders(whole.live, whole.reference)


def events_of_tension_alone_are_found_to_the_sample(whole: Whole, tmp_path: Path) -> None:
    assert whole.reference.told or whole.foreign.name in NOTHING_TOLD
    compare.assert_told(whole.live, whole.reference)


def opening_is_unknown_and_the_figure_a_severity_index(whole: Whole, tmp_path: Path) -> None:
    statement = whole.command.run("statement", whole.foreign.lines()[0])
    assert "unknown" in str(statement["opening"])
    assert "severity index" in str(statement["basis"])  # every rope constant here is invented


def audit_agrees_and_a_second_night_posts_nothing(whole: Whole, tmp_path: Path) -> None:
    audit = whole.command.run("audit", exits=(0,))
    assert audit["agrees"] is True
    assert not audit["differences"]
    again = whole.command.nightly(whole.foreign.through)
    assert again["entries_posted"] == 0
    assert again["receipts"] == []


# ----------------------------------------------------------------------------------- the same logs, otherwise


def in_pieces(foreign: Foreign, folder: Path) -> list[Path]:
    """Every log in pieces with heads, overlapping by a few lines, under shuffled names, some twice."""
    rng = random.Random(foreign.name)
    longest = max(foreign.logs, key=lambda log: len(log.rows))
    paths: list[Path] = []
    for log in foreign.logs:
        pieces = [data for _, data in log.pieces(rng, 17 if log is longest else 5, 5)]
        pieces += rng.sample(pieces, 2)
        stem, _, ending = log.name.removesuffix(".gz").rpartition(".")
        for label, data in zip(rng.sample(range(100, 999), len(pieces)), pieces, strict=True):
            paths.append(folder / f"{stem}{label}.{ending}")
            paths[-1].write_bytes(data)
    rng.shuffle(paths)
    return paths


def pieces_over_two_nights_give_the_same_answers(whole: Whole, tmp_path: Path) -> None:
    command = Tautlog(whole.foreign.build(tmp_path / "site"))
    (tmp_path / "raw").mkdir()
    paths = in_pieces(whole.foreign, tmp_path / "raw")
    receipts = []
    for part in (paths[: len(paths) // 2], paths[len(paths) // 2 :]):
        for path in part:
            path.rename(command.root / "inbox" / path.name)
        receipts += command.nightly(whole.foreign.through)["receipts"]
    for receipt in receipts:
        compare.assert_adds_up(receipt_counts(receipt))
    lines = whole.foreign.lines() if LONG else whole.foreign.lines()[:2]
    assert live_rows(command) == live_rows(whole.command)  # consumed, pending and coverage of every line
    live = ask(command, lines, first_day(whole.foreign), whole.foreign.through)
    for line in lines:
        assert live.statements[line] == whole.live.statements[line], line
        assert live.cycles[line] == whole.live.cycles[line], line
        assert live.residue[line] == whole.live.residue[line], line
    assert live.events == whole.live.events
    assert command.run("audit", exits=(0,))["agrees"] is True


CHECKS: list[Callable[[Whole, Path], None]] = [
    every_line_of_every_file_gets_the_class_its_writer_meant,
    the_reference_reads_what_the_writer_meant,
    receipts_are_kept_with_their_first_and_last_instant,
    a_file_that_no_layout_knows_stays_in_the_inbox_as_a_finding,
    closed_cycles_equal_the_independent_count,
    the_instants_of_a_cycle_are_those_of_its_two_points,
    a_cycle_walks_back_to_the_raw_lines_of_its_points,
    residue_equals_the_independent_count,
    fatigue_is_posted_by_zone_and_by_the_day_each_cycle_closed,
    consumed_life_is_the_sum_of_the_entries,
    pending_is_the_residue_as_half_cycles,
    coverage_is_exact_to_the_microsecond,
    peak_loads_are_found_to_the_sample,
    brake_renders_are_found_to_the_sample,
    events_of_tension_alone_are_found_to_the_sample,
    opening_is_unknown_and_the_figure_a_severity_index,
    audit_agrees_and_a_second_night_posts_nothing,
    pieces_over_two_nights_give_the_same_answers,
]


@pytest.mark.parametrize(("name", "seed"), CASES)
def test_a_foreign_site_gets_the_answers_of_the_reference(
    name: str, seed: int, tmp_path: Path, subtests: pytest.Subtests
) -> None:
    """One test for each site, so that a site is built once however tests are shared out among workers."""
    whole = first_night(name, seed, tmp_path)
    for number, check in enumerate(CHECKS):
        folder = tmp_path / f"check{number}"
        folder.mkdir()
        with subtests.test(msg=check.__name__.replace("_", " ")):
            check(whole, folder)
