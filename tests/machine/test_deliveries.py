"""A state machine of deliveries: whatever comes, in whatever order, the program's books equal a plain model's.

The program is the real one, on a real site folder; the model reckons everything from scratch from the registers and
all files that ever came (`model.py`). They are held against each other after every night, to the last digit.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from tests.extent import few
from tests.independent.reference_count import utc_day
from tests.machine import program
from tests.machine.books import differences
from tests.machine.logs import (
    DRESSES,
    FIRST_US,
    LOGS,
    MISSING,
    STARTS_US,
    STRETCHES,
    UNREADABLE,
    Log,
    Piece,
    Record,
    Row,
    S,
    dressed,
    hook_rows,
    winch_rows,
)
from tests.machine.model import Model
from tests.machine.registers import (
    BREAK_FORCES,
    CHANNELS,
    EDGES_US,
    LAYOUT_CHOICES,
    LINES,
    MAINS,
    MBL_CHOICES,
    POLICY_CHOICES,
    SPEC_CHOICES,
    Stretch,
    first_registers,
    histories,
)

DAYS = [utc_day(FIRST_US) + timedelta(days=i) for i in range(3)]
FEW = st.integers(0, 30)
"""Picks one of what there is, whatever there is: taken modulo its number."""
LETTERS = st.sampled_from("amz")
TONIGHT = st.booleans()
"""Whether a night is run at once, or other things happen before the next."""


class Deliveries(RuleBasedStateMachine):
    """One berth, what it recorded, and what has come of it so far."""

    def __init__(self) -> None:
        super().__init__()
        self.root = Path(tempfile.mkdtemp(prefix="tautlog-machine-"))
        self.registers = first_registers()
        self.record = Record()
        self.held: list[Piece] = []
        self.pieces: list[Piece] = []
        self.inbox: dict[str, bytes] = {}
        self.came: list[tuple[str, bytes]] = []
        self.entries: list[program.EntryRow] = []
        self.through: date | None = None
        self.reckoned = False
        self.sound = True

    # ------------------------------------------------------------------------------ what was recorded

    @initialize(
        stretches=st.lists(STRETCHES, min_size=1, max_size=6),
        cuts=st.sets(FEW, max_size=5),
        delayed=st.lists(FEW, max_size=3),
    )
    def a_record_is_cut_into_pieces(self, stretches: list[list[Row]], cuts: set[int], delayed: list[int]) -> None:
        """Most pieces come before the first night; some are delayed."""
        (self.root / "inbox").mkdir()
        self.record.add([row for rows in stretches for row in rows])
        for log, rows in self.record.rows.items():
            bounds = [0, *sorted({cut * 3 % len(rows) for cut in cuts} - {0}), len(rows)] if rows else [0]
            self.held += [_piece(log, rows[a:b]) for a, b in pairwise(bounds)]
        late = {pick % len(self.held) for pick in delayed}
        for piece in [piece for i, piece in enumerate(self.held) if i not in late]:
            self.held.remove(piece)
            self._drop(piece, "m")
        self._night(None)

    # ------------------------------------------------------------------------------ deliveries

    @precondition(lambda self: self.held)
    @rule(picks=st.lists(FEW, min_size=1, max_size=4), letter=LETTERS, tonight=TONIGHT)
    def deliver(self, picks: list[int], letter: str, tonight: bool) -> None:
        """Pieces come, in any order; the others are delayed."""
        for pick in picks:
            if self.held:
                self._drop(self.held.pop(pick % len(self.held)), letter)
        self._perhaps(tonight)

    @rule(rows=STRETCHES, letter=LETTERS, tonight=TONIGHT)
    def record_more(self, rows: list[Row], letter: str, tonight: bool) -> None:
        """Another stretch is recorded, maybe of a time that is long past, and comes at once."""
        self.record.add(rows)
        self._drop(_piece(rows[0].log, rows), letter)
        self._perhaps(tonight)

    @precondition(lambda self: self.came)
    @rule(which=FEW, letter=st.sampled_from(["", "a", "z"]), tonight=TONIGHT)
    def deliver_the_same_bytes(self, which: int, letter: str, tonight: bool) -> None:
        """A file comes again, under its own name or another."""
        name, data = self.came[which % len(self.came)]
        if letter:
            suffix = ".csv.gz" if name.endswith(".gz") else ".csv"
            name = f"{name.split('_')[0]}_{letter}{self._serial():03d}{suffix}"
        self._put(name, data)
        self._perhaps(tonight)

    @precondition(lambda self: self.pieces)
    @rule(which=FEW, dress=st.sampled_from(DRESSES), letter=LETTERS, tonight=TONIGHT)
    def deliver_the_same_in_other_bytes(self, which: int, dress: str, letter: str, tonight: bool) -> None:
        """Packed, with other line ends, in another order, with a blank line, or without its last line end."""
        self._drop(dressed(self.pieces[which % len(self.pieces)], dress), letter)
        self._perhaps(tonight)

    @rule(log=LOGS, first=FEW, count=st.integers(1, 60), cut=st.integers(0, 40), letter=LETTERS, tonight=TONIGHT)
    def export_what_overlaps(self, log: Log, first: int, count: int, cut: int, letter: str, tonight: bool) -> None:
        """Some rows of the record, whether they came before or not; maybe torn within the last."""
        rows = self.record.part(log, first, count)
        if rows:
            self._drop(replace(_piece(log, rows), cut=min(cut, 1 + len(rows[-1].text))), letter)
        self._perhaps(tonight)

    @rule(
        log=LOGS,
        first=FEW,
        count=st.integers(1, 5),
        by=st.sampled_from(["80", "-80", "40", "720", MISSING, UNREADABLE]),
        letter=LETTERS,
        tonight=TONIGHT,
    )
    def correct(self, log: Log, first: int, count: int, by: str, letter: str, tonight: bool) -> None:
        """Some rows come with another tension: more, less, missing, or one that cannot be read."""
        rows = self.record.part(log, first, count)
        if rows:
            self._drop(_piece(log, [row.corrected(_other(row.tension, by)) for row in rows]), letter)
        self._perhaps(tonight)

    # ------------------------------------------------------------------------------ registers

    @precondition(lambda self: self.came)
    @rule(which=FEW, tonight=TONIGHT)
    def withdraw(self, which: int, tonight: bool) -> None:
        _, data = self.came[which % len(self.came)]
        self.registers.withdrawn[hashlib.sha256(data).hexdigest()] = "another berth's"
        self._perhaps(tonight)

    @precondition(lambda self: self.registers.withdrawn)
    @rule(which=FEW, tonight=TONIGHT)
    def take_a_withdrawal_back(self, which: int, tonight: bool) -> None:
        withdrawn = list(self.registers.withdrawn)
        del self.registers.withdrawn[withdrawn[which % len(withdrawn)]]
        self._perhaps(tonight)

    @rule(log=LOGS, which=FEW, choice=FEW, tonight=TONIGHT)
    def relayout(self, log: Log, which: int, choice: int, tonight: bool) -> None:
        """Another unit, sentinel, decimal mark, zone or word: every file of that log replaces its own rows."""
        name, choices = list(LAYOUT_CHOICES[log].items())[which % len(LAYOUT_CHOICES[log])]
        self.registers.layouts[log][name] = choices[choice % len(choices)]
        self._perhaps(tonight)

    @rule(line=st.sampled_from(LINES), history=histories(), tonight=TONIGHT)
    def rerig(self, line: str, history: tuple[Stretch, ...], tonight: bool) -> None:
        """All riggings of a line are put right: other channels, ends, shares and times."""
        self.registers.rigged[line] = history
        self._perhaps(tonight)

    @rule(line=st.sampled_from(MAINS), other=st.sampled_from(LINES), alike=st.booleans(), tonight=TONIGHT)
    def swap(self, line: str, other: str, alike: bool, tonight: bool) -> None:
        """Two lines, or a line and a tail, were mistaken for each other; or the tail is fast to that line."""
        rigged = self.registers.rigged
        if alike:
            rigged["T1"] = rigged[line]
        else:
            rigged[line], rigged[other] = rigged[other], rigged[line]
        self._perhaps(tonight)

    @rule(what=st.sampled_from(["spec", "line", "ship", "policy"]), which=FEW, choice=FEW, tonight=TONIGHT)
    def respec(self, what: str, which: int, choice: int, tonight: bool) -> None:
        """Another curve or break force in the spec, a line's own break force, a ship's design MBL, a threshold."""
        registers = self.registers
        if what == "line":
            registers.own_break_force_kn[LINES[which % len(LINES)]] = BREAK_FORCES[choice % len(BREAK_FORCES)]
        elif what == "ship":
            registers.mbl_kn[("S1", "S2")[which % 2]] = MBL_CHOICES[choice % len(MBL_CHOICES)]
        else:
            document = registers.spec if what == "spec" else registers.policy
            found = list((SPEC_CHOICES if what == "spec" else POLICY_CHOICES).items())
            name, choices = found[which % len(found)]
            document[name] = choices[choice % len(choices)]
        self._perhaps(tonight)

    @rule(
        channel=st.sampled_from(CHANNELS),
        from_us=st.sampled_from(EDGES_US),
        row=st.one_of(st.none(), st.tuples(st.sampled_from([0.0, 2.5]), st.sampled_from([1.0, 1.04]))),
        tonight=TONIGHT,
    )
    def calibrate(self, channel: str, from_us: int, row: tuple[float, float] | None, tonight: bool) -> None:
        """A calibration from some instant on, or one that is taken out again."""
        rows = self.registers.calibrations.setdefault(channel, {})
        if row is None:
            rows.pop(from_us, None)
        else:
            rows[from_us] = row
        self._perhaps(tonight)

    # ------------------------------------------------------------------------------ runs

    @rule(through=st.one_of(st.none(), st.sampled_from(DAYS)))
    def night(self, through: date | None) -> None:
        self._night(through)

    @rule()
    def ingest_only(self) -> None:
        """The inbox is read into the store; no account is touched."""
        self.registers.write(self.root)
        with self._unless_it_fails():
            told = program.ingest_only(self.root)
            self._taken()
            assert told.entries_posted == 0
            assert program.entries(self.root) == self.entries
        self.reckoned = False

    @precondition(lambda self: self.reckoned)
    @rule()
    def idle_night(self) -> None:
        """Nothing came and nothing changed: nothing is committed.

        But for one run that takes back what was only said of the night before: that a file was delivered again.
        """
        with self._unless_it_fails():
            if "delivered-again" in program.open_kinds(self.root):
                told = program.night(self.root)
                assert (told.entries_posted, told.receipts, told.findings) == (0, [], [])
                assert "delivered-again" not in program.open_kinds(self.root)
            told = program.night(self.root)
            assert (told.run_id, told.entries_posted, told.receipts) == (None, 0, [])
            assert program.entries(self.root) == self.entries

    @precondition(lambda self: self.reckoned)
    @rule()
    def rebuild(self) -> None:
        with self._unless_it_fails():
            assert program.rebuild(self.root) == []
            self._check()

    @precondition(lambda self: self.reckoned)
    @rule()
    def audit(self) -> None:
        self._look_closely()

    def teardown(self) -> None:
        """All that was held back comes at last; then the books are those of the whole record."""
        try:
            if self.sound and (self.root / "inbox").is_dir():
                for piece in self.held:
                    self._drop(piece, "m")
                self._night(None)
                self.idle_night()
                self._look_closely()
        finally:
            shutil.rmtree(self.root)

    # ------------------------------------------------------------------------------ how

    def _serial(self) -> int:
        return len(self.came) + len(self.inbox)

    def _drop(self, piece: Piece, letter: str) -> None:
        self.pieces.append(piece)
        self._put(piece.name(self._serial(), letter), piece.data)

    def _put(self, name: str, data: bytes) -> None:
        self.inbox[name] = data
        (self.root / "inbox" / name).write_bytes(data)

    def _taken(self) -> None:
        """The inbox was read, in order of name."""
        assert list((self.root / "inbox").iterdir()) == []
        self.came += sorted(self.inbox.items())
        self.inbox = {}

    def _perhaps(self, tonight: bool) -> None:
        self.reckoned = False
        if tonight:
            self._night(None)

    def _night(self, through: date | None) -> None:
        self.registers.write(self.root)
        with self._unless_it_fails():
            program.night(self.root, through)
            self._taken()
            self.through = max((day for day in (through, self.through) if day is not None), default=None)
            self._check()
        self.reckoned = True

    @contextmanager
    def _unless_it_fails(self) -> Iterator[None]:
        """What failed once is not looked at again when the berth is taken down."""
        self.sound = False
        yield
        self.sound = True

    def _model(self) -> Model:
        return Model.of(self.root, self.came, self.through)

    def _check(self) -> None:
        """The books are the model's; entries were only added, and add up to what is live."""
        wanted = self._model().books()
        found = differences(program.books(self.root), wanted)
        assert not found, "\n".join(found)
        entries = program.entries(self.root)
        assert entries[: len(self.entries)] == self.entries
        assert program.net(entries) == {key: life for key, life in wanted.postings.items() if life}
        self.entries = entries

    def _look_closely(self) -> None:
        """What each line's statement says; every cycle, as streamed from the samples; and the program's own audit."""
        with self._unless_it_fails():
            model = self._model()
            told, wanted = program.statement_books(self.root), model.books()
            for account in ("postings", "unposted", "consumed", "pending", "coverage"):
                assert getattr(told, account) == getattr(wanted, account)
            for line in LINES:
                assert program.cycles(self.root, line) == model.cycles(line)
            assert program.audit(self.root) == []


