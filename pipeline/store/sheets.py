"""Sheets and flag runs in Parquet: one file for a place, a day and a run of the program."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import StoreError
from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.sheet import Excursion, Sheet, Slice
from pipeline.sheets.trace import NO_TRACE, Trace
from pipeline.sheets.travel import NO_TRAVEL
from pipeline.store.columns import listed, numbers
from pipeline.store.depot import Depot

# Elements that cannot be null are read in a tenth less of the time.
_KN = pa.list_(pa.field("element", pa.float64(), nullable=False))
_COUNT = pa.list_(pa.field("element", pa.int64(), nullable=False))
_INSTANT = pa.timestamp("us", "UTC")

SHEET_SCHEMA = pa.schema(
    [
        pa.field("sheet", pa.string(), nullable=False),
        pa.field("place", pa.string(), nullable=False),
        pa.field("channel", pa.string(), nullable=False),
        pa.field("day", pa.date32(), nullable=False),
        pa.field("from", _INSTANT, nullable=False),
        pa.field("to", _INSTANT, nullable=False),
        pa.field("begins", pa.bool_(), nullable=False),
        pa.field("ends", pa.bool_(), nullable=False),
        pa.field("share", pa.float64(), nullable=False),
        pa.field("level_kn", pa.float64()),
        pa.field("observed_us", pa.int64(), nullable=False),
        *(pa.field(name, _KN, nullable=False) for name in ("low_kn", "high_kn", "residue_kn", "ends_kn")),
        *(
            pa.field(name, _COUNT, nullable=False)
            for name in ("count", "residue_us", "ends_us", "swing_bins", "level_bins", "level_classes", "level_us")
        ),
        *(pa.field(name, _KN, nullable=False) for name in ("swing_range_kn", "swing_range2_kn2")),
        *(
            pa.field(name, _COUNT, nullable=False)
            for name in ("swing_n", "cell_bins", "cell_low_classes", "cell_high_classes", "cell_n")
        ),
        pa.field(
            "excursions",
            pa.list_(
                pa.struct(
                    [
                        ("first", _INSTANT),
                        ("last", _INSTANT),
                        ("peak_kn", pa.float64()),
                        ("peak", _INSTANT),
                        ("at_least", pa.bool_()),
                    ]
                )
            ),
            nullable=False,
        ),
        pa.field("travel_classes", _COUNT, nullable=False),
        pa.field("travel_m", _KN, nullable=False),
        pa.field("trace_bins", _COUNT, nullable=False),
        pa.field("trace_mean_dan", _COUNT, nullable=False),
        pa.field("trace_low_kn", _KN, nullable=False),
        pa.field("trace_high_kn", _KN, nullable=False),
    ]
)

CELLS: Final = ("cell_bins", "cell_low_classes", "cell_high_classes", "cell_n")
"""The columns of a sheet's swings by bin and class, in order."""

TRACE = ("trace_bins", "trace_mean_dan", "trace_low_kn", "trace_high_kn")
"""The columns of a sheet's trace, in order: read only where they are wanted."""

OFTEN_READ: Final = ("low_kn", "high_kn", "count", *CELLS, "level_us")
"""The large columns that price a sheet: in a codec with which it is read in a sixth less time, for a twentieth more
bytes."""

_UNTRACED: Final = tuple(name for name in SHEET_SCHEMA.names if name not in TRACE)

FLAG_SCHEMA = pa.schema(
    [
        pa.field("channel", pa.string(), nullable=False),
        pa.field("first", _INSTANT, nullable=False),
        pa.field("last", _INSTANT, nullable=False),
        pa.field("samples", pa.int64(), nullable=False),
        pa.field("flag", pa.int8(), nullable=False),
        pa.field("checks", pa.string(), nullable=False),
    ]
)


def write_sheets(store: Depot, name: str, sheets: Mapping[str, Sheet]) -> str:
    """Write sheets, by their id, as the rows of one file, `name` below the store; returns its SHA-256."""
    table = pa.Table.from_pylist([_row(sheet_id, sheet) for sheet_id, sheet in sheets.items()], schema=SHEET_SCHEMA)
    doubles = [leaf for name in ("low_kn", "high_kn", "trace_low_kn", "trace_high_kn") for leaf in _leaves(name)]
    integers = [f"{f.name}.list.element" for f in SHEET_SCHEMA if f.type == _COUNT]
    compression = {leaf: "lz4" if f.name in OFTEN_READ else "zstd" for f in SHEET_SCHEMA for leaf in _leaves(f.name)}
    return store.write(
        name,
        lambda target: pq.write_table(
            table,
            target,
            compression=compression,
            compression_level={leaf: 3 for leaf, codec in compression.items() if codec == "zstd"},
            use_dictionary=doubles,
            column_encoding=dict.fromkeys(integers, "DELTA_BINARY_PACKED"),
            write_statistics=False,
            store_schema=False,
            data_page_version="2.0",
        ),
    )


