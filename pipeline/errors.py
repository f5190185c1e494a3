"""The errors that tautlog raises on purpose, each with the exit code that the command ends with.

Every one can say where it happened (file, line), what was found, what was expected and what to do next;
only the parts that were given are rendered. Usage errors are click's own and exit 2.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from pathlib import Path
from typing import ClassVar, Self


class TautlogError(Exception):
    """Base of every deliberate error; `exit_code` is what the command line exits with.

    Rendered as ``file:line: message; found X, expected Y; next: Z``.
    """

    exit_code: ClassVar[int] = 70

    def __init__(
        self,
        message: str,
        *,
        file: str | Path | None = None,
        line_no: int | None = None,
        found: str | None = None,
        expected: str | None = None,
        next_step: str | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.file = None if file is None else str(file)
        self.line_no = line_no
        self.found = found
        self.expected = expected
        self.next_step = next_step

    def at(self, file: str | Path, line_no: int | None = None) -> Self:
        """The same error, said of a place in a file: for rules that do not know whose words they judge."""
        self.file, self.line_no = str(file), line_no
        return self

    def __str__(self) -> str:
        where = [part for part in (self.file, None if self.line_no is None else str(self.line_no)) if part]
        text = ": ".join([":".join(where), self.message]) if where else self.message
        seen = []
        if self.found is not None:
            seen.append(f"found {self.found}")
        if self.expected is not None:
            seen.append(f"expected {self.expected}")
        if seen:
            text += "; " + ", ".join(seen)
        if self.next_step is not None:
            text += f"; next: {self.next_step}"
        return text

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions pickle by positional args alone, which would drop the keyword parts in a worker process.
        return (_rebuild, (type(self), self.message, self.__dict__))


class DataError(TautlogError):
    """Raw data that cannot be read at all (a single bad row is quarantined instead)."""

    exit_code = 65


class Bug(TautlogError):
    """Something that the program promises cannot happen, happened."""

    exit_code = 70


class StoreError(TautlogError):
    """A file of the store, the manifests or the ledger is missing, torn, altered or cannot be written."""

    exit_code = 74


class SiteBusy(TautlogError):
    """Another run holds the site."""

    exit_code = 75


class RegisterError(TautlogError):
    """A register, layout, spec or policy says something that it may not say."""

    exit_code = 78


class Terminated(BaseException):
    """SIGTERM came: the service manager, or a shutdown, wants the run to end."""


def exit_code_of(error: BaseException) -> int:
    """What the command ends with when nothing catches this error."""
    if isinstance(error, TautlogError):
        return error.exit_code
    if isinstance(error, KeyboardInterrupt):
        return 130
    if isinstance(error, Terminated):
        return 143
    return 74 if isinstance(error, OSError) else 70


def words_of(error: BaseException) -> str:
    """An error as its message tells it; a stop from outside with what it means for the run."""
    if isinstance(error, KeyboardInterrupt):
        return f"stopped by hand; {_STOPPED}"
    return f"stopped by SIGTERM; {_STOPPED}" if isinstance(error, Terminated) else str(error) or repr(error)


_STOPPED = "what was not committed counts for nothing; next: run again"


def plain(text: str) -> str:
    """A text that a terminal shows and obeys none of: control and unprintable characters but line ends as escapes.

    File names, log texts and free texts of registers may hold any.
    """
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in text)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name most like `word`, for "did you mean"; None when nothing is near."""
    names = list(dict.fromkeys(known))
    by_lower: dict[str, str] = {}
    for name in names:
        by_lower.setdefault(name.lower(), name)
    close = difflib.get_close_matches(word.lower(), list(by_lower), n=1, cutoff=0.6)
    return by_lower[close[0]] if close else None


def _rebuild(kind: type[TautlogError], message: str, parts: dict[str, object]) -> TautlogError:
    error = kind(message)
    error.__dict__.update(parts)
    return error