def _piece(log: Log, rows: Sequence[Row]) -> Piece:
    return Piece(log, tuple(row.text for row in rows))


def _other(tension: str, by: str) -> str:
    """A corrected tension: so much more or less; or what stands in its place."""
    if by in (MISSING, UNREADABLE):
        return by
    return by if tension in (MISSING, UNREADABLE) else str(int(tension) + int(by))


EVERYDAY = settings(
    derandomize=True,
    max_examples=2,
    stateful_step_count=8,
    deadline=None,
    report_multiple_bugs=False,
    suppress_health_check=list(HealthCheck),
)
TestDeliveries = Deliveries.TestCase
TestDeliveries.settings = settings() if settings.get_current_profile_name() == "machine" else EVERYDAY


def test_what_comes_late_on_the_first_day_reaches_into_the_last() -> None:
    """A walk that chance seldom takes: late rows leave more open, and cycles of all days after close otherwise."""
    berth = Deliveries()
    days = [hook_rows("H1", STARTS_US[i], 2 * S, levels) for i, levels in ((0, [3, 1, 3]), (4, [5, 0, 3]), (7, [7, 0]))]
    berth.a_record_is_cut_into_pieces(stretches=days, cuts=set(), delayed=[])
    berth.record_more(rows=hook_rows("H1", STARTS_US[0] + 60 * S, 2 * S, [6, 2]), letter="m", tonight=True)
    berth.record_more(rows=hook_rows("H1", STARTS_US[0] + 90 * S, 2 * S, [8, -1, 8]), letter="a", tonight=True)
    berth.withdraw(which=2, tonight=True)
    berth.teardown()


@pytest.mark.parametrize("seed", few(range(6), 2))
def test_loads_held_are_those_of_the_model_beside_payout_heaving_in_and_open_brakes(seed: int) -> None:
    """Twelve stretches of a winch a berth; each of the reasons for which a load is not held comes often."""
    rng = random.Random(seed)
    berth = Deliveries()

    def steps(count: int) -> list[tuple[int | None, int, str]]:
        return [
            (
                rng.choice([3, 3, 7, 7, 8, None]),
                rng.choice([0] * 12 + [3, 20, -5]),
                rng.choice(["SET"] * 12 + ["OPEN", MISSING]),
            )
            for _ in range(count)
        ]

    stretches = [
        winch_rows(STARTS_US[index % len(STARTS_US)] + index * 150 * S, rng.choice([S // 2, S, 4 * S]), steps(14))
        for index in range(12)
    ]
    berth.a_record_is_cut_into_pieces(stretches=stretches, cuts={1, 4}, delayed=[1])
    told = [event for event in berth._model().books().events if event["kind"] == "brake-held"]
    assert len(told) >= 2
    berth.teardown()
