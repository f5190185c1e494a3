"""What changes after it was posted is reversed and posted anew, as far as it reaches and no further, and says why.

Whatever happened on the way, the end is that of a fresh site with all logs and the last registers.
"""

import hashlib
from collections.abc import Sequence
from decimal import Decimal

import pytest

from pipeline.nightly import run_ingest
from tests.extent import is_long
from tests.night.berth import LAYOUT, Berth, felt, lives, record, values
from tests.night.conftest import DAYS

LATE = "late or corrected samples"
CARRIED = "open cycles carried from earlier days changed"
GONE = "nothing is left to post for this line, zone and day"


def redone(line: str, days: Sequence[str], reason: str, zone: str = "a") -> list[tuple[str, str, str, str, str]]:
    """Each day reversed, then posted anew, for one reason."""
    return [(line, zone, day, kind, reason) for day in days for kind in ("reversal", "posting")]


def settled(berth: Berth) -> None:
    """The books are right, and are those of a site where it had been so from the start."""
    assert berth.audit() == []
    assert berth.live() == berth.anew().live()
    assert berth.night().run_id is None


def recounted(berth: Berth) -> None:
    """The books are right by an audit, which reckons every day anew; in long runs also those of a fresh site, which
    other tests of each section ask in every run."""
    if is_long():
        settled(berth)
    else:
        assert berth.audit() == []
        assert berth.night().run_id is None


def test_the_first_night_posts_what_an_independent_count_gives(four_days: Berth) -> None:
    first = felt(*(record(f"{day}T06:00") for day in DAYS), begins="2026-03-02T00:00")
    assert {day: life for (_, day), life in four_days.posted("L1").items()} == lives(first)
    assert set(four_days.posted("L2")) == {("b", day) for day in DAYS}
    settled(four_days)


# ------------------------------------------------------------------------------------------- late files


def test_a_late_file_reverses_and_reposts_only_the_day_whose_cycles_it_changes(four_days: Berth) -> None:
    rows = record("2026-03-03T06:00")
    rise = next(i for i in range(2, 38) if float(rows[i + 1][2]) - float(rows[i][2]) > 60)
    at_us, _, low = rows[rise]
    late = [(at_us + 500_000, "H1", float(low) + 50), (at_us + 1_000_000, "H1", float(low) + 10)]
    four_days.deliver("hooks_late.csv", late)
    night = four_days.night()
    assert four_days.entered() == redone("L1", ["2026-03-03"], LATE)
    assert night.entries_posted == 2
    # Of tension the day after looks only at the last hour before it, and nothing came there.
    assert [day.isoformat() for day in night.days] == ["2026-03-03"]
    days = [record(f"{day}T06:00") for day in DAYS]
    days[1] = sorted([*days[1], *late])
    assert {day: life for (_, day), life in four_days.posted().items()} == lives(felt(*days, begins="2026-03-02T00:00"))
    settled(four_days)


def test_what_a_late_file_leaves_open_is_reversed_on_the_days_after_it(four_days: Berth) -> None:
    days = [record(f"{day}T06:00") for day in DAYS]
    before = lives(felt(*days, begins="2026-03-02T00:00"))
    late = values("2026-03-03T18:00", [50.0, 250.0])
    after = lives(felt(*days[:2], late, *days[2:], begins="2026-03-02T00:00"))
    changed = [day for day in DAYS if before[day] != after[day]]
    assert changed[:2] == ["2026-03-03", "2026-03-04"]
    four_days.deliver("hooks_late.csv", late)
    four_days.night()
    entered = four_days.entered()
    assert [entry[:4] for entry in entered] == [entry[:4] for entry in redone("L1", changed, "")]
    assert [CARRIED in reason for *_, reason in entered] == [False, False] + [True, True] * (len(changed) - 1)
    assert {day: life for (_, day), life in four_days.posted().items()} == after
    recounted(four_days)


def test_files_in_any_order_one_a_night_end_the_same(four_days: Berth) -> None:
    backwards = four_days.emptied()
    for name, data in sorted(four_days.delivered.items(), reverse=True):
        backwards.deliver(name, data)
        backwards.night()
    backwards.night(through=DAYS[-1])
    assert backwards.live() == four_days.live()
    assert backwards.audit() == []


