"""Events and episodes as their pages show them: traces of the store, figures of `--json`, the way to raw rows."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path
from types import SimpleNamespace
from typing import ClassVar

import numpy as np
import pytest

from pipeline.ledger import index
from pipeline.ledger.database import open_published
from pipeline.ledger.queries import event_object
from pipeline.ledger.rows import Event
from pipeline.reports import event_facts
from pipeline.reports.chosen import Chosen, anchor, notes_path
from pipeline.reports.episode_view import foremost
from pipeline.reports.event_list import EPISODES, LISTED, events_list
from pipeline.reports.event_view import doubted, event_view, uncalibrated, window_of
from pipeline.reports.figures import Figure, Trace, command
from pipeline.reports.happening import Happenings
from pipeline.reports.making import common_of
from pipeline.reports.page import EVENTS, Page, page_path
from pipeline.reports.silence import last_reading
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.writing import page_html
from schemas.registers import Calibration
from schemas.times import DAY_US, day_of, day_start_us, rfc3339_us, us_to_datetime, us_to_rfc3339
from tests.night.berth import Berth
from tests.reports.happened import ALONE_KN, DAY, GAP, PEAKS_KN, make_happened, readings

TWO = (("00", "H1"), ("02", "H2"))


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Only asked, never changed."""
    return make_happened(tmp_path_factory.mktemp("happened") / "b")


@pytest.fixture(scope="module")
def snapshot(berth: Berth) -> Iterator[Snapshot]:
    with Snapshot(open_published(berth.root)) as opened:
        yield opened


@pytest.fixture(scope="module")
def made(snapshot: Snapshot) -> Happenings:
    return Happenings(snapshot)


def event(made: Happenings, kind: str, line: str, at: str = "08:00:00") -> Event:
    """The event of a kind and line that begins at a time of the day."""
    at_us = rfc3339_us(f"{DAY}T{at}Z")
    [found] = [e for e in made.chosen.events.values() if (e.kind, e.line, e.from_us) == (kind, line, at_us)]
    return found


def html(made: Happenings, path: str) -> str:
    """A page as it is written."""
    pages = list(made.pages())
    return page_html(next(page for page in pages if page.path == path), common_of(made.snapshot, pages))


def test_the_highest_reading_of_the_window_is_in_the_trace_to_the_last_digit(made: Happenings) -> None:
    one = event(made, "peak-load", "L1")
    view = event_view(made.told, one)
    window = view["window"]
    for line, hook in (("L1", "H1"), ("L2", "H2")):
        # From the raw log alone: no calibration, share or flag stands between it and the line here.
        held = {us: float(kn) for us, _, kn in readings(hook) if window[0] <= us < window[1]}
        [drawn] = [trace for trace in view["traces"] if trace.lines == (line,)]
        shown = {us: kn for us, kn in zip(drawn.at_us.tolist(), drawn.value.tolist(), strict=True) if kn == kn}
        assert max(shown.values()) == max(held.values()) == PEAKS_KN[line]
        assert shown.items() <= held.items()
        assert drawn.of == len(held)


def test_a_gap_of_the_record_is_a_gap_of_the_trace(made: Happenings) -> None:
    [row] = [row for row in made.snapshot.site.riggings if row.line == "L1"]
    seen = made.told.windows.tension(row, GAP[0] - 60_000_000, GAP[1] + 60_000_000)
    assert not np.any((seen.at_us >= GAP[0]) & (seen.at_us < GAP[1]))
    assert seen.gap_us < GAP[1] - GAP[0]
    one = replace(event(made, "peak-load", "L1"), from_us=GAP[0] - 1, to_us=GAP[1])
    [drawn] = [trace for trace in event_view(made.told, one)["traces"] if trace.lines == ("L1",)]
    breaks = drawn.at_us[np.isnan(drawn.value)].tolist()
    assert breaks == [GAP[0] - 2_000_000 + 1]


