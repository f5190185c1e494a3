"""Loads above a brake's setting, from raw logs through a night to events, the answer about brakes, and advice."""

from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import DataError
from pipeline.ledger.brakes import brakes_json
from pipeline.ledger.queries import events_json
from pipeline.ledger.status import status
from pipeline.render_brakes import brakes_text
from pipeline.render_events import sentence
from tests.night.berth import SPEC, Berth, make_berth
from tests.night.winch import LAYOUT

GAUGE = "W1-pull,tension,winch-brake,0.5,3000,W1"
PIN = "W1-pull,tension,load-pin,0.5,3000,W1"
PAYOUT = "W1-payout,payout,other,0.5,,W1"
BRAKE = "W1-brake,brake,other,0.5,,W1"
WINCHES = "place,brake_set_kn,set_on\nW1,400,2026-01-01\n"
ABRASION = """[abrasion]
friction = 0.25
stiffness = 30.0
allowable_work_kj = { smooth = 1000.0 }
source = "invented for the test"
"""


def night_of(
    root: Path,
    *rows: str,
    channels: tuple[str, ...] = (GAUGE, PAYOUT, BRAKE),
    winches: str = WINCHES,
    wrap_deg: str = "",
    spec: str = SPEC,
) -> Berth:
    """A line on a winch from 2026-03-01 on, after one night with these rows (`at,pull,payout,brake`)."""
    used = [name for name in ("pull", "payout", "brake") if any(f"W1-{name}," in row for row in channels)]
    layout = LAYOUT if len(used) == 3 else LAYOUT.split('[[value]]\ncolumn = "payout"')[0]
    berth = make_berth(root, files={"layouts/winch.toml": layout, "winches.csv": winches, "specs/rope.toml": spec})
    (root / "layouts" / "hooks.toml").unlink()
    rigged = f"L1,W1-pull,2026-03-01T00:00:00Z,,a,100,{wrap_deg}"
    berth.write("rigging.csv", f"line,channel,from,to,outboard_end,share_pct,wrap_deg\n{rigged}\n")
    berth.write("channels.csv", "channel,quantity,kind,rate_hz,capacity,place\n" + "\n".join(channels) + "\n")
    berth.deliver("winch_1.csv", "\n".join(("at,pull,payout,brake", *rows, "")).encode())
    berth.night(through="2026-03-03")
    return berth


def rows(*kn: float, start: str = "2026-03-02T12:00:0", payout: float = 5.0) -> list[str]:
    """Pulls a second apart, the brake set and no line paid out."""
    return [f"{start}{second}Z,{pull},{payout:.2f},1" for second, pull in enumerate(kn)]


def brakes(berth: Berth) -> dict[str, Any]:
    found: dict[str, Any] = berth.ask(brakes_json)
    return found


def told(berth: Berth) -> list[str]:
    """The sentences of all events."""
    return [sentence(event) for event in berth.ask(events_json)["events"]]


def test_a_brake_that_held_above_its_setting_is_an_event_a_verdict_and_advice(tmp_path: Path) -> None:
    berth = night_of(tmp_path / "b", *rows(300, 410, 450, 441, 300))
    [event] = berth.events()
    assert (event.kind, event.peak_kn, event.payload["severity"]) == ("brake-held", 450.0, "alarm")
    assert (event.payload["brake_set_kn"], event.payload["held_pct_of_set"]) == (400.0, 112.5)
    assert event.payload["payout_m"] == 0.0
    assert told(berth) == [
        "brake held at 450 kN, 112 % of the 400 kN it was set to, and let out no line: it ought to have let go"
    ]
    [brake] = brakes(berth)["brakes"]
    assert (brake["place"], brake["verdict"], brake["held"]["kn"]) == ("W1", "holds above set", 450.0)
    assert (brake["test_due"], brake["tested_on"]) == (False, "2026-01-01")
    [line] = [row for row in berth.ask(status)["lines"] if row["line"] == "L1"]
    [said] = [one for one in line["advice_list"] if one["rule"] == "check-brake"]
    assert "held 450 kN" in said["because"]
    assert "112.5 % of the 400 kN it was set to" in said["because"]
    text = brakes_text(brakes(berth))
    assert "holds above set" in text
    assert "tested by the winch maker's procedure; nothing here replaces a test" in " ".join(text.split())
    assert berth.audit() == []


def test_up_to_a_tenth_above_its_setting_it_is_a_note(tmp_path: Path) -> None:
    berth = night_of(tmp_path / "b", *rows(300, 440, 440, 300))
    [event] = berth.events()
    assert event.payload["severity"] == "note"


