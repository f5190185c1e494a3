"""Postings: any sequence of what should hold nets exactly to the last of it, and nothing is ever changed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import manifest
from pipeline.errors import Bug
from pipeline.ledger import index, posting
from pipeline.ledger.apply import apply
from pipeline.ledger.checks import law_breaks
from pipeline.ledger.database import create, open_ledger
from pipeline.ledger.posting import Desired, post
from pipeline.ledger.rows import Entry, Key
from tests.ledger import makers

DAYS = [date(2026, 3, 1) + timedelta(days=i) for i in range(3)]
KEYS: list[Key] = [(line, zone, day, "fatigue") for line in ("L1", "L2") for zone in "ab" for day in DAYS]

lives = st.integers(min_value=0, max_value=10**38 - 1).map(lambda n: Decimal((0, tuple(map(int, str(n))), -30)))
desired_maps = st.dictionaries(
    st.sampled_from(KEYS), st.builds(lambda life, mark: desired(life, mark), lives, st.sampled_from("xyz"))
)


def desired(life: Decimal, mark: str = "x", **basis: str) -> Desired:
    return Desired(
        life=life,
        spec="rope-44",
        spec_digest=makers.digest(f"spec {mark}"),
        policy_digest=makers.digest("policy"),
        basis={"samples": mark, "spec": "s"} | basis,
        sheets=(f"sheet {mark}",),
    )


def live_of(entries: list[Entry]) -> dict[Key, Entry]:
    """Postings nobody reverses, found the plain way."""
    reversed_ids = {entry.reverses for entry in entries if entry.kind == "reversal"}
    alive = [entry for entry in entries if entry.kind == "posting" and entry.entry not in reversed_ids]
    assert len({entry.key for entry in alive}) == len(alive)
    return {entry.key: entry for entry in alive}


def net(entries: list[Entry]) -> dict[Key, Fraction]:
    sums: dict[Key, Fraction] = {}
    for entry in entries:
        sums[entry.key] = sums.get(entry.key, Fraction(0)) + Fraction(entry.life)
    return sums


@given(st.lists(desired_maps, max_size=6))
def test_any_sequence_of_desired_lives_nets_exactly_to_the_last(
    sequence: list[Mapping[Key, Desired]],
) -> None:
    entries: list[Entry] = []
    for run, wanted in enumerate(sequence, start=1):
        before = list(entries)
        entries += post(wanted, live_of(entries), run=run)
        assert entries[: len(before)] == before
    last = sequence[-1] if sequence else {}
    assert {key: entry.life for key, entry in live_of(entries).items()} == {k: d.life for k, d in last.items()}
    assert {key: total for key, total in net(entries).items() if total != 0} == {
        key: Fraction(d.life) for key, d in last.items() if d.life != 0
    }
    assert len({entry.entry for entry in entries}) == len(entries)


@given(desired_maps)
def test_nothing_new_posts_nothing(wanted: Mapping[Key, Desired]) -> None:
    entries = post(wanted, {}, run=1)
    assert len(entries) == len(wanted)
    assert post(wanted, live_of(entries), run=2) == []


@settings(max_examples=12, deadline=None)
@given(sequence=st.lists(desired_maps, min_size=1, max_size=4))
def test_the_ledger_nets_to_the_same_and_sums_exactly(
    tmp_path_factory: pytest.TempPathFactory, sequence: list[Mapping[Key, Desired]]
) -> None:
    site = tmp_path_factory.mktemp("site")
    made: list[Entry] = []
    with create(site, ":memory:") as ledger:
        for run, wanted in enumerate(sequence, start=1):
            entries = post(wanted, index.postings(ledger), run=run)
            made += entries
            apply(ledger, makers.commit(site, entries=[entry.row() for entry in entries]))
        live = {key: entry.life for key, entry in index.postings(ledger).items()}
        assert live == {key: d.life for key, d in sequence[-1].items()}
        assert law_breaks(ledger) == []
        sums = ledger.rows("SELECT line, zone, day, mechanism, sum(life) FROM entries GROUP BY ALL")
        assert {(a, b, c, d): Fraction(total) for a, b, c, d, total in sums} == net(made)


def test_decimals_come_back_from_the_ledger_to_the_last_digit(site: Path) -> None:
    life = Decimal("12345678.123456789012345678901234567891")
    made = post({KEYS[0]: desired(life), KEYS[1]: desired(Decimal("1E-30"))}, {}, run=1)
    makers.commit(site, entries=[entry.row() for entry in made])
    with open_ledger(site) as ledger:
        assert [entry.life for entry in index.postings(ledger).values()] == [life, Decimal("1E-30")]
        assert list(index.postings(ledger).values()) == made


def test_a_changed_life_is_reversed_and_posted_anew_with_what_changed() -> None:
    [first] = post({KEYS[0]: desired(Decimal("0.1"))}, {}, run=1)
    reversal, anew = post({KEYS[0]: desired(Decimal("0.2"), "y", spec="t")}, {KEYS[0]: first}, run=7)
    assert (first.entry, first.reason) == ("E1-1", "posted")
    assert (reversal.entry, reversal.kind, reversal.reverses) == ("E7-1", "reversal", "E1-1")
    assert (reversal.life, reversal.basis, reversal.sheets) == (Decimal("-0.1"), first.basis, first.sheets)
    assert (anew.entry, anew.kind, anew.reverses, anew.life) == ("E7-2", "posting", None, Decimal("0.2"))
    words = "late or corrected samples, spec or break force changed"
    assert (reversal.reason, anew.reason) == (words, words)


def test_an_equal_life_is_left_alone_whatever_it_rests_on() -> None:
    [first] = post({KEYS[0]: desired(Decimal("0.10"))}, {}, run=1)
    assert post({KEYS[0]: desired(Decimal("0.1"), "y", rigging="r")}, {KEYS[0]: first}, run=2) == []


def test_a_day_that_is_no_longer_desired_is_only_reversed() -> None:
    [first] = post({KEYS[0]: desired(Decimal("0.1"))}, {}, run=1)
    [reversal] = post({}, {KEYS[0]: first}, run=2)
    assert (reversal.kind, reversal.reason) == ("reversal", posting.VANISHED)


def test_a_life_that_changed_on_the_same_basis_says_so() -> None:
    [first] = post({KEYS[0]: desired(Decimal("0.1"))}, {}, run=1)
    assert post({KEYS[0]: desired(Decimal("0.2"))}, {KEYS[0]: first}, run=2)[0].reason == posting.UNEXPLAINED


@pytest.mark.parametrize("part", posting.BASIS_WORDS)
def test_every_part_of_the_basis_has_its_own_words(part: str) -> None:
    [first] = post({KEYS[0]: desired(Decimal("0.1"))}, {}, run=1)
    [reversal, _] = post({KEYS[0]: desired(Decimal("0.2"), **{part: "new"})}, {KEYS[0]: first}, run=2)
    assert reversal.reason == posting.BASIS_WORDS[part]


@pytest.mark.parametrize("life", ["1E-31", "-0.1", "1E+8", "NaN", "Infinity"])
def test_a_life_the_ledger_cannot_hold_exactly_is_refused(life: str) -> None:
    with pytest.raises(Bug, match="cannot be posted exactly"):
        post({KEYS[0]: desired(Decimal(life))}, {}, run=1)


def test_a_basis_without_words_is_refused() -> None:
    with pytest.raises(Bug, match="no words for the basis 'weather'"):
        post({KEYS[0]: desired(Decimal("0.1"), weather="w")}, {}, run=1)


def test_rows_of_entries_fit_the_manifest_table() -> None:
    entries = post({KEYS[0]: desired(Decimal("0.1"))}, {}, run=1)
    assert manifest.frame("entries", [entry.row() for entry in entries]).height == 1