# ------------------------------------------------------------------------------------------- prices


def test_a_changed_spec_reprices_all_its_days_without_reading_a_sample(four_days: Berth) -> None:
    sheets = four_days.sheets()
    for kept in ("raw", "store/samples", "store/flags"):
        (four_days.root / kept).rename(four_days.root / kept.replace("/", "-").join("--"))
    four_days.edit("specs/rope.toml", "m = 4.5", "m = 3.5")
    night = four_days.night()
    assert four_days.entered() == [
        *redone("L1", DAYS, "spec or break force changed"),
        *redone("L2", DAYS, "spec or break force changed", zone="b"),
    ]
    assert night.days == []
    assert four_days.sheets() == sheets
    first = felt(*(record(f"{day}T06:00") for day in DAYS), begins="2026-03-02T00:00")
    assert {day: life for (_, day), life in four_days.posted().items()} == lives(first, m=3.5)
    for kept in ("raw", "store/samples", "store/flags"):
        (four_days.root / kept.replace("/", "-").join("--")).rename(four_days.root / kept)
    settled(four_days)


def test_a_lines_own_break_force_reprices_that_line_alone(four_days: Berth) -> None:
    four_days.write(
        "lines.csv",
        "line,ship,spec,part,in_service,break_force_kn\n"
        "L1,S1,rope,main,2026-01-01,\nL2,S1,rope,main,2026-01-01,1100\nT1,S1,rope,tail,2026-01-01,\n",
    )
    four_days.night()
    assert four_days.entered() == redone("L2", DAYS, "spec or break force changed", zone="b")
    recounted(four_days)


def test_a_factor_on_life_is_shown_and_never_posted(four_days: Berth) -> None:
    before = four_days.statement()
    four_days.edit("specs/rope.toml", "m = 4.5", "m = 4.5\nfactor = 2.0")
    assert four_days.night().entries_posted == 0
    after = four_days.statement()
    assert [e["life"] for e in after["entries"]] == [e["life"] for e in before["entries"]]
    assert after["consumed"]["zones"]["a"]["total"] == 2 * before["consumed"]["zones"]["a"]["total"]
    recounted(four_days)


# ------------------------------------------------------------------------------------------- registers


def test_a_rigging_that_began_later_takes_out_what_came_before_it(four_days: Berth) -> None:
    four_days.edit("rigging.csv", "L1,H1,2026-03-02T00:00:00Z", "L1,H1,2026-03-03T00:00:00Z")
    four_days.night()
    entered = four_days.entered()
    assert entered[0] == ("L1", "a", "2026-03-02", "reversal", f"{GONE}: rigging changed")
    assert {reason for _, _, day, _, reason in entered if day == "2026-03-03"} == {f"rigging changed, {CARRIED}"}
    settled(four_days)


def test_a_changed_share_reposts_all_days_of_the_rigging(four_days: Berth) -> None:
    four_days.edit("rigging.csv", ",,a,100", ",,a,80")
    four_days.night()
    reasons = {day: reason for _, _, day, _, reason in four_days.entered()}
    assert reasons == {DAYS[0]: "rigging changed"} | dict.fromkeys(DAYS[1:], f"rigging changed, {CARRIED}")
    assert {line for line, *_ in four_days.entered()} == {"L1"}
    recounted(four_days)


def test_a_removed_rigging_is_reversed_and_nothing_is_posted_for_it(four_days: Berth) -> None:
    four_days.rig("L2,H2,2026-03-02T00:00:00Z,,b,100")
    four_days.night()
    assert four_days.entered() == [("L1", "a", day, "reversal", f"{GONE}: rigging changed") for day in DAYS]
    assert four_days.posted("L1") == {}
    assert four_days.statement("L1")["consumed"]["zones"]["a"]["total"] == 0
    assert four_days.coverage("L1") == (0, 0)
    recounted(four_days)


