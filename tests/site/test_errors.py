"""What an error shows to the person who has to put it right."""

import pickle
from pathlib import Path

import pytest

from pipeline.errors import Bug, DataError, RegisterError, SiteBusy, StoreError, TautlogError, nearest


def test_an_error_names_place_finding_expectation_and_next_step() -> None:
    error = RegisterError(
        "unknown line 'L9'",
        file=Path("rigging.csv"),
        line_no=7,
        found="'L9'",
        expected="a line of lines.csv",
        next_step="did you mean 'L8'?",
    )
    assert str(error) == (
        "rigging.csv:7: unknown line 'L9'; found 'L9', expected a line of lines.csv; next: did you mean 'L8'?"
    )


def test_only_what_is_known_is_rendered() -> None:
    assert str(DataError("cannot be read")) == "cannot be read"
    assert str(DataError("cannot be read", file="a.csv")) == "a.csv: cannot be read"
    assert str(DataError("cannot be read", expected="text")) == "cannot be read; expected text"


@pytest.mark.parametrize(
    ("kind", "code"), [(DataError, 65), (Bug, 70), (StoreError, 74), (SiteBusy, 75), (RegisterError, 78)]
)
def test_each_kind_has_its_exit_code(kind: type[TautlogError], code: int) -> None:
    assert kind("x").exit_code == code


def test_an_error_survives_the_way_back_from_a_worker_process() -> None:
    error = StoreError("torn", file="a.parquet", line_no=3, next_step="restore it")
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is StoreError
    assert str(back) == str(error)


def test_the_nearest_name_is_suggested_whatever_its_case() -> None:
    assert nearest("Timezoen", ["id", "name", "timezone"]) == "timezone"
    assert nearest("w1-TENSION", ["W1-tension", "W2-tension"]) == "W1-tension"
    assert nearest("zebra", ["id", "name"]) is None
