"""A brake's state holds until the next is told: over a midnight, over missing readings, seen from either day."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.ledger.brakes import brakes_json
from tests.night.berth import Berth, make_berth
from tests.night.winch import LAYOUT

MIDNIGHT = "2026-03-03T00:00:0"
CHANNELS = """channel,quantity,kind,rate_hz,capacity,place
W1-pull,tension,winch-brake,0.5,3000,W1
W1-payout,payout,other,0.5,,W1
W1-brake,brake,other,0.5,,W1
"""


def night_of(root: Path, *rows: str) -> Berth:
    """A line on a winch, after one night with these rows (`at,pull,payout,brake`; brake 1 set, 0 open)."""
    berth = make_berth(root, ["L1,W1-pull,2026-03-02T00:00:00Z,,a,100"], files={"layouts/winch.toml": LAYOUT})
    (root / "layouts" / "hooks.toml").unlink()
    berth.write("channels.csv", CHANNELS)
    berth.write("winches.csv", "place,brake_set_kn,set_on\nW1,1000,2026-01-01\n")
    berth.deliver("winch_1.csv", "\n".join(("at,pull,payout,brake", *rows, "")).encode())
    berth.night(through="2026-03-03")
    return berth


@pytest.mark.parametrize("told_missing", ["2026-03-02T10:00:02Z", "2026-03-02T23:59:58Z"])
def test_a_brake_left_open_keeps_its_gauge_out_on_the_day_after_though_its_last_reading_is_missing(
    tmp_path: Path, told_missing: str
) -> None:
    before = ("2026-03-02T10:00:00Z,240,5.00,0", f"{told_missing},300,5.00,---")
    after = (f"{MIDNIGHT}{second}Z,{kn},5.00,---" for second, kn in ((0, 500), (2, 100), (4, 400), (6, 0)))
    berth = night_of(tmp_path / "b", *before, *after)
    assert berth.coverage() == (2 * 86_400, 0)
    assert berth.posted() == {}
    assert berth.audit() == []


def test_what_a_gauge_read_before_midnight_with_its_brake_open_is_no_break_out_after_it(tmp_path: Path) -> None:
    berth = night_of(
        tmp_path / "b",
        "2026-03-02T10:00:00Z,240,5.00,0",
        "2026-03-02T23:59:57.5Z,640,5.00,---",  # the gauge measures nothing: the brake has been open since ten
        "2026-03-02T23:59:59.5Z,240,5.00,1",
        "2026-03-03T00:00:00.5Z,230,5.20,1",
        "2026-03-03T00:00:01.5Z,220,5.40,1",
    )
    [event] = berth.events()
    assert (event.kind, event.peak_kn, event.payload["breakout_kn"]) == ("brake-render", 240.0, 240.0)
    assert berth.audit() == []


def test_at_what_load_a_brake_let_go_while_its_gauge_stuck_is_not_known_and_speaks_for_no_verdict(
    tmp_path: Path,
) -> None:
    def rows(stuck: bool) -> list[str]:
        kn = [600.0 if stuck and second >= 60 else 600.0 + second % 7 for second in range(0, 7200, 2)]
        payout_m = [5.0 if second < 7000 else min(5.0 + (second - 7000) / 100, 5.4) for second in range(0, 7200, 2)]
        at = [timedelta(hours=10, seconds=second) for second in range(0, 7200, 2)]
        rows = zip(at, kn, payout_m, strict=True)
        return [f"{datetime(2026, 3, 2, tzinfo=UTC) + t:%FT%TZ},{pull},{out:.2f},1" for t, pull, out in rows]

    for stuck, verdict, doubtful in ((False, "early", None), (True, None, "break-out")):
        berth = night_of(tmp_path / str(stuck), *rows(stuck))
        [event] = [one for one in berth.events() if one.kind == "brake-render"]
        assert (event.payload["verdict"], event.payload["doubtful"]) == (verdict, doubtful)
        assert event.payload["payout_m"] == pytest.approx(0.4, abs=0.03)
        [brake] = berth.ask(brakes_json)["brakes"]
        assert brake["verdict"] == ("not exercised" if stuck else "renders early")
        assert berth.audit() == []
