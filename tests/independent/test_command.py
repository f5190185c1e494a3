"""A command in a process forked from a loaded program is the command that a user starts."""

from pathlib import Path

import pytest

from tests.independent.command import forked, started
from tests.independent.test_foreign_faults import THROUGH, deliver, pair_site


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> str:
    command = pair_site(tmp_path_factory.mktemp("pair") / "site")
    deliver(command, "pair.txt", [f"2024-05-01T00:00:{n:02d}Z;{n % 7 * 90};{n % 3}" for n in range(60)])
    night = started("nightly", str(command.root), "--through", THROUGH.isoformat(), "--json")
    assert night.code in (0, 1), night.err
    return str(command.root)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("statement", "SITE", "LP", "--json"), 0),
        (("audit", "SITE", "--json"), 0),
        (("statement", "SITE", "no line", "--json"), 78),
        (("statement", "SITE"), 2),
    ],
    ids=["statement", "audit", "no such line", "usage"],
)
def test_it_ends_with_the_same_code_and_says_the_same(site: str, words: tuple[str, ...], code: int) -> None:
    given = [word.replace("SITE", site) for word in words]
    found = forked(*given)
    assert found == started(*given)
    assert found.code == code
    assert found.out or found.err


def test_it_runs_a_night_as_a_process_of_its_own_does(site: str) -> None:
    """Its workers included: they are forked from a server that the command itself starts."""
    text = "t;p;q\n" + "".join(f"2024-05-01T01:00:{n:02d}Z;{n % 5 * 70};{n % 3}\n" for n in range(60))
    (Path(site) / "inbox" / "pair_more.txt").write_text(text, encoding="utf-8")
    found = forked("nightly", site, "--workers", "2", "--json")
    assert found.code in (0, 1), found.err
    assert '"stored": 60' in found.out
    assert forked("audit", site).code == 0
