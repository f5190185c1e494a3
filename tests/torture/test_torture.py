"""The short form of `make torture`: kills and faults, on real processes.

The long one draws its moments at random, some hundreds of them; here they are chosen so that each part of a night is
hit. Every run takes the kills about the commit and the faults that a night meets most; `make test-long` takes all, once
each. Whatever is done, what the site answers at last is held against the same nights undisturbed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from ops.torture.__main__ import run, table
from ops.torture.kills import CHOSEN
from ops.torture.night import Failed, Ran, difference, told
from ops.torture.reference import Reference, check, make_short_reference, nothing_lost
from ops.torture.trials import DAMAGE, FAULTS, KILLS, Task, short_tasks

ABOUT_THE_COMMIT = (2, 5, 6, 8)
"""Of `CHOSEN`: samples going into the store, the manifest not yet named, named, and what is published swapped."""
OFTEN_MET = ("disk full", "permission lost", "two runs at once", "write-ahead log torn", "worker killed")


def every_run(task: Task) -> bool:
    """Whether every run takes a trial, or long ones only."""
    return task.chosen in ABOUT_THE_COMMIT or task.kind in (*OFTEN_MET, DAMAGE)


@pytest.mark.parametrize("taken", [every_run, pytest.param(lambda _: True, marks=pytest.mark.long)], ids=["few", "all"])
def test_whatever_befalls_a_night_the_next_run_ends_as_if_nothing_had(
    tmp_path: Path, taken: Callable[[Task], bool]
) -> None:
    seed = 3
    reference = make_short_reference(tmp_path / "reference")
    a_site_that_misses_a_night_is_not_taken_for_healed(reference, tmp_path)
    a_delivered_file_that_is_gone_is_noticed(reference, tmp_path)
    tasks = [task for task in short_tasks(seed) if taken(task)]
    outcomes = run(tasks, 0, reference, tmp_path, seed=seed, jobs=2)
    failed = [f"{outcome.task.kind}: {outcome.failed}" for outcome in outcomes if outcome.failed]
    assert failed == [], table(outcomes, seed, 0.0)
    assert Counter(outcome.task for outcome in outcomes) == Counter(tasks)
    phases = {phase for outcome in outcomes for phase in outcome.killed.phases}
    kills = [task.chosen for task in tasks if task.chosen is not None]
    assert phases == {CHOSEN[number][2] for number in kills}
    assert f"{len(kills)} kills, of which" in table(outcomes, seed, 0.0)


def test_the_short_form_has_every_kind_of_trial() -> None:
    kinds = Counter(task.kind for task in short_tasks(3))
    assert kinds == Counter({**dict.fromkeys(FAULTS, 1), DAMAGE: 1, KILLS: len(CHOSEN)})
    assert {*OFTEN_MET} < {*FAULTS}


def a_site_that_misses_a_night_is_not_taken_for_healed(reference: Reference, tmp_path: Path) -> None:
    behind = reference.copy(1, tmp_path / "behind")
    with pytest.raises(Failed, match="differ: "):
        check(reference, behind, 1)
    with pytest.raises(Failed, match="left in the inbox"):
        check(reference, behind, 0)  # all is well with the night before, but the next one's files wait
    assert difference(reference.answers[0], reference.answers[1]) != ""


def a_delivered_file_that_is_gone_is_noticed(reference: Reference, tmp_path: Path) -> None:
    site = reference.copy(1, tmp_path / "robbed")
    nothing_lost(reference, site, 1)
    (site / "inbox" / "hooks_03.csv").unlink()
    with pytest.raises(Failed, match=r"hooks_03\.csv is neither in the inbox nor in raw"):
        nothing_lost(reference, site, 1)


@pytest.mark.parametrize(
    ("code", "err", "why"),
    [
        (70, "tautlog: this is a bug; next: report", "exits 70, not 74"),
        (74, "Traceback (most recent call last):\ntautlog: x", "with a traceback"),
        (74, "tautlog: cannot write", "does not say 'next: '"),
        (74, "tautlog: /elsewhere: cannot write; next: free space", "does not say '/site'"),
    ],
)
def test_an_unclear_error_is_a_failure(code: int, err: str, why: str) -> None:
    with pytest.raises(Failed, match=why):
        told(Ran(code, "", err, 0.0), (74,), "/site")
