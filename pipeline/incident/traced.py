"""Whether everything that a figure of an incident rests on is in its folder: raw lines that hold what they are said to
hold, figures, days, rows of registers.

The raw copies are read here line by line, and not by a night: a trace that leads to another line is found, whatever
the figures say.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path

from pipeline.incident.evidence import RAW, REGISTERS
from pipeline.incident.links import numbered, parts_of, refs
from pipeline.incident.record import Figure, Incident, RawFile, Ref, RegisterRow, figures
from pipeline.incident.registered import key_in
from pipeline.readers import units_of
from pipeline.readers.numbers import number_in
from pipeline.readers.streams import ByteStream
from pipeline.site import Site
from pipeline.units import to_canonical
from schemas.registers import Layout
from schemas.times import day_of

AT_ONCE = 1 << 22
CLOSE = 1e-9
"""By so much a stored value may differ from the number in the line times its factor: both are rounded once."""


def untraced(incident: Incident, site: Site, folder: Path) -> Iterator[str]:
    """Figures that name nothing they rest on, and traces that lead nowhere in the folder, each beginning with the
    number of the figure or the name of the file."""
    numbers = {number for part in parts_of(incident).values() for number, _ in numbered(part)}
    registers = _Registers(folder, dict(incident.evidence.archive))
    for part in parts_of(incident).values():
        for one in figures(part):
            yield from _of_figure(one, numbers, registers)
    yield from _of_days(incident)
    yield from _of_raw_lines(incident, site, folder)


def _of_figure(figure: Figure, numbers: set[str], registers: _Registers) -> Iterator[str]:
    if figure.value is not None and not (figure.refs or figure.of_figures or figure.of_registers):
        yield f"figure {figure.number} ({figure.what}): names nothing that it rests on"
    for number in figure.of_figures:
        if number not in numbers or number == figure.number:
            yield f"figure {figure.number} ({figure.what}): rests on {number}, which nothing is called"
    for row in figure.of_registers:
        if not registers.has(row):
            where = "" if row.line_no is None else f", line {row.line_no}"
            yield f"figure {figure.number} ({figure.what}): {row.path}{where} has no {row.name}"


class _Registers:
    """The registers of a folder, each read once."""

    def __init__(self, folder: Path, archive: Mapping[str, str]) -> None:
        self._folder, self._archive = folder, archive
        self._cells = cache(self._read_cells)
        self._keys = cache(self._read_keys)

    def has(self, row: RegisterRow) -> bool:
        """Whether the row or key is there, and says the name."""
        if row.path.startswith(f"{RAW}/"):
            return (self._folder / row.path).is_file()
        if row.path not in self._archive or not (self._folder / REGISTERS / row.path).is_file():
            return False
        if row.line_no is None:
            return key_in(self._keys(row.path), row.name)
        return row.name in self._cells(row.path).get(row.line_no, ())

    def _text(self, path: str) -> str:
        return (self._folder / REGISTERS / path).read_bytes().decode("utf-8-sig")

    def _read_keys(self, path: str) -> dict[str, object]:
        return tomllib.loads(self._text(path))

    def _read_cells(self, path: str) -> dict[int, list[str]]:
        """Cells by the line on which a row starts."""
        reader = csv.reader(io.StringIO(self._text(path), newline=""))
        found, start = {}, 1
        for cells in reader:
            found[start] = [cell.strip() for cell in cells]
            start = reader.line_num + 1
        return found


def _of_days(incident: Incident) -> Iterator[str]:
    files = {file.sha256: file for file in incident.evidence.raw_files}
    for days in (days for life in incident.part_b.lives for days in life.days):
        for one in days.days:
            held = [files[sha256] for sha256 in one.sha256 if sha256 in files]
            if len(held) < len(one.sha256) or not held or not all(_touches(file, one.day) for file in held):
                yield f"{days.number}: no raw copy holds {one.channel} on {one.day}"


def _touches(file: RawFile, day: str) -> bool:
    ends = file.first_us, file.last_us
    return None not in ends and day_of(ends[0] or 0).isoformat() <= day <= day_of(ends[1] or 0).isoformat()


def _of_raw_lines(incident: Incident, site: Site, folder: Path) -> Iterator[str]:
    by_file: dict[str, dict[int, set[Ref]]] = {}
    for part in parts_of(incident).values():
        for ref in refs(part):
            by_file.setdefault(ref.sha256, {}).setdefault(ref.line_no, set()).add(ref)
    files = {file.sha256: file for file in incident.evidence.raw_files}
    for sha256, wanted in sorted(by_file.items()):
        path = folder / RAW / sha256
        if sha256 not in files or not path.is_file():
            yield f"{RAW}/{sha256}: cited, and not among the raw copies"
            continue
        file = files[sha256]
        layout = site.layouts[file.layout]
        units = units_of(layout, site.channels)
        texts = lines_of(path, file.file, layout.text.encoding, wanted)
        for line_no, cited in sorted(wanted.items()):
            for ref in sorted(cited, key=lambda ref: ref.channel):
                if line_no not in texts or not holds(texts[line_no], ref.value, layout, units.get(ref.channel)):
                    yield f"{RAW}/{sha256}, line {line_no} ({file.file}): does not hold {ref.value} of {ref.channel}"


def lines_of(path: Path, name: str, encoding: str, wanted: Iterable[int]) -> dict[int, str]:
    """Some lines (1-based) of a raw file, unpacked and decoded; those that it does not have are left out."""
    decoder, rest, number, found = codecs.getincrementaldecoder(encoding)("replace"), "", 1, {}
    left = sorted(wanted, reverse=True)
    with ByteStream(path, name) as stream:
        while left and (data := stream.read(AT_ONCE)):
            lines = (rest + decoder.decode(data)).split("\n")
            rest = lines.pop()
            while left and left[-1] < number + len(lines):
                found[left[-1]] = lines[left[-1] - number]
                left.pop()
            number += len(lines)
    if left and left[-1] == number and rest:
        found[number] = rest
    return found


def holds(text: str, value: float | None, layout: Layout, unit: str | None) -> bool:
    """Whether one of a line's cells says a value: its number times the factor of its unit, or its word. A missing
    reading has no number to be found."""
    if value is None:
        return True
    if unit is None:
        return False
    factor, told = to_canonical(unit), layout.text
    separator, decimal = (",", ".") if layout.reader == "sentences" else (told.separator, told.decimal)
    words = {word: said for rule in layout.value for word, said in (rule.words or {}).items()}
    for cell in (text.replace("*", ",") if layout.reader == "sentences" else text).split(separator):
        plain = cell.strip().strip('"').strip()
        number = words[plain] if plain in words else number_in(plain, decimal)
        said = None if number is None else number * factor.factor + factor.offset
        if said is not None and math.isclose(said, value, rel_tol=CLOSE, abs_tol=1e-12):
            return True
    return False
