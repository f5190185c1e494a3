"""Exports: what is published, for other people's programs.

snapshot -> `frames` (one polars frame for each table of `schemas.exported_*`) -> Parquet, CSV (`csv_text`), an Excel
workbook (`workbook`), a DuckDB file with documented views (`views`); and a PDF statement for each line (`statements`).
`dictionary` says what each column is; `making` writes the folder whole, with a manifest of digests.

Nothing in an export tells a clock or a machine: the same snapshot makes the same bytes by the same programs.
"""
