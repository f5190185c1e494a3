"""Bytes of a register (CSV) or document (TOML) to models, or a RegisterError that a keeper can act on.

Nothing here opens a file: the site hands over the bytes, so that a run and its archive are read alike.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from pipeline.errors import RegisterError, nearest

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Row(Generic[M]):
    """One row of a register and the line of the file it starts on (1-based)."""

    line_no: int
    value: M


def columns_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Column or key name (the alias, where there is one) -> field, in the order of the model."""
    return {_written_name(name, field): field for name, field in model.model_fields.items()}


def read_register(file: str, data: bytes, model: type[M]) -> list[Row[M]]:
    """The rows of a CSV register: comma-separated, UTF-8 (a byte-order mark is allowed), one header line.

    Empty rows are skipped. An empty cell is None or the default where the column allows it. RegisterError: an
    unknown, repeated or missing column, a row of another width, a cell that may not say what it says.
    """
    lines = _records(file, _text(file, data))
    line_no, header = next(lines, (1, []))
    columns = columns_of(model)
    _check_header(file, line_no, header, columns)
    rows: list[Row[M]] = []
    for line_no, cells in lines:
        if not any(cells):
            continue
        if len(cells) != len(header):
            raise RegisterError(
                "row of another width than its header",
                file=file,
                line_no=line_no,
                found=f"{len(cells)} cells",
                expected=f"{len(header)} cells",
                next_step="put a cell that holds a comma in double quotes",
            )
        rows.append(Row(line_no, _row(file, line_no, dict(zip(header, cells, strict=True)), model)))
    return rows


def read_document(file: str, data: bytes, model: type[M]) -> M:
    """The model of a TOML document; RegisterError names the line of the key that is wrong."""
    text = _text(file, data)
    try:
        keys = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"at line (\d+)", str(error))
        raise RegisterError(f"not TOML: {error}", file=file, line_no=None if at is None else int(at[1])) from None
    try:
        return model.model_validate(keys)
    except ValidationError as error:
        first = _first(error)
        raise _explained(first, model, "key", file=file, line_no=_line_of(text, tuple(first["loc"]))) from None


def did_you_mean(word: str, known: Iterable[str]) -> str | None:
    """The next step to suggest for an unknown name, if a known one is near."""
    near = nearest(word, known)
    return None if near is None else f"did you mean {near!r}?"


