"""What a delimited layout asks of a header: which field holds the time, the key and each value."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import DataError, nearest
from pipeline.readers.clock import TimeFormat, time_format
from pipeline.readers.numbers import CellRules, bare, cell_rules
from schemas.registers import Layout


@dataclass(frozen=True)
class Columns:
    """`width`: fields of a row, None where there is no header to say. `time`, `key`, `values`: indexes of
    fields. `rules`, `names`: by [[value]]. `header`: the header line, which a later line may repeat."""

    separator: str
    width: int | None
    time: int
    key: int | None
    values: tuple[int, ...]
    rules: tuple[CellRules, ...]
    names: tuple[str, ...]
    form: TimeFormat
    header: str | None

    @property
    def asked(self) -> list[int]:
        """The fields that something asks for: time, key, values."""
        return [self.time, *([] if self.key is None else [self.key]), *self.values]

    def cells(self, text: str) -> list[str] | int:
        """The asked cells of a row, or, of a row of the wrong width, how many fields it has."""
        fields = text.split(self.separator)
        if len(fields) <= max(self.asked) or self.width not in (None, len(fields)):
            return len(fields)
        return [fields[index] for index in self.asked]

    def is_blank(self, text: str) -> bool:
        """Whether a line holds white space and separators only."""
        return not text.replace(self.separator, "").strip()


def columns_of(layout: Layout, header: str | None, file: str) -> Columns:
    """Find the layout's columns in the header line; without one (`header_line = 0`) columns are named 1, 2,
    ...

    Raises DataError for a column that is missing or stands twice: the file is not of this layout.
    """
    names = None if header is None else [bare(name) for name in header.split(layout.text.separator)]
    place = _Finder(layout, names, file)
    time = place.find("[time] column", layout.time.column or "")
    key = None if layout.rows is None else place.find("[rows] key", layout.rows.key)
    wanted = [rule.column or "" for rule in layout.value]
    return Columns(
        layout.text.separator,
        None if names is None else len(names),
        time,
        key,
        tuple(place.find("[[value]] column", name) for name in wanted),
        tuple(cell_rules(layout.text.missing, rule.words, layout.text.decimal) for rule in layout.value),
        tuple(wanted),
        time_format(layout.time.format or "", layout.text.decimal),
        header,
    )


@dataclass(frozen=True)
class _Finder:
    layout: Layout
    names: list[str] | None
    file: str

    def find(self, what: str, name: str) -> int:
        """The index of the one column of that name."""
        if self.names is None:
            if name.isascii() and name.isdecimal() and len(name) <= 5 and int(name) > 0:
                return int(name) - 1
            raise self._error(
                f"{what} {name!r} of layout {self.layout.name!r}: without a header line columns are numbered",
                expected='a number below 100000 as text, such as "1" for the first column',
            )
        found = [index for index, known in enumerate(self.names) if known == bare(name)]
        if len(found) == 1:
            return found[0]
        if not found:
            near = nearest(name, [known for known in self.names if len(known) <= 2 * len(name) + 20])
            raise self._error(
                f"{what} {name!r} of layout {self.layout.name!r} is not in the header",
                expected=f"a column {name!r}",
                next_step="check the layout's separator, header_line and encoding"
                if near is None
                else f"is it {near!r}? correct the layout, or give such files one of their own",
            )
        raise self._error(
            f"{what} {name!r} of layout {self.layout.name!r} stands in the header {len(found)} times",
            expected="one column of that name",
            next_step="leave out the header line (header_line = 0) and name columns by number",
        )

    def _error(self, message: str, *, expected: str, next_step: str | None = None) -> DataError:
        shown = None
        if self.names is not None:
            names = [repr(name if len(name) <= 40 else name[:40] + "...") for name in self.names[:40]]
            shown = "columns " + ", ".join([*names, *(["..."] if len(self.names) > 40 else [])])
        line_no = self.layout.text.header_line or None
        return DataError(message, file=self.file, line_no=line_no, found=shown, expected=expected, next_step=next_step)
