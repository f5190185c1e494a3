"""What changes after the first night: files late, repeated, packed, withdrawn; specs, riggings, layouts.

One site is led through the changes in order, each checked against the reference reckoned anew.
"""

import gzip
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from tests.independent import compare
from tests.independent.command import Tautlog, ask, receipt_counts
from tests.independent.foreign import csv_text
from tests.independent.foreign_farrow import farrow_holm
from tests.independent.foreign_site import RIGGING_COLUMNS, Foreign
from tests.independent.foreign_skjer import RIGGING, SLOW_TOML, lang_skjer
from tests.independent.reference import reckon
from tests.independent.reference_raw import file_sha256

WATCHED = ["S1", "S3"]


@dataclass
class Story:
    """A site led through changes: the command, and the files delivered so far in order."""

    foreign: Foreign
    command: Tautlog
    raw: Path
    delivered: list[Path]

    def deliver(self, name: str, data: bytes) -> None:
        path = self.raw / name
        path.write_bytes(data)
        (self.command.root / "inbox" / name).write_bytes(data)
        self.delivered.append(path)

    def rewrite(self, relative: str, change: Callable[[str], str]) -> None:
        path = self.command.root / relative
        before = path.read_text(encoding="utf-8") if path.exists() else ""
        after = change(before)
        assert after != before
        path.write_text(after, encoding="utf-8")

    def night_agrees(self, audited: bool = True) -> int:
        """Run a night; the account and the events must be the reference's, and audit must agree."""
        posted = int(self.command.nightly(self.foreign.through)["entries_posted"])
        answers = reckon(self.command.root, self.delivered, self.foreign.through, WATCHED)
        first = self.foreign.through - timedelta(days=10)
        live = ask(self.command, WATCHED, first, self.foreign.through, counted=())
        for line in WATCHED:
            compare.assert_account(live, answers.accounts[line])
        compare.assert_peak_loads(live, answers)
        if audited:
            assert self.command.run("audit", exits=(0,))["agrees"] is True
        return posted


def begin(folder: Path) -> Story:
    """All logs but one delivered, the last of them half written."""
    foreign = lang_skjer(77)
    (folder / "raw").mkdir()
    story = Story(foreign, Tautlog(foreign.build(folder / "site")), folder / "raw", [])
    for log in foreign.logs:
        if log.name not in ("slow_1.txt", "slow_5.txt"):
            story.deliver(log.name, log.data(log.rows, log.ended))
    last = foreign.logs[5]
    story.deliver("slow_half.txt", last.data(last.rows, last.ended)[:-3])  # the logger was still writing
    return story


def without_through_a_day_waits_for_a_later_sample_of_its_channel(story: Story) -> None:
    """S3 is still rigged on Q3, whose last samples are of 2 April: all days are posted but that one."""
    story.command.run("nightly")
    answers = reckon(story.command.root, story.delivered, story.foreign.through, ["S3"])
    first = story.foreign.through - timedelta(days=10)
    live = ask(story.command, ["S3"], first, story.foreign.through, counted=())
    account = answers.accounts["S3"]
    waiting = {key for key in account.quanta if key[1] == story.foreign.through}
    assert waiting
    for key in waiting:
        del account.quanta[key]
    compare.assert_entries(live, account)


def through_posts_the_last_day(story: Story) -> None:
    assert story.night_agrees(audited=False) > 0


def a_half_written_last_line_is_made_good_by_the_whole_file(story: Story) -> None:
    half = next(r for r in story.command.run("receipts")["receipts"] if r["file"] == "slow_half.txt")
    last = story.foreign.logs[5]
    tally = last.tally(last.rows[:-1])
    assert receipt_counts(half)["quarantined"] == tally["quarantined"] + 1
    story.deliver(last.name, last.data(last.rows, last.ended))
    story.night_agrees(audited=False)
    whole = next(r for r in story.command.run("receipts")["receipts"] if r["file"] == last.name)
    assert receipt_counts(whole)["stored"] == 1  # the line that was half written; the rest is known


def a_late_file_is_reversed_and_reposted(story: Story) -> None:
    late = story.foreign.logs[1]
    story.deliver(late.name, late.data(late.rows, late.ended))
    assert story.night_agrees() > 0


def the_same_bytes_again_are_noted_with_no_new_receipt(story: Story) -> None:
    late = story.foreign.logs[1]
    (story.command.root / "inbox" / "slow_again.txt").write_bytes(late.data(late.rows, late.ended))
    night = story.command.nightly(story.foreign.through)
    assert night["receipts"] == []
    assert night["entries_posted"] == 0