def _text(file: str, data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RegisterError(
            "not UTF-8 text",
            file=file,
            line_no=data.count(b"\n", 0, error.start) + 1,
            found=f"byte 0x{data[error.start]:02x}",
            next_step="save the file as UTF-8",
        ) from None


def _records(file: str, text: str) -> Iterator[tuple[int, list[str]]]:
    """(line number where the record starts, stripped cells)."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    start = 1
    try:
        for cells in reader:
            yield start, [cell.strip() for cell in cells]
            start = reader.line_num + 1
    except csv.Error as error:
        raise RegisterError(f"not CSV: {error}", file=file, line_no=start) from None


def _check_header(file: str, line_no: int, header: list[str], columns: Mapping[str, FieldInfo]) -> None:
    for name in header:
        if name not in columns:
            step = did_you_mean(name, columns)
            if ";" in name or "\t" in name:
                step = "save the register with commas between its columns"
            raise RegisterError(
                f"unknown column {name!r}",
                file=file,
                line_no=line_no,
                found=repr(name),
                expected="one of " + ", ".join(columns),
                next_step=step,
            )
        if header.count(name) > 1:
            raise RegisterError(f"column {name!r} stands twice in the header", file=file, line_no=line_no)
    missing = [name for name, field in columns.items() if field.is_required() and name not in header]
    if missing:
        raise RegisterError(
            f"missing column {missing[0]!r}",
            file=file,
            line_no=line_no,
            found=", ".join(header) or "no header",
            expected=", ".join(name for name, field in columns.items() if field.is_required()),
            next_step=f"add the column {missing[0]!r}; its cells may be empty only where that says something",
        )


def _row(file: str, line_no: int, cells: dict[str, str], model: type[M]) -> M:
    columns = columns_of(model)
    values: dict[str, str | None] = {}
    for name, cell in cells.items():
        if cell:
            values[name] = cell
        elif type(None) in get_args(columns[name].annotation):
            values[name] = None
        elif columns[name].is_required():
            raise RegisterError(
                f"column {name!r}: empty cell",
                file=file,
                line_no=line_no,
                found="nothing",
                expected="a value",
            )
    try:
        return model.model_validate(values)
    except ValidationError as error:
        first = _first(error)
        # What stands in the cell, rather than what a validator had made of it.
        first["input"] = cells.get(str(first["loc"][0]), first["input"]) if first["loc"] else first["input"]
        raise _explained(first, model, "column", file=file, line_no=line_no) from None


def _first(error: ValidationError) -> dict[str, Any]:
    """The error to show: an unknown name before the missing one that it was probably meant to be."""
    found = sorted(error.errors(include_url=False), key=lambda each: each["type"] != "extra_forbidden")
    return {**found[0]}


def _explained(
    error: Mapping[str, Any], model: type[BaseModel], what: str, *, file: str, line_no: int | None
) -> RegisterError:
    """One pydantic error as a RegisterError in the keeper's words."""
    loc: tuple[int | str, ...] = tuple(error["loc"])
    where = _dotted(loc)
    message = str(error["msg"]).removeprefix("Value error, ")
    if error["type"] == "extra_forbidden":
        siblings = _names_at(model, loc[:-1])
        return RegisterError(
            f"unknown {what} {where!r}",
            file=file,
            line_no=line_no,
            found=repr(loc[-1]),
            expected="one of " + ", ".join(siblings),
            next_step=did_you_mean(str(loc[-1]), siblings),
        )
    if error["type"] == "missing":
        return RegisterError(f"missing {what} {where!r}", file=file, line_no=line_no, next_step=f"add {where!r}")
    if not loc:
        return RegisterError(message, file=file, line_no=line_no)
    expected = message.removeprefix("Input should be ").removeprefix("expected ")
    known = re.findall(r"'([^']*)'", expected) if error["type"] == "literal_error" else []
    if expected == message:
        # A sentence of its own (a rule of the model), not a bare description of what was expected.
        return RegisterError(f"{what} {where!r}: {message}", file=file, line_no=line_no, found=_shown(error))
    return RegisterError(
        f"{what} {where!r} cannot be used",
        file=file,
        line_no=line_no,
        found=_shown(error),
        expected=expected,
        next_step=did_you_mean(str(error["input"]), known),
    )


def _shown(error: Mapping[str, Any]) -> str:
    text = repr(error["input"])
    return text if len(text) <= 80 else text[:77] + "..."


def _written_name(name: str, field: FieldInfo) -> str:
    return field.validation_alias if isinstance(field.validation_alias, str) else name


def _dotted(loc: Iterable[int | str]) -> str:
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if text else part)
    return text


def _names_at(model: type[BaseModel], loc: Iterable[int | str]) -> list[str]:
    """The key names that may stand in the table at `loc`."""
    for part in loc:
        if isinstance(part, int):
            continue
        field = columns_of(model).get(part)
        inner = None if field is None else _model_in(field.annotation)
        if inner is None:
            return []
        model = inner
    return list(columns_of(model))


def _model_in(annotation: object) -> type[BaseModel] | None:
    for kind in (annotation, *get_args(annotation)):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None


_TABLE = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]")
_KEY = re.compile(r"\s*([A-Za-z0-9_.\"'-]+(?:\s*\.\s*[A-Za-z0-9_\"'-]+)*)\s*=")


def _line_of(text: str, loc: tuple[int | str, ...]) -> int | None:
    """The line of the key at `loc`, or of its nearest table that is there; a help for the eye, no parser."""
    table: tuple[int | str, ...] = ()
    seen: dict[str, int] = {}
    best: int | None = None
    depth = 0
    for line_no, line in enumerate(text.splitlines(), start=1):
        head, key = _TABLE.match(line), _KEY.match(line)
        if head is not None:
            table = _parts(head[2])
            if head[1] == "[[":
                seen[head[2]] = seen.get(head[2], -1) + 1
                table = (*table, seen[head[2]])
            here = table
        elif key is not None:
            here = (*table, *_parts(key[1]))
        else:
            continue
        if len(here) > depth and here == loc[: len(here)]:
            best, depth = line_no, len(here)
    return best


def _parts(dotted: str) -> tuple[int | str, ...]:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))
