"""What the ledger said on an earlier day is said again, to the last digit, whatever was learnt since."""

import hashlib
import json
from decimal import Decimal

import pytest

from pipeline.ledger.as_known import open_as_known
from schemas.times import us_to_rfc3339
from tests.cli.command import tautlog
from tests.night.berth import Berth, make_berth, record, values

Answers = dict[tuple[str, ...], str]
"""What each question was answered, as JSON text."""
ASKED = (("statement", "L1"), ("statement", "L1", "--history"), ("status",), ("events",), ("receipts",), ("findings",))
SAYS_WHEN = {"as_known_on", "committed_at"}


def printed(berth: Berth) -> Answers:
    """Every answer that can be asked for as it was known, as `--json` prints it now."""
    return {asked: tautlog(asked[0], berth.root, *asked[1:], "--json").out for asked in ASKED}


def committed_us(berth: Berth) -> list[int]:
    """When each run committed, by its manifest."""
    manifests = sorted((berth.root / "manifests").glob("*.json"))
    return [json.loads(path.read_bytes())["meta"]["committed_us"] for path in manifests]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Berth, list[Answers]]:
    """Five nights, and what was printed after each: first data, late data, a withdrawal, another spec, no more line."""
    berth = make_berth(tmp_path_factory.mktemp("told") / "b", ["L1,H1,2026-03-02T00:00:00Z,,a,100"])
    said = []
    first = berth.deliver("hooks_1.csv", record("2026-03-02T06:00") + values("2026-03-02T07:00", [90.0, 620.0, 80.0]))
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00"))
    berth.night(through="2026-03-03")
    said.append(printed(berth))
    berth.deliver("hooks_late.csv", values("2026-03-02T18:00", [50.0, 480.0, "x", 60.0]))
    berth.night()
    said.append(printed(berth))
    berth.write("withdrawn.csv", f"sha256,reason\n{hashlib.sha256(first).hexdigest()},another berth's log\n")
    berth.night()
    said.append(printed(berth))
    berth.edit("specs/rope.toml", "m = 4.5", "m = 3.5")
    berth.night()
    said.append(printed(berth))
    berth.write("withdrawn.csv", "sha256,reason\n")
    berth.rig("L2,H1,2026-03-02T00:00:00Z,,a,100")
    berth.night()
    said.append(printed(berth))
    return berth, said


def test_every_answer_as_known_on_a_night_is_the_one_that_was_printed_then(
    told: tuple[Berth, list[Answers]],
) -> None:
    berth, said = told
    assert len({answers["statement", "L1"] for answers in said}) == 5  # each night said something else
    for run, (at_us, answers) in enumerate(zip(committed_us(berth), said, strict=True), 1):
        for asked, then in answers.items():
            ran = tautlog(asked[0], berth.root, *asked[1:], "--as-known-on", us_to_rfc3339(at_us), "--json")
            assert (ran.code, ran.err) == (0, "")
            now, before = ran.json, json.loads(then, parse_float=Decimal)
            assert (now["run"]["run"], now["committed_at"]) == (run, us_to_rfc3339(at_us))
            assert now["as_known_on"] == us_to_rfc3339(at_us)
            more = SAYS_WHEN | ({"run"} - before.keys())
            assert {key: value for key, value in now.items() if key not in more} == before


def test_a_day_means_its_end(told: tuple[Berth, list[Answers]]) -> None:
    berth, _ = told
    (day,) = {us_to_rfc3339(at_us)[:10] for at_us in committed_us(berth)[-1:]}
    answer = tautlog("statement", berth.root, "L1", "--as-known-on", day, "--json").json
    assert answer["as_known_on"] == f"{day}T23:59:59.999999Z"
    assert answer["run"]["run"] == 5


def test_the_text_says_of_which_run_it_is(told: tuple[Berth, list[Answers]]) -> None:
    berth, _ = told
    at = us_to_rfc3339(committed_us(berth)[1])
    for asked in ASKED:
        ran = tautlog(asked[0], berth.root, *asked[1:], "--as-known-on", at)
        first = ran.out.splitlines()[0]
        assert first.startswith(f"As known on {at}: run 2 (000002-")
        assert f"committed {at}; what came later is not in here." in first
        assert "As known on" not in tautlog(asked[0], berth.root, *asked[1:]).out


def test_before_the_first_run_nothing_was_known(told: tuple[Berth, list[Answers]]) -> None:
    berth, _ = told
    ran = tautlog("statement", berth.root, "L1", "--as-known-on", us_to_rfc3339(committed_us(berth)[0] - 1))
    assert ran.code == 78
    assert "nothing was known yet at" in ran.err
    assert f"found a first run committed at {us_to_rfc3339(committed_us(berth)[0])}" in ran.err
    assert ran.out == ""


def test_a_time_that_is_none_is_a_usage_error(told: tuple[Berth, list[Answers]]) -> None:
    berth, _ = told
    assert tautlog("statement", berth.root, "L1", "--as-known-on", "yesterday").code == 2


def test_nothing_is_written_or_locked_by_asking(told: tuple[Berth, list[Answers]]) -> None:
    berth, _ = told
    before = {path: path.stat().st_mtime_ns for path in berth.root.rglob("*")}
    with open_as_known(berth.root, committed_us(berth)[2]) as ledger:
        assert ledger.rows("SELECT max(run) FROM runs") == [(3,)]
        assert ledger.rows("SELECT max(run) FROM receipts") == [(3,)]
        berth.night()  # a run needs nothing that the answer holds
    assert {path: path.stat().st_mtime_ns for path in before} | {
        path: before[path]
        for path in before
        if path.name in ("run.lock", "ledger.duckdb", "last-night.json", berth.root.name)
    } == before