def the_same_rows_compressed_are_a_new_file_of_duplicates(story: Story) -> None:
    late = story.foreign.logs[1]
    data = gzip.compress(late.data(late.rows, late.ended), mtime=0)
    story.rewrite("layouts/slow.toml", lambda text: text.replace('"slow_*.txt"', '"slow_*.txt*"'))
    story.command.nightly(story.foreign.through)
    story.deliver("slow_packed.txt.gz", data)
    night = story.command.nightly(story.foreign.through)
    (receipt,) = night["receipts"]
    counts, tally = receipt_counts(receipt), late.tally()
    assert night["entries_posted"] == 0
    assert counts["stored"] == 0
    assert counts["duplicate"] == tally["stored"] + tally["duplicate"]
    assert counts["quarantined"] == tally["quarantined"]


def a_changed_spec_reprices_the_history(story: Story) -> None:
    story.rewrite("specs/hm40.toml", lambda text: text.replace("m = 4.7", "m = 4.1"))
    assert story.night_agrees(audited=False) > 0


def a_changed_rigging_reposts_what_it_touches(story: Story) -> None:
    rows = [row.replace("2024-04-01T02:00:00Z", "2024-04-01T01:10:00Z") for row in RIGGING]
    story.rewrite("rigging.csv", lambda _: csv_text(RIGGING_COLUMNS, *rows))
    assert story.night_agrees() > 0


def a_changed_layout_replaces_a_files_own_earlier_rows(story: Story) -> None:
    assert '"kgf"' in SLOW_TOML
    story.rewrite("layouts/slow.toml", lambda text: text.replace('unit = "kgf"', 'unit = "N"'))
    assert story.night_agrees() > 0


def a_withdrawn_files_rows_are_not_live_unless_another_file_holds_them(story: Story) -> None:
    """slow_1 was delivered plain and packed: withdrawing the first changes nothing, withdrawing both does."""
    first, second = (file_sha256(path) for path in story.delivered if path.name in ("slow_1.txt", "slow_packed.txt.gz"))
    story.rewrite("withdrawn.csv", lambda _: f"sha256,reason\n{first},wrong berth\n")
    assert story.night_agrees() == 0
    story.rewrite("withdrawn.csv", lambda text: text + f"{second},wrong berth\n")
    assert story.night_agrees() > 0


def rebuild_makes_the_same_ledger_from_the_manifests(story: Story) -> None:
    """After all that was reversed and reposted, the manifests alone give the same account."""
    first = story.foreign.through - timedelta(days=10)
    before = ask(story.command, WATCHED, first, story.foreign.through, counted=())
    assert not story.command.run("rebuild")["differences"]
    after = ask(story.command, WATCHED, first, story.foreign.through, counted=())
    assert after == before


STEPS: list[Callable[[Story], None]] = [
    without_through_a_day_waits_for_a_later_sample_of_its_channel,
    through_posts_the_last_day,
    a_half_written_last_line_is_made_good_by_the_whole_file,
    a_late_file_is_reversed_and_reposted,
    the_same_bytes_again_are_noted_with_no_new_receipt,
    the_same_rows_compressed_are_a_new_file_of_duplicates,
    a_changed_spec_reprices_the_history,
    a_changed_rigging_reposts_what_it_touches,
    a_changed_layout_replaces_a_files_own_earlier_rows,
    a_withdrawn_files_rows_are_not_live_unless_another_file_holds_them,
    rebuild_makes_the_same_ledger_from_the_manifests,
]


def test_what_comes_after_the_first_night_is_reposted_as_the_reference_has_it(tmp_path: Path) -> None:
    """Each step stands on those before it, so they are one test: the step that fails is in the traceback."""
    story = begin(tmp_path)
    for step in STEPS:
        step(story)


# ------------------------------------------------------------------------------------- clocks


def test_a_piece_wholly_inside_a_repeated_hour_is_quarantined_whole(tmp_path: Path) -> None:
    foreign = farrow_holm(3)
    command = Tautlog(foreign.build(tmp_path / "site"))
    log = foreign.logs[0]
    first = next(i for i, row in enumerate(log.rows) if row.cut == "never")
    rows = log.rows[first + 120 : first + 420]
    assert all(row.cut == "never" for row in rows)
    data = log.data(rows, ended=True)
    (command.root / "inbox" / "bollards_in.tsv").write_bytes(data)
    (receipt,) = command.run("ingest")["receipts"]
    counts, tally = receipt_counts(receipt), log.tally(rows)
    compare.assert_adds_up(counts)
    assert counts["stored"] == 0
    assert counts["quarantined"] == tally["stored"] + tally["duplicate"] + tally["quarantined"]