def _leaves(column: str) -> list[str]:
    """Parquet's own names of a column's leaves."""
    kind = SHEET_SCHEMA.field(column).type
    if not pa.types.is_list(kind):
        return [column]
    inner = kind.value_type
    below = [f".{inner.field(i).name}" for i in range(inner.num_fields)] if pa.types.is_struct(inner) else [""]
    return [f"{column}.list.element{name}" for name in below]


def read_sheets(store: Depot, name: str, wanted: Sequence[str], *, trace: bool = False) -> dict[str, Sheet]:
    """Sheets of one file by id; StoreError when the file is gone or torn, or lacks one. `trace`: with it."""
    rows = _rows(store, name, wanted, SHEET_SCHEMA.names if trace else _UNTRACED)
    return {sheet_id: _sheet(row) for sheet_id, row in rows.items()}


FELT: Final = (
    *("from", "to", "low_kn", "high_kn", "count", "residue_kn", "residue_us", "ends_kn", "ends_us"),
    *("swing_bins", "swing_range2_kn2", *CELLS, "level_bins", "level_classes", "level_us"),
    *("travel_classes", "travel_m"),
)
"""The columns that price a sheet."""


@dataclass(frozen=True)
class FeltSheet:
    """What prices a sheet, and no more: the other columns would take an eighth of the time to read it, for nothing."""

    from_us: int
    to_us: int
    low_kn: Floats
    high_kn: Floats
    count: Ints
    residue_kn: Floats
    residue_us: Ints
    ends_kn: Floats
    ends_us: Ints
    swing_bins: Ints
    swing_range2_kn2: Floats
    swing_cells: Ints
    level_bins: Ints
    level_classes: Ints
    level_us: Ints
    travel_classes: Ints
    travel_m: Floats


def read_felt(store: Depot, name: str, wanted: Sequence[str]) -> dict[str, FeltSheet]:
    """What prices some sheets of a file, by id; StoreError as of `read_sheets`."""
    rows = _rows(store, name, wanted, ("sheet", *FELT))
    return {sheet_id: _felt(row) for sheet_id, row in rows.items()}


def _felt(row: pa.Table) -> FeltSheet:
    columns = dict(zip(row.schema.names, row.columns, strict=True))
    found: dict[str, Any] = {name: listed(columns[name]) for name in FELT[2:] if name in columns}
    if "travel_m" not in found:
        found |= {"travel_classes": NO_TRAVEL.classes, "travel_m": NO_TRAVEL.metres}
    cells = np.array([found.pop(name) for name in CELLS]).T
    from_us, to_us = (int(numbers(columns[name])[0]) for name in FELT[:2])
    return FeltSheet(from_us=from_us, to_us=to_us, swing_cells=cells, **found)


def read_traces(store: Depot, name: str, wanted: Sequence[str]) -> dict[str, Trace]:
    """Traces alone of sheets of one file, by id; empty for a sheet made before they were kept. StoreError as above."""
    rows = _rows(store, name, wanted, ("sheet", *TRACE))
    return {sheet_id: _trace(row) for sheet_id, row in rows.items()}


def _rows(store: Depot, name: str, wanted: Sequence[str], columns: Sequence[str]) -> dict[str, pa.Table]:
    """The rows of some sheets of a file, by id, with those of `columns` that it has."""
    path = store.local(name)
    try:
        # Columns that a file does not have yet are passed over.
        table = pq.ParquetFile(pa.memory_map(str(path))).read(columns=list(columns), use_threads=False)
    except (OSError, pa.ArrowInvalid) as error:
        raise StoreError(
            f"cannot read sheets: {error}", file=path, next_step="run `tautlog nightly`, or `tautlog audit`"
        ) from error
    names = table["sheet"].to_pylist()
    missing = sorted(set(wanted) - set(names))
    if missing:
        raise StoreError("sheets are missing from the file", file=path, found=f"{names}", expected=f"{missing}")
    if names == list(wanted) and len(names) == 1:
        return {names[0]: table}
    return {sheet_id: table.slice(names.index(sheet_id), 1) for sheet_id in wanted}


def write_flags(store: Depot, name: str, runs: Sequence[Mapping[str, Any]]) -> str:
    """Write runs of samples whose flag is not 1 (pass): rows as FLAG_SCHEMA; returns the file's SHA-256."""
    table = pa.Table.from_pylist(list(runs), schema=FLAG_SCHEMA)
    return store.write(name, lambda target: pq.write_table(table, target, compression="zstd"))


