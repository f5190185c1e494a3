"""`tautlog sampling`: is the logger fast enough, by its stored samples and the line rigged there."""

import math
from pathlib import Path

import pytest

from tests.cli.command import tautlog
from tests.night.berth import CHANNEL_COLUMNS, Berth, Row, make_berth, record
from tests.night.berth import values as readings

RIGGED = ("L1,H1,2026-03-02T00:00:00Z,,a,100", "T1,H1,2026-03-02T00:00:00Z,,a,100", "L2,H2,2026-03-02T00:00:00Z,,b,50")


def swell(start: str, samples_a_period: float, count: int = 3000, *, hook: str = "H1") -> list[Row]:
    """A sine of 300 kN with 100 kN either way, read every 2 s."""
    kn = [round(300 + 100 * math.sin(2 * math.pi * i / samples_a_period), 2) for i in range(count)]
    return readings(start, kn, hook=hook)


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Many samples a wave on hook 1, few on hook 2, none on hook 3; hooks 4 and 5 keep means and maxima."""
    made = make_berth(tmp_path_factory.mktemp("sampled") / "b", RIGGED, hooks=("H1", "H2", "H3"))
    text = (
        (made.root / "channels.csv").read_text(encoding="utf-8").replace(CHANNEL_COLUMNS, f"{CHANNEL_COLUMNS},recorded")
    )
    rows = [f"{row},instant" for row in text.splitlines()[1:]]
    rows += [f"H{n},tension,load-pin,0.5,3000,H{n},,{kept}" for n, kept in ((4, "mean"), (5, "max"))]
    rows.append("H1-payout,payout,other,0.5,,H1,,instant")
    made.write("channels.csv", "\n".join((f"{CHANNEL_COLUMNS},recorded", *rows)) + "\n")
    made.deliver("hooks_1.csv", swell("2026-03-02T06:00", 20.3) + swell("2026-03-02T06:00", 10.3, hook="H2"))
    made.deliver("hooks_2.csv", record("2026-03-03T06:00") + record("2026-03-03T06:00", hook="H2"))
    made.deliver("hooks_3.csv", record("2026-03-02T06:00", hook="H4") + record("2026-03-02T06:00", hook="H5"))
    made.night()
    return made


@pytest.fixture(scope="module")
def site(berth: Berth) -> Path:
    return berth.root


def test_every_tension_channel_has_its_verdict_on_its_last_full_day(site: Path) -> None:
    ran = tautlog("sampling", site, "--json")
    assert ran.code == 0
    found = {row["channel"]: row for row in ran.json["channels"]}
    assert list(found) == ["H1", "H2", "H3", "H4", "H5"]
    assert (found["H1"]["from_at"], found["H1"]["to_at"]) == ("2026-03-02T00:00:00Z", "2026-03-03T00:00:00Z")
    # By hand: n samples a period miss (pi / n)^2 / 6 of the range on average, and 4.5 times that of life: 2 % and 7 %.
    assert found["H1"]["outcome"] == "fast enough"
    assert found["H2"]["outcome"] == "too slow"
    assert found["H1"]["rate_hz"] == found["H2"]["rate_hz"] == 0.5
    assert found["H1"]["line"] in ("L1", "T1")
    assert found["H2"]["line"] == "L2"
    assert found["H1"]["basis"] == "severity index"
    assert found["H1"]["life"]["full"] > found["H1"]["life"]["half"] > found["H1"]["life"]["quarter"] > 0
    assert "NaN" not in ran.out


def test_means_and_maxima_and_a_hook_without_samples_cannot_be_told(site: Path) -> None:
    found = {row["channel"]: row for row in tautlog("sampling", site, "--json").json["channels"]}
    for name, words in (("H3", "no samples"), ("H4", "recorded as mean"), ("H5", "recorded as max")):
        assert found[name]["outcome"] == "cannot be told"
        assert words in found[name]["words"]
        assert found[name]["life"] == {"full": None, "half": None, "quarter": None}


def test_the_share_of_the_line_rigged_there_prices_the_tension(site: Path) -> None:
    (row,) = tautlog("sampling", site, "H2", "--json").json["channels"]
    # By hand: 3000 samples at 10.3 a period are 291 cycles, of up to 200 kN, half of it the line's, of 1200 kN.
    most = 291 * (0.5 * 200 / 1200) ** 4.5 / 10 ** (3.1 - 0.4 * 0.5 * 300 / 1200)
    assert 0.8 * most < float(row["life"]["full"]) < 1.02 * most


def test_days_may_be_named_and_too_few_samples_are_said(site: Path) -> None:
    (row,) = tautlog("sampling", site, "H1", "--from", "2026-03-03", "--to", "2026-03-03", "--json").json["channels"]
    assert row["outcome"] == "cannot be told"
    assert row["words"].startswith("40 samples, fewer than 1000")
    (row,) = tautlog("sampling", site, "H1", "--from", "2026-03-02", "--json").json["channels"]
    assert row["outcome"] == "fast enough"
    assert row["to_at"] == "2026-03-04T00:00:00Z"
    (row,) = tautlog("sampling", site, "H1", "--from", "2026-04-01", "--to", "2026-04-02", "--json").json["channels"]
    assert "no samples" in row["words"]


def test_a_hook_with_samples_and_no_line_cannot_be_priced(tmp_path: Path) -> None:
    made = make_berth(tmp_path / "b")
    made.deliver("hooks_1.csv", record("2026-03-02T06:00") + record("2026-03-02T06:00", hook="H2"))
    made.night()
    (row,) = tautlog("sampling", made.root, "H2", "--json").json["channels"]
    assert (row["line"], row["outcome"]) == (None, "cannot be told")
    assert "no line was rigged" in row["words"]


def test_the_text_gives_verdict_and_limits(site: Path) -> None:
    ran = tautlog("sampling", site)
    assert ran.code == 0
    assert "fast enough: some" in ran.out
    assert "too slow: the figure is at least" in ran.out
    # Of a curve that is nobody's own the percents are no percents of life, and the row says of what they are.
    assert "severity index" in ran.out
    assert "filters before it samples" in ran.out
    assert "no word on the line" in ran.out
    assert "2026-03-02 00:00 to 2026-03-03 00:00" in ran.out


@pytest.mark.parametrize(("name", "next_step"), [("h1", "did you mean H1"), ("H1-payout", "see channels.csv")])
def test_a_name_that_is_no_tension_channel_is_refused(site: Path, name: str, next_step: str) -> None:
    ran = tautlog("sampling", site, name)
    assert ran.code == 78
    assert "no tension channel is called" in ran.err
    assert next_step in ran.err


def test_a_statement_tells_what_is_not_in_its_figures(site: Path) -> None:
    ran = tautlog("statement", site, "L1")
    assert ran.code == 0
    block = ran.out[ran.out.index("What is not in these figures") :]
    for words in (
        "Unobserved time (",
        "at least 20 are needed (house rule)",
        "Coming days: no rate",
        "record too short",
    ):
        assert words in block
    found = tautlog("statement", site, "L1", "--json").json
    assert {"unobserved", "forecast", "return_peaks", "shares"} <= found.keys()
    assert found["unobserved"]["reckoned"] is False
