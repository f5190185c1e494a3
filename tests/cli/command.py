"""The command as a shell runs it, in this process: its exit code, and what it wrote where."""

import json
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from decimal import Decimal
from io import StringIO
from typing import Any

import pytest

from pipeline.cli import main


@dataclass(frozen=True)
class Ran:
    """What a command ended with."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out, parse_float=Decimal)


def tautlog(*words: object) -> Ran:
    """Run `tautlog WORDS…`."""
    out, err, before = StringIO(), StringIO(), sys.argv
    sys.argv = ["tautlog", *map(str, words)]
    try:
        with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
            main()
    finally:
        sys.argv = before
    assert isinstance(ended.value.code, int)
    return Ran(ended.value.code, out.getvalue(), err.getvalue())