def test_a_long_window_is_told_by_tens_of_seconds_and_loses_no_extreme(made: Happenings) -> None:
    for hook, line in (("H1", "L1"), ("H2", "L2")):
        [row] = [row for row in made.snapshot.site.riggings if row.line == line]
        day_us = rfc3339_us(f"{DAY}T00:00:00Z")
        seen = made.told.windows.tension(row, day_us, day_us + 86_400_000_000)
        held = [float(kn) for _, _, kn in readings(hook)]
        assert seen.coarse
        assert (seen.value.min(), seen.value.max()) == (min(held), max(held))


def test_every_figure_of_an_event_is_that_of_json_to_the_last_digit(made: Happenings) -> None:
    for one in made.chosen.own:
        told = event_object(one)
        shown = _figures(html(made, page_path("events", one.event)))
        wanted = [told["peak_kn"], told["peak_pct"]]
        wanted += [v for k, v in told.items() if k in event_facts.FIGURES and v is not None]
        for value in wanted:
            assert repr(value) in shown, (one.kind, value)


def test_every_sample_of_an_event_is_walked_back_to_its_raw_file_and_line(made: Happenings, berth: Berth) -> None:
    one = event(made, "peak-load", "L2", "11:00:00")
    rows = event_view(made.told, one)["raw"]
    assert [row["what"] for row in rows] == ["first", "peak", "last"]
    for row in rows:
        raw = berth.root / "raw" / row["raw"]["sha256"]
        line = raw.read_bytes().split(b"\n")[row["raw"]["line"] - 1]
        assert line == f"{DAY}T11:00:00Z,H2,{ALONE_KN}".encode()
        assert (row["reading"].value, row["felt"]["line"].value) == (ALONE_KN, ALONE_KN)
    text = html(made, page_path("events", one.event))
    assert rows[0]["raw"]["sha256"] in text
    assert f"tautlog trace SITE {one.event}" in text


def test_limits_are_named_and_come_from_policy_and_registers(made: Happenings) -> None:
    # Ship design MBL is 1000 kN (`tests/night/berth.py`); policy's defaults are 50, 25, 10 and 1 percent of it.
    limits = {row["name"]: row["kn"] for row in event_view(made.told, event(made, "peak-load", "L1"))["limits"]}
    assert limits["peak-load"] == 500.0
    assert limits["sustained-load"] == 250.0
    assert limits["planned pretension"] == 100.0
    assert limits["slack"] == 10.0
    assert "brake setting" not in limits


def test_the_page_of_an_event_cautions_and_says_nothing_of_a_safe_place(made: Happenings) -> None:
    for page in made.pages():
        text = html(made, page.path).lower()
        for word in ("safe place", "stand clear of", "safe to", "safe distance"):
            assert word not in text
    assert "inspected before it is used again" in html(made, page_path("events", event(made, "peak-load", "L1").event))


def test_an_episode_tells_each_of_its_events_with_its_trace_and_leads_to_their_pages(made: Happenings) -> None:
    [episode] = made.chosen.episodes
    text = html(made, page_path("episodes", episode["episode"]))
    assert unescape(text).count(episode["sentence"]) == 1
    for name in episode["events"]:
        assert f'id="e-{name}"' in text
        assert f'href="../{page_path("events", name)}"' in text
        assert f"tautlog trace SITE {name}" in text
        assert repr(made.chosen.events[name].peak_kn) in _figures(text)


def test_notes_of_a_line_share_a_page_for_a_day_and_have_none_of_their_own(made: Happenings) -> None:
    note = event(made, "slack", "L1", "08:59:58")
    path = notes_path("L1", day_of(note.from_us))
    assert made.chosen.path(note.event) == f"{path}#{anchor(note)}"
    assert f'id="{anchor(note)}"' in html(made, path)
    assert page_path("events", note.event) not in [page.path for page in made.pages()]