def test_the_other_end_outboard_moves_the_wear_to_the_other_zone(four_days: Berth) -> None:
    before, sheets = four_days.posted(), four_days.sheets()
    four_days.edit("rigging.csv", "L1,H1,2026-03-02T00:00:00Z,,a", "L1,H1,2026-03-02T00:00:00Z,,b")
    night = four_days.night()
    assert four_days.posted() == {("b", day): life for (_, day), life in before.items()}
    assert four_days.sheets() == sheets
    assert night.days == []
    recounted(four_days)


def test_a_line_that_is_registered_no_longer_is_reversed(four_days: Berth) -> None:
    four_days.rig("L1,H1,2026-03-02T00:00:00Z,,a,100")
    four_days.write("lines.csv", "line,ship,spec,part,in_service\nL1,S1,rope,main,2026-01-01\n")
    four_days.night()
    assert four_days.entered() == [("L2", "b", day, "reversal", f"{GONE}: rigging changed") for day in DAYS]
    recounted(four_days)


def test_a_calibration_reposts_from_the_day_it_holds(four_days: Berth) -> None:
    before = four_days.posted()
    four_days.write("calibrations.csv", "channel,from,zero_kn,gain\nH1,2026-03-04T00:00:00Z,2.5,1.04\n")
    night = four_days.night()
    reasons = {day: reason for _, _, day, _, reason in four_days.entered()}
    assert reasons["2026-03-04"] == "calibration changed"
    assert set(reasons) == {"2026-03-04", "2026-03-05"}
    # Events look some minutes beyond midnight, so that the day before is made again; it comes out as it was.
    assert [day.isoformat() for day in night.days] == ["2026-03-03", "2026-03-04", "2026-03-05"]
    assert all(four_days.posted()["a", day] == before["a", day] for day in DAYS[:2])
    rows = [record(f"{day}T06:00") for day in DAYS]
    rows[2:] = [[(at, hook, (float(kn) - 2.5) * 1.04) for at, hook, kn in day] for day in rows[2:]]
    assert {day: life for (_, day), life in four_days.posted().items()} == lives(felt(*rows, begins="2026-03-02T00:00"))
    recounted(four_days)


# ------------------------------------------------------------------------------------------- policy


def test_a_lower_peak_load_limit_finds_more_events_and_posts_nothing(four_days: Berth) -> None:
    assert four_days.events() == []
    four_days.write("site.toml", (four_days.root / "site.toml").read_text() + "peak_load_pct = 30\n")
    night = four_days.night()
    assert night.entries_posted == 0
    assert {event.kind for event in night.events} == {"peak-load"}
    assert {event.line for event in four_days.events()} == {"L1", "L2"}
    assert {event.payload["level_pct"] for event in four_days.events()} == {30}
    settled(four_days)


def test_an_event_that_is_no_longer_so_is_superseded_by_record_and_never_deleted(four_days: Berth) -> None:
    four_days.deliver("hooks_peak.csv", values("2026-03-04T12:00", [100.0, 520.0, 560.0, 100.0]))
    (event,) = four_days.night().events
    assert event.peak_kn == 560.0
    assert event.peak_pct == pytest.approx(56.0)
    posted = four_days.posted()
    four_days.write("site.toml", (four_days.root / "site.toml").read_text() + "peak_load_pct = 60\n")
    four_days.night()
    assert four_days.events() == []
    assert four_days.posted() == posted
    kept = four_days.rows(f"SELECT op, reason FROM events WHERE event = '{event.event}' ORDER BY run, seq")
    assert kept == [("add", ""), ("supersede", "no longer so after late or corrected samples or registers")]
    recounted(four_days)


def test_a_quality_limit_that_takes_a_sample_out_reposts_and_names_the_policy(four_days: Berth) -> None:
    four_days.deliver("hooks_high.csv", values("2026-03-04T12:00", [100.0, 3200.0, 100.0]))
    four_days.night()
    with_it = four_days.posted()["a", "2026-03-04"]
    four_days.write(
        "site.toml",
        (four_days.root / "site.toml").read_text() + "[policy.quality.load-pin]\nimpossible_high_pct = 105\n",
    )
    four_days.night()
    assert {reason for _, _, day, _, reason in four_days.entered() if day == "2026-03-04"} == {"policy changed"}
    assert four_days.posted()["a", "2026-03-04"] < with_it
    recounted(four_days)


# ------------------------------------------------------------------------------------------- layouts, withdrawn


