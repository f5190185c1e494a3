"""The lock: exact versions with hashes for every direct dependency, and no address to fetch from."""

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
LOCK = (ROOT / "requirements.txt").read_text(encoding="utf-8")
PINNED = dict(re.findall(r"^([a-z0-9-]+)==(\S+)", LOCK, re.MULTILINE))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def direct_dependencies() -> list[str]:
    groups = [PROJECT["dependencies"], *PROJECT["optional-dependencies"].values()]
    return [str(name) for group in groups for name in group]


def test_every_direct_dependency_is_locked() -> None:
    names = {re.split(r"[<>=!~;\[ ]", each, maxsplit=1)[0].lower() for each in direct_dependencies()}
    assert names - set(PINNED) == set()


def test_what_is_pinned_in_the_project_is_the_version_of_the_lock() -> None:
    exact = dict(each.split("==") for each in direct_dependencies() if "==" in each)
    assert "duckdb" in exact
    assert {name: PINNED[name] for name in exact} == exact


def test_every_locked_package_has_a_hash() -> None:
    entries = re.split(r"^(?=[a-z0-9-]+==)", LOCK, flags=re.MULTILINE)[1:]
    assert len(entries) == len(PINNED)
    assert [entry for entry in entries if "--hash=sha256:" not in entry] == []


def test_the_lock_names_no_index_and_no_address() -> None:
    options = [line for line in LOCK.splitlines() if line.startswith("-") or "://" in line or " @ " in line]
    assert options == []
