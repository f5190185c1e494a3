"""One command over many sites: each by itself, none stopped by another's failure; and one exit code for all."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from pipeline.errors import TautlogError, exit_code_of

T = TypeVar("T")

WORST_FIRST = (70, 74, 78, 65, 75, 1, 0)
"""Which exit code of several is told.

A bug says that nothing may be trusted; a disk, that data is at risk; a register or unreadable data, that a person must
act; a busy site, that it is tried again the next night; findings stand in any case, and are told.
"""


@dataclass(frozen=True, slots=True)
class Outcome(Generic[T]):
    """What became of one site: its exit code, and what came out, or the error in words."""

    site: Path
    exit_code: int
    result: T | None = None
    error: str = ""


def each_site(sites: Iterable[Path], run_one_site: Callable[[Path], tuple[T, int]]) -> Iterable[Outcome[T]]:
    """Run every site in turn, giving each outcome as it is there. Only a stop by hand (KeyboardInterrupt) stops all.

    `run_one_site` gives a result and its exit code, or raises.
    """
    for site in sites:
        try:
            result, code = run_one_site(site)
        except Exception as error:
            # Told with its exit code, like the same error of a single site; the others do not wait for its repair.
            yield Outcome(site, exit_code_of(error), error=_words(error))
        except SystemExit as ended:
            # A run that has told its failure itself.
            code = ended.code if isinstance(ended.code, int) else 70
            yield Outcome(site, code, error=str(ended.__cause__ or f"ended with exit code {code}"))
        else:
            yield Outcome(site, code, result)


def worst(codes: Sequence[int]) -> int:
    """The exit code of the whole."""
    return min(codes, key=WORST_FIRST.index)


def _words(error: Exception) -> str:
    if isinstance(error, TautlogError):
        return str(error)
    if isinstance(error, OSError):
        return f"{error}; next: look at the disk and at permissions, then run again"
    return f"{''.join(traceback.format_exception(error))}this is a bug; please report the lines above"