def test_a_load_that_runs_through_midnight_is_one_event(tmp_path: Path) -> None:
    before = [f"2026-03-02T23:59:{second}Z,{pull},5.00,1" for second, pull in ((57, 300), (58, 430), (59, 450))]
    after = [f"2026-03-03T00:00:0{second}Z,{pull},5.00,1" for second, pull in ((0, 460), (1, 300))]
    berth = night_of(tmp_path / "b", *before, *after)
    [event] = berth.events()
    assert (event.kind, event.peak_kn, event.payload["runs"]) == ("brake-held", 460.0, 1)
    assert berth.audit() == []


def test_a_brake_that_let_line_out_did_not_hold_and_renders_late(tmp_path: Path) -> None:
    pulled = [(0, 300, 5.0), (1, 480, 5.0), (2, 470, 5.3), (3, 300, 5.3)]
    berth = night_of(tmp_path / "b", *(f"2026-03-02T12:00:0{s}Z,{kn},{m:.2f},1" for s, kn, m in pulled))
    assert [event.kind for event in berth.events()] == ["brake-render"]
    [brake] = brakes(berth)["brakes"]
    assert brake["verdict"] == "renders late"
    [let_go] = brake["let_go"]
    assert (let_go["kn"], let_go["pct_of_set"], let_go["basis"]) == (480.0, 120.0, "payout")
    assert berth.audit() == []


def test_while_the_winch_is_under_power_its_brake_holds_nothing(tmp_path: Path) -> None:
    open_ = [f"2026-03-02T12:00:0{second}Z,{pull},5.00,0" for second, pull in ((0, 300), (1, 450), (2, 450), (3, 300))]
    berth = night_of(tmp_path / "b", *open_)
    assert berth.events() == []
    assert brakes(berth)["brakes"][0]["verdict"] == "not exercised"


def test_without_a_payout_channel_it_says_that_it_may_have_let_out_line(tmp_path: Path) -> None:
    berth = night_of(tmp_path / "b", *rows(300, 450, 441, 300), channels=(GAUGE,))
    [event] = berth.events()
    assert (event.payload["payout_m"], event.payload["payout_told"]) == (None, "no channel")
    assert event.payload["severity"] == "warning"
    assert "payout is not recorded" in told(berth)[0]
    assert "whether it let out line when it held is not measured" in brakes_text(brakes(berth))


def test_a_load_at_the_hook_is_held_against_the_setting_as_the_drum_bore_it_where_the_chock_is_registered(
    tmp_path: Path,
) -> None:
    # e^(0.25 * pi/2) = 1.481 by hand: 500 kN at the hook are 337.6 kN at the drum, below 400; 700 are 472.7.
    high = rows(300, 500, 500, 300)
    known = {"channels": (PIN,), "wrap_deg": "90", "spec": SPEC + ABRASION}
    assert night_of(tmp_path / "below", *high, **known).events() == []  # type: ignore[arg-type]
    above = night_of(tmp_path / "above", *rows(300, 700, 700, 300), **known)  # type: ignore[arg-type]
    [event] = [one for one in above.events() if one.kind == "brake-held"]
    assert event.payload["drum_kn"] == pytest.approx(472.7, abs=0.05)
    [unknown] = night_of(tmp_path / "unknown", *high, channels=(PIN,)).events()
    assert (unknown.payload["measured_at"], unknown.payload["drum_kn"]) == ("hook", None)
    assert "(at the hook; the drum's is not reckoned)" in told(Berth(tmp_path / "unknown"))[0]


def test_a_new_setting_makes_the_days_of_that_winch_again_and_no_posting(tmp_path: Path) -> None:
    berth = night_of(tmp_path / "b", *rows(300, 450, 441, 300))
    posted = berth.posted()
    berth.write("winches.csv", "place,brake_set_kn,set_on\nW1,500,2026-01-01\n")
    berth.night()
    assert berth.events() == []
    assert berth.posted() == posted
    assert brakes(berth)["brakes"][0]["verdict"] == "not exercised"
    assert brakes(berth)["brakes"][0]["highest"]["kn"] == 450.0
    assert berth.audit() == []


def test_a_place_that_is_no_winch_is_an_error_that_names_those_there_are(tmp_path: Path) -> None:
    berth = night_of(tmp_path / "b", *rows(300, 310))
    assert len(berth.ask(lambda ledger: brakes_json(ledger, place="W1"))["brakes"]) == 1
    with pytest.raises(DataError, match="expected W1"):
        berth.ask(lambda ledger: brakes_json(ledger, place="W2"))