def test_a_changed_unit_in_the_layout_replaces_each_files_own_rows(four_days: Berth) -> None:
    before = four_days.posted()
    four_days.edit("layouts/hooks.toml", 'unit = "kN"', 'unit = "kip"')
    night = four_days.night()
    assert [(r.op, r.reason, r.stored, r.duplicate) for r in night.receipts] == [
        ("reread", "layout changed", 80, 0)
    ] * 4
    entered = four_days.entered()
    assert {kind for *_, kind, _ in entered} == {"reversal", "posting"}
    assert all(f"{LATE} (layout changed)" in reason for *_, reason in entered)
    assert four_days.posted().keys() == before.keys()
    factor = 4.4482216152605  # Source: NIST SP 811, B.8: 1 kip-force in kN
    rows = [[(at, hook, float(kn) * factor) for at, hook, kn in record(f"{day}T06:00")] for day in DAYS]
    assert {day: life for (_, day), life in four_days.posted().items()} == lives(felt(*rows, begins="2026-03-02T00:00"))
    settled(four_days)


def test_files_that_overlap_are_counted_once_when_both_are_read_again(four_days: Berth) -> None:
    rows = record("2026-03-06T06:00")
    four_days.deliver("hooks_x1.csv", rows[:30])
    four_days.deliver("hooks_x2.csv", rows[10:])
    four_days.night(through="2026-03-06")
    counts = {r["file"]: (r["stored"], r["duplicate"]) for r in four_days.receipts()}
    assert (counts["hooks_x1.csv"], counts["hooks_x2.csv"]) == ((30, 0), (10, 20))
    live = four_days.live()
    four_days.write("channels.csv", (four_days.root / "channels.csv").read_text() + "H9,tension,load-pin,1,3000,H9,\n")
    night = four_days.night()
    assert {receipt.op for receipt in night.receipts} == {"reread"}
    assert {r["file"]: (r["stored"], r["duplicate"]) for r in four_days.receipts()} == counts
    assert night.entries_posted == 0
    assert four_days.live() == live
    recounted(four_days)


def test_a_layout_that_can_no_longer_read_a_file_leaves_its_rows_as_they_were(four_days: Berth) -> None:
    live = four_days.live()
    four_days.edit("layouts/hooks.toml", 'column = "kn"', 'column = "load"')
    night = four_days.night()
    assert {found.kind for found in night.findings} == {"unreadable-file"}
    assert (night.receipts, night.entries_posted) == ([], 0)
    assert four_days.live() == live
    assert four_days.audit() == []
    four_days.edit("layouts/hooks.toml", 'column = "load"', 'column = "kn"')
    four_days.night()
    assert four_days.findings() == []
    recounted(four_days)


def test_a_layout_under_which_no_row_is_left_reverses_what_they_posted_and_is_an_error(four_days: Berth) -> None:
    live = four_days.live()
    four_days.edit("layouts/hooks.toml", 'format = "rfc3339"', 'format = "epoch_s"')
    night = four_days.night()
    lost = [found for found in night.findings if found.kind == "rows-lost"]
    assert [(found.severity, "none of its 80 rows" in found.text) for found in lost] == [("error", True)] * 4
    assert four_days.posted() == {}
    four_days.edit("layouts/hooks.toml", 'format = "epoch_s"', 'format = "rfc3339"')
    four_days.night()
    assert four_days.live() == live
    recounted(four_days)


def test_a_layout_that_is_gone_leaves_its_rows_as_they_were(four_days: Berth) -> None:
    live = four_days.live()
    (four_days.root / "layouts" / "hooks.toml").unlink()
    night = four_days.night()
    assert {(found.kind, len(night.findings)) for found in night.findings} == {("no-layout", 4)}
    assert four_days.live() == live
    assert four_days.audit() == []
    four_days.write("layouts/hooks.toml", LAYOUT)
    four_days.night()
    assert four_days.findings() == []
    recounted(four_days)