def test_events_older_than_a_week_have_a_page_only_in_their_episode_or_where_asked_for(
    made: Happenings, snapshot: Snapshot
) -> None:
    events, episodes = index.events(snapshot.ledger), snapshot.episodes
    later = Chosen(events, episodes, rfc3339_us("2026-03-10T00:00:00Z"))
    alone = event(made, "peak-load", "L2", "11:00:00")
    together = event(made, "peak-load", "L2")
    assert later.own == []
    assert later.notes == {}
    assert later.path(alone.event) == ""
    assert later.path(together.event) == f"{page_path('episodes', episodes[0]['episode'])}#{anchor(together)}"
    assert Chosen(events, episodes, 0).path(alone.event) == page_path("events", alone.event)


def test_the_list_names_every_event_and_leads_to_its_page(made: Happenings) -> None:
    text = html(made, "events.html")
    for one in made.chosen.events.values():
        path = made.chosen.path(one.event)
        assert f'href="{path.partition("#")[0]}' in text
    assert text.count('<tr id="e-') == sum(one.payload["severity"] != "note" for one in made.chosen.events.values())


def test_a_page_keeps_its_key_until_what_it_rests_on_changes(berth: Berth, made: Happenings, tmp_path: Path) -> None:
    later = berth.copy(tmp_path / "b")
    assert _keys(later) == {page.path: page.key for page in made.pages() if page.key is not None}
    # Inside no window; the first day with a later sample is posted by it, the next changes nothing of it.
    later.deliver("hooks_4.csv", [(rfc3339_us(f"2026-03-05T12:30:{s}Z"), hook, 101.0) for s, hook in TWO])
    later.night()
    keys = _keys(later)
    assert len(keys) == 3 + 1 + 1
    later.deliver("hooks_6.csv", [(rfc3339_us(f"2026-03-06T12:30:{s}Z"), hook, 101.0) for s, hook in TWO])
    later.night()
    assert _keys(later) == keys
    later.deliver("hooks_5.csv", [(rfc3339_us(f"{DAY}T08:00:01Z"), "H2", 600.0)])
    later.night()
    changed = {path for path, key in _keys(later).items() if keys.get(path) != key}
    assert changed == set(keys)


def test_a_line_of_hostile_name_gives_a_page_inside_the_folder() -> None:
    path = notes_path("../../L1<script>", day_of(GAP[0]))
    assert re.fullmatch(r"events/[a-z0-9.-]+\.html", path)


def test_every_number_of_an_event_has_a_label_of_its_own() -> None:
    shown = {"kind": "x", "run": 1, "unheard_of_kn": 12.5, "lasted_s": 3.0, "back_at": None, "measured_at": "drum"}
    found = {fact["key"]: fact for fact in event_facts.facts(shown, _trace())}
    assert found["unheard_of_kn"]["label"] == "unheard_of_kn"
    assert found["unheard_of_kn"]["cell"] == Figure(12.5, _trace(), "kN", 0)
    assert found["lasted_s"]["label"] == "hung slack for"
    assert found["back_at"]["cell"] is None
    assert found["measured_at"]["cell"] == "drum"
    assert "kind" not in found
    assert "run" not in found


def test_what_is_drawn_around_a_happening_is_as_long_as_it_within_bounds() -> None:
    assert window_of(1_000_000_000, 1_000_000_000) == (1_000_000_000 - 120_000_000, 1_000_000_000 + 120_000_001)
    long_us = 36_000_000_000
    assert window_of(0, long_us) == (-1_800_000_000, long_us + 1_800_000_001)


def _trace() -> Trace:
    return command("trace", "E")


def _figures(text: str) -> set[str]:
    return set(re.findall(r'<data class="fig" value="([^"]*)"', text))


def _keys(berth: Berth) -> dict[str, str]:
    with Snapshot(open_published(berth.root)) as opened:
        return {page.path: page.key for page in Happenings(opened).pages() if page.key is not None}