def read_flags(store: Depot, name: str) -> list[dict[str, Any]]:
    """Flag runs of a file, as the rows that `write_flags` was given; instants are UTC microseconds."""
    path = store.local(name)
    try:
        table = pq.ParquetFile(path).read()
    except (OSError, pa.ArrowInvalid) as error:
        raise StoreError(f"cannot read flags: {error}", file=path, next_step="run `tautlog audit`") from error
    instants = pa.schema([f.with_type(pa.int64()) if f.type == _INSTANT else f for f in FLAG_SCHEMA])
    rows: list[dict[str, Any]] = table.cast(instants).to_pylist()
    return rows


def _row(name: str, sheet: Sheet) -> dict[str, Any]:
    piece = sheet.slice
    return {
        "sheet": name,
        "place": piece.place,
        "channel": piece.channel,
        "day": piece.day,
        "from": piece.from_us,
        "to": piece.to_us,
        "begins": piece.begins,
        "ends": piece.ends,
        "share": piece.share,
        "level_kn": piece.level_kn,
        "observed_us": sheet.observed_us,
        "low_kn": sheet.low_kn,
        "high_kn": sheet.high_kn,
        "count": sheet.count,
        "residue_kn": sheet.residue_kn,
        "residue_us": sheet.residue_us,
        "ends_kn": sheet.ends_kn,
        "ends_us": sheet.ends_us,
        "swing_bins": sheet.swing_bins,
        "swing_n": sheet.swing_sums[:, 0].astype(np.int64),
        "swing_range_kn": sheet.swing_sums[:, 1],
        "swing_range2_kn2": sheet.swing_sums[:, 2],
        "cell_bins": sheet.swing_cells[:, 0],
        "cell_low_classes": sheet.swing_cells[:, 1],
        "cell_high_classes": sheet.swing_cells[:, 2],
        "cell_n": sheet.swing_cells[:, 3],
        "level_bins": sheet.level_bins,
        "level_classes": sheet.level_classes,
        "level_us": sheet.level_us,
        "excursions": [
            {"first": e.first_us, "last": e.last_us, "peak_kn": e.peak_kn, "peak": e.peak_us, "at_least": e.at_least}
            for e in sheet.excursions
        ],
        "travel_classes": sheet.travel_classes,
        "travel_m": sheet.travel_m,
        "trace_bins": sheet.trace_bins,
        "trace_mean_dan": sheet.trace_mean_dan,
        "trace_low_kn": sheet.trace_low_kn,
        "trace_high_kn": sheet.trace_high_kn,
    }


def _sheet(row: pa.Table) -> Sheet:
    def flat(name: str) -> Any:
        return listed(row[name])

    def instant(value: Any) -> int:
        return int(value.value)

    def single(name: str) -> Any:
        return row[name][0].as_py()

    from_us, to_us = instant(row["from"][0]), instant(row["to"][0])
    piece = Slice(
        channel=single("channel"),
        place=single("place"),
        day=single("day"),
        from_us=from_us,
        to_us=to_us,
        begins=single("begins"),
        ends=single("ends"),
        share=single("share"),
        level_kn=single("level_kn"),
    )
    return Sheet(
        slice=piece,
        low_kn=flat("low_kn"),
        high_kn=flat("high_kn"),
        count=flat("count"),
        residue_kn=flat("residue_kn"),
        residue_us=flat("residue_us"),
        ends_kn=flat("ends_kn"),
        ends_us=flat("ends_us"),
        swing_bins=flat("swing_bins"),
        swing_sums=np.column_stack(
            (flat("swing_n").astype(np.float64), flat("swing_range_kn"), flat("swing_range2_kn2"))
        ),
        swing_cells=np.array([flat(name) for name in CELLS]).T,
        level_bins=flat("level_bins"),
        level_classes=flat("level_classes"),
        level_us=flat("level_us"),
        excursions=_excursions(row),
        **_travel(row),
        **{name: listed(row[name]) for name in TRACE if name in row.column_names},
    )


def _excursions(row: pa.Table) -> tuple[Excursion, ...]:
    def instant(value: Any) -> int:
        return int(value.value)

    return tuple(
        Excursion(
            instant(e["first"]), instant(e["last"]), e["peak_kn"].as_py(), instant(e["peak"]), e["at_least"].as_py()
        )
        for e in row["excursions"][0]
    )


def _trace(row: pa.Table) -> Trace:
    """The trace of a sheet; an empty one of a sheet made before traces were kept."""
    if TRACE[0] not in row.column_names:
        return NO_TRACE
    return Trace(*(listed(row[name]) for name in TRACE))


def _travel(row: pa.Table) -> dict[str, Any]:
    """Travel of a sheet; nothing of one made before travel was kept."""
    if "travel_m" not in row.column_names:
        return {}
    return {name: listed(row[name]) for name in ("travel_classes", "travel_m")}
