"""Episodes: events of several lines that belong together are one thing to read, in whatever order they are told."""

import random

from hypothesis import given
from hypothesis import strategies as st

from pipeline.events.episodes import HELD_OPEN_S, Happened, episodes

S = 1_000_000


def happened(line: str, from_s: float, to_s: float, *, kind: str = "peak-load", kn: float = 500.0) -> Happened:
    name = f"{kind} {line} {from_s}"
    return Happened(name, kind, "S1", line, (line,), round(from_s * S), round(to_s * S), kn, round(from_s * S))


EVENTS = st.lists(
    st.builds(
        happened,
        st.sampled_from(["L1", "L2", "L3"]),
        st.integers(0, 5000),
        st.just(0),
        kind=st.sampled_from(["peak-load", "slack"]),
        kn=st.sampled_from([400.0, 500.0, 600.0]),
    ).flatmap(
        lambda one: st.integers(0, 4000).map(
            lambda lasts: happened(one.line, one.from_us / S, one.from_us / S + lasts, kind=one.kind, kn=one.peak_kn)
        )
    ),
    max_size=12,
    unique_by=lambda one: one.event,
)


def test_a_squall_over_three_lines_is_one_episode() -> None:
    squall = [happened("L2", 100, 160), happened("L1", 130, 150, kn=612.0), happened("L3", 270, 300, kind="slack")]
    (episode,) = episodes(squall, gap_s=120)
    assert (episode.first.line, episode.largest.line) == ("L2", "L1")
    assert episode.lines == ("L2", "L1", "L3")
    assert episode.kinds == {"peak-load": 2, "slack": 1}
    assert (episode.from_us, episode.to_us) == (100 * S, 300 * S)


def test_a_pause_longer_than_the_gap_parts_two_episodes() -> None:
    both = [happened("L1", 0, 10), happened("L2", 5, 20), happened("L1", 140.5, 150), happened("L2", 141, 150)]
    assert len(episodes(both, gap_s=120)) == 2
    assert len(episodes(both, gap_s=120.5)) == 1


def test_events_of_one_line_alone_are_no_episode() -> None:
    assert episodes([happened("L1", 0, 10), happened("L1", 20, 30)], gap_s=120) == []


def test_one_event_in_which_several_lines_had_a_part_is_an_episode() -> None:
    surge = Happened("e", "surge", "S1", "L1", ("L1", "L4", "L7"), 0, 10 * S, 300.0, 5 * S)
    (episode,) = episodes([surge], gap_s=120)
    assert episode.lines == ("L1", "L4", "L7")


def test_of_two_events_with_one_peak_the_one_that_times_it_to_the_sample_is_the_largest() -> None:
    surge = Happened("s", "surge", "S1", "L7", ("L6", "L7"), 0, 90 * S, 905.0, 50 * S, 10.0, "L6")
    peak = Happened("p", "peak-load", "S1", "L7", ("L7",), 30 * S, 60 * S, 905.0, 56 * S)
    (episode,) = episodes([surge, peak], gap_s=120)
    assert (episode.largest.event, episode.largest.peak_us) == ("p", 56 * S)
    assert (episode.first.event, episode.first.first_line) == ("s", "L6")


def test_events_of_two_ships_never_belong_together() -> None:
    one, other = happened("L1", 0, 10), happened("M1", 5, 15)
    assert episodes([one, Happened(**{**other.__dict__, "ship": "S2"})], gap_s=120) == []


def test_what_lasts_for_days_does_not_draw_all_into_one() -> None:
    lost = happened("L1", 0, 3 * 86_400, kind="pretension-loss")
    soon, later = happened("L2", HELD_OPEN_S, HELD_OPEN_S + 1), happened("L3", HELD_OPEN_S + 500, HELD_OPEN_S + 501)
    (episode,) = episodes([lost, soon, later], gap_s=120)
    assert episode.lines == ("L1", "L2")


@given(EVENTS, st.randoms(use_true_random=False), st.sampled_from([0.0, 120.0, 600.0]))
def test_the_order_in_which_events_are_told_does_not_matter(
    events: list[Happened], order: random.Random, gap_s: float
) -> None:
    shuffled = list(events)
    order.shuffle(shuffled)
    assert episodes(shuffled, gap_s=gap_s) == episodes(events, gap_s=gap_s)


@given(EVENTS)
def test_no_event_is_in_two_episodes_and_none_that_fits_is_left_out(events: list[Happened]) -> None:
    found = episodes(events, gap_s=120)
    inside = [one.event for episode in found for one in episode.events]
    assert len(inside) == len(set(inside))
    for episode in found:
        others = [one for one in events if one not in episode.events]
        assert len(set(episode.lines)) > 1
        for mine in episode.events:
            for other in others:
                apart = max(other.from_us - mine.open_until_us, mine.from_us - other.open_until_us)
                assert apart > 120 * S


@given(EVENTS)
def test_an_episode_keeps_its_name_when_more_joins_it_later(events: list[Happened]) -> None:
    before = episodes(events, gap_s=120)
    if before:
        last = before[-1]
        at_s = last.first.open_until_us / S
        more = happened("L9", at_s, at_s + 1)
        assert last.episode in {one.episode for one in episodes([*events, more], gap_s=120)}