def test_a_withdrawn_file_takes_its_rows_out_and_comes_back_when_it_is_no_longer(four_days: Berth) -> None:
    before = four_days.live()
    sha256 = hashlib.sha256(four_days.delivered["hooks_2026-03-04.csv"]).hexdigest()
    four_days.write("withdrawn.csv", f"sha256,reason\n{sha256},another berth's log\n")
    night = four_days.night()
    (receipt,) = night.receipts
    assert (receipt.op, receipt.reason) == ("withdrawn", "withdrawn: another berth's log")
    assert "2026-03-04" not in {day for _, day in four_days.posted()}
    reasons = {day: reason for line, _, day, _, reason in four_days.entered() if line == "L1"}
    assert reasons["2026-03-04"] == f"{GONE}: withdrawn: another berth's log"
    # 40 samples 2 s apart stand for 78 s, and 10 s more where a later sample comes.
    assert four_days.coverage() == (4 * 86_400, 3 * 78 + 2 * 10)
    settled(four_days)
    (four_days.root / "withdrawn.csv").unlink()
    night = four_days.night()
    assert [(r.op, r.reason, r.stored) for r in night.receipts] == [("reread", "withdrawn no longer", 80)]
    assert four_days.live() == before
    recounted(four_days)


def test_where_a_withdrawn_file_was_repeated_by_another_the_others_rows_count(four_days: Berth) -> None:
    before = four_days.live()
    again = four_days.deliver("hooks_again.csv", four_days.delivered["hooks_2026-03-04.csv"] + b"\n")
    (receipt,) = four_days.night().receipts
    assert (receipt.stored, receipt.duplicate, receipt.blank) == (0, 80, 1)
    sha256 = hashlib.sha256(four_days.delivered["hooks_2026-03-04.csv"]).hexdigest()
    four_days.write("withdrawn.csv", f"sha256,reason\n{sha256},a copy is better\n")
    assert four_days.night().entries_posted == 0
    assert four_days.live() == before
    four_days.write(
        "withdrawn.csv", f"sha256,reason\n{sha256},a copy is better\n{hashlib.sha256(again).hexdigest()},no\n"
    )
    assert four_days.night().entries_posted > 0
    assert "2026-03-04" not in {day for _, day in four_days.posted()}
    recounted(four_days)


def test_a_file_withdrawn_before_it_comes_is_kept_and_never_counts(four_days: Berth) -> None:
    before = four_days.live()
    data = four_days.deliver("hooks_wrong.csv", values("2026-03-04T18:00", [10.0, 900.0, 10.0]))
    four_days.write("withdrawn.csv", f"sha256,reason\n{hashlib.sha256(data).hexdigest()},wrong berth\n")
    (receipt,) = four_days.night().receipts
    assert (receipt.op, receipt.lines) == ("withdrawn", 4)
    assert four_days.live() == before
    recounted(four_days)


# ------------------------------------------------------------------------------------------- the books


def test_every_correction_leaves_its_reversal_and_the_sum_is_what_is_live(four_days: Berth) -> None:
    four_days.edit("specs/rope.toml", "m = 4.5", "m = 3.5")
    four_days.night()
    four_days.edit("specs/rope.toml", "m = 3.5", "m = 4.5")
    four_days.night()
    rows = four_days.statement(history=True)["entries"]
    assert [row["kind"] for row in rows].count("posting") == 3 * 4
    assert [row["kind"] for row in rows].count("reversal") == 2 * 4
    reversed_ = {row["reverses"] for row in rows if row["kind"] == "reversal"}
    assert reversed_ == {row["entry"] for row in rows if row["kind"] == "posting" and row["run"] < 3}
    net: dict[tuple[str, str], Decimal] = {}
    for row in rows:
        net[row["zone"], row["day"]] = net.get((row["zone"], row["day"]), Decimal(0)) + row["life"]
    assert net == four_days.posted()  # few enough digits for the default context
    settled(four_days)


def test_files_that_are_read_again_to_the_very_same_rows_are_reckoned_all_the_same(four_days: Berth) -> None:
    four_days.edit("layouts/hooks.toml", 'missing = ["---"]', 'missing = ["---", "never written"]')
    run_ingest(four_days.root, [])
    assert four_days.statement()["unreckoned_days"] > 0
    four_days.night()
    assert four_days.statement()["unreckoned_days"] == 0
    assert four_days.night().run_id is None
