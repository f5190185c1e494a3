"""Contact bands: where along an end its abrasion lies, as riggings and crops move them."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ledger.bands import Band, Contact, Crop, End, bands_before, bands_now, end_of, worst
from schemas.registers import Rigging, Service
from schemas.times import DAY_US, day_start_us

FIRST = date(2026, 3, 1)
H_US = 3_600_000_000
ONE = Decimal("0.1")


def day(number: int) -> date:
    """Day 0 is the first."""
    return FIRST + timedelta(days=number)


def at(number: int, hour: float = 0) -> int:
    return day_start_us(day(number)) + round(hour * H_US)


def end(contacts: list[tuple[int, int, float | None]], crops: list[tuple[int, float]] | None = None) -> End:
    made = tuple(Contact(*one) for one in contacts)
    return End(made, tuple(Crop(*one) for one in crops or []), width_m=2.0)


def lives(*days: int) -> dict[date, Decimal]:
    return {day(number): ONE for number in days}


def placed(bands: tuple[Band, ...]) -> list[tuple[float | None, Decimal]]:
    return [(band.position_m, band.life) for band in bands]


def test_without_services_an_end_has_one_band_with_all_of_its_life() -> None:
    [band] = bands_now(lives(0, 1, 2), end([(at(0), at(3), 52.0)]))
    assert band == Band(52.0, day(0), Decimal("0.3"))


def test_a_crop_puts_other_rope_on_the_chock_and_the_old_band_nearer_the_eye() -> None:
    # By hand: 12 m off; the band of 52 m lies at 40 m, and the chock on rope that was 64 m from the old eye.
    line = end([(at(0), at(2), 52.0), (at(5), at(7), 52.0)], [(at(3), 12.0)])
    assert placed(bands_now(lives(0, 1, 5), line)) == [(40.0, Decimal("0.2")), (52.0, Decimal("0.1"))]


def test_a_band_within_the_removed_metres_is_gone_and_one_that_was_cut_through_is_not() -> None:
    def after(position_m: float) -> list[tuple[float | None, Decimal]]:
        return placed(bands_now(lives(0), end([(at(0), at(1), position_m)], [(at(3), 12.0)])))

    assert after(8.0) == []
    assert after(11.0) == []
    assert after(11.5) == [(0.0, ONE)]  # it reached from 10.5 m to 12.5 m
    assert after(12.5) == [(0.5, ONE)]


@pytest.mark.parametrize(("moved_m", "bands"), [(0.0, 1), (1.9, 1), (2.0, 2), (-1.9, 1), (-2.0, 2)])
def test_a_contact_that_moves_by_less_than_the_width_stays_on_the_worn_band(moved_m: float, bands: int) -> None:
    line = end([(at(0), at(1), 52.0), (at(2), at(3), 52.0 + moved_m)])
    found = bands_now(lives(0, 2), line)
    assert len(found) == bands
    assert worst(found) == (Decimal("0.2") if bands == 1 else ONE)


def test_a_crop_of_less_than_the_width_leaves_the_chock_on_the_worn_band() -> None:
    line = end([(at(0), at(1), 52.0), (at(2), at(3), 52.0)], [(at(1, 12), 1.5)])
    assert placed(bands_now(lives(0, 2), line)) == [(50.5, Decimal("0.2"))]


def test_a_day_on_which_the_contact_moved_counts_wholly_on_both_bands() -> None:
    line = end([(at(0), at(0, 8), 52.0), (at(0, 12), at(1), 52.0)], [(at(0, 10), 12.0)])
    assert placed(bands_now(lives(0), line)) == [(40.0, ONE), (52.0, ONE)]
    same = end([(at(0), at(0, 8), 52.0), (at(0, 12), at(1), 52.0)])
    assert placed(bands_now(lives(0), same)) == [(52.0, ONE)]


def test_a_rigging_that_ends_at_midnight_wears_the_day_which_that_midnight_opens() -> None:
    assert placed(bands_now(lives(0), end([(at(-2), at(0), 52.0)]))) == [(52.0, ONE)]


def test_a_contact_of_unknown_place_keeps_one_band_for_all_that_no_crop_takes() -> None:
    line = end([(at(0), at(1), None), (at(2), at(3), 52.0)], [(at(4), 200.0)])
    assert placed(bands_now(lives(0, 2), line)) == [(None, Decimal("0.2"))]


def test_bands_before_a_day_know_what_had_been_cut_off_by_then() -> None:
    line = end([(at(0), at(1), 5.0), (at(6), at(7), 5.0)], [(at(3, 1), 12.0)])
    found = bands_before(lives(0, 6), line, [day(0), day(1), day(3), day(4), day(7)])
    told = {when: placed(bands) for when, bands in found.items()}
    assert told == {day(0): [], day(1): [(5.0, ONE)], day(3): [(5.0, ONE)], day(4): [], day(7): [(5.0, ONE)]}


def test_an_end_takes_only_its_own_riggings_and_the_crops_that_say_what_they_cut() -> None:
    def rigging(zone: str, start: str, stop: str | None) -> Rigging:
        row = {"line": "L", "channel": "c", "from": start, "to": stop, "outboard_end": zone, "share_pct": 100}
        return Rigging.model_validate(row | {"outboard_m": 52})

    def crop(detail: str | None) -> Service:
        return Service.model_validate({"line": "L", "at": "2026-03-04T00:00:00Z", "action": "crop", "detail": detail})

    rows = [
        rigging("a", "2026-03-01T00:00:00Z", "2026-03-02T00:00:00Z"),
        rigging("b", "2026-03-03T00:00:00Z", None),
    ]
    details = ["zone a, 12 m", "zone a, 1.5 m; chafed", "zone b, 3 m", "12 m", "zone a, 0 m", "zone c, 3 m", None]
    found = end_of(rows, [crop(detail) for detail in details], "a", width_m=2.0)
    assert [one.position_m for one in found.contacts] == [52.0]
    assert found.contacts[0].to_us == day_start_us(date(2026, 3, 2))
    assert [one.removed_m for one in found.crops] == [12.0, 1.5]


positions = st.sampled_from([None, 5.0, 6.5, 40.0, 52.0, 53.0])
histories = st.lists(st.tuples(positions, st.integers(0, 3), st.one_of(st.none(), st.floats(0.5, 60))), max_size=8)


def built(steps: list[tuple[float | None, int, float | None]]) -> tuple[dict[date, Decimal], End]:
    """A day for each step: its contact, its life in tenths, and what is cropped at its last hour."""
    contacts = [(at(n), at(n, 20), position) for n, (position, _, _) in enumerate(steps)]
    crops = [(at(n, 22), removed_m) for n, (_, _, removed_m) in enumerate(steps) if removed_m is not None]
    return {day(n): tenths * ONE for n, (_, tenths, _) in enumerate(steps)}, end(contacts, crops)


@given(histories)
def test_no_band_holds_more_than_all_life_and_without_a_crop_none_is_lost(
    steps: list[tuple[float | None, int, float | None]],
) -> None:
    life, line = built(steps)
    total = sum(life.values(), Decimal(0))
    assert all(band.life <= total for band in bands_now(life, line))
    uncropped = bands_now(life, End(line.contacts, (), line.width_m))
    assert sum((band.life for band in uncropped), Decimal(0)) == total  # one contact a day: each life lies once


@given(histories)
def test_a_crop_never_makes_the_worst_band_worse(steps: list[tuple[float | None, int, float | None]]) -> None:
    life, line = built(steps)
    after = End(line.contacts, (*line.crops, Crop(at(len(steps), 1), 30.0)), line.width_m)
    assert worst(bands_now(life, after)) <= worst(bands_now(life, line))


@given(histories)
def test_bands_now_are_those_before_a_day_after_all(steps: list[tuple[float | None, int, float | None]]) -> None:
    life, line = built(steps)
    later = day(len(steps) + 1)
    assert day_start_us(later) > at(len(steps)) - DAY_US
    assert bands_before(life, line, [later])[later] == bands_now(life, line)