def test_however_many_events_there_are_the_list_stays_under_its_size(made: Happenings) -> None:
    [episode], [one] = made.chosen.episodes, [event(made, "peak-load", "L1")]
    many = {f"{i:016x}": replace(one, event=f"{i:016x}", from_us=one.from_us - i * 60_000_000) for i in range(5000)}
    episodes = [{**episode, "episode": f"{i:016x}", "events": [f"{i:016x}"]} for i in range(2000)]
    shown = events_list(Chosen(many, episodes, 0))
    text = page_html(Page(EVENTS, "Events", "events.html.j2", shown), common_of(made.snapshot, []))
    assert len(text.encode()) < 1_500_000
    assert (shown["left_out"], shown["episodes_left_out"]) == (5000 - LISTED, 2000 - EPISODES)
    # What is not listed is counted.
    assert sum(row.cells[2].value for row in shown["months"].rows) == 5000


def test_the_gravest_events_of_a_long_episode_are_told_in_order_of_time(made: Happenings) -> None:
    one = event(made, "peak-load", "L2")
    quiet = [replace(one, event=f"q{i}", from_us=one.from_us + i, peak_kn=100.0 + i) for i in range(5)]
    alarm = replace(event(made, "peak-load", "L1"), from_us=one.from_us + 9, peak_kn=1.0)
    assert [e.event for e in foremost([*quiet, alarm], 3)] == ["q3", "q4", alarm.event]


def test_a_gauge_without_a_calibration_on_record_is_a_reason_to_doubt_an_event(made: Happenings) -> None:
    one = event(made, "peak-load", "L1")
    words = "H1: no calibration is registered"
    assert words in html(made, page_path("events", one.event))
    assert doubted(made.told.site, one, {"doubtful": "spikes"})["doubtful"] == f"spikes; {words}"


def test_a_calibration_counts_from_its_day_and_until_it_is_due() -> None:
    held = Calibration.model_validate({"channel": "H1-tension", "from": "2026-01-01T00:00:00Z", "zero_kn": 0.0,
                                       "gain": 1.0, "due": "2026-06-30"})  # fmt: skip

    class Site:
        channels: ClassVar = {"H1-tension": SimpleNamespace(quantity="tension")}

        def calibrations_of(self, channel: str) -> list[Calibration]:
            return [held]

    def at(when: str) -> str | None:
        return uncalibrated(Site(), "H1-tension", rfc3339_us(when))  # type: ignore[arg-type]

    assert at("2025-12-31T23:59:59Z") == "H1-tension: no calibration is registered"
    assert at("2026-01-01T00:00:00Z") is None
    assert at("2026-06-30T23:59:59Z") is None
    assert at("2026-07-01T00:00:00Z") == "H1-tension: its calibration was due on 2026-06-30"


def test_notes_of_a_line_whose_channel_fell_silent_say_after_which_instant_nothing_was_read(made: Happenings) -> None:
    [(line, day)] = [key for key in made.chosen.notes if key[0] == "L1"]
    text = re.sub(r"<[^>]+>", "", html(made, notes_path(line, day)))
    last = us_to_rfc3339(readings("H1")[-1][0])
    assert f"No reading after {last[:10]} {last[11:19]}.000 UTC" in text


def test_a_line_that_was_read_until_it_was_let_go_is_not_called_silent(made: Happenings) -> None:
    [row] = [row for row in made.told.site.riggings if row.line == "L1"]
    let_go = row.model_copy(update={"to_at": us_to_datetime(readings("H1")[-1][0] + 2_000_000)})
    window = (day_start_us(day_of(row.from_us)), day_start_us(day_of(row.from_us)) + DAY_US)
    assert let_go.to_us is not None
    assert last_reading(made.told, [let_go], window) is None
    assert last_reading(made.told, [row], window) is not None
    assert last_reading(made.told, [], window) is None
