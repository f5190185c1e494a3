"""Pieces of text that answers for people are made of: paragraphs, tables, figures."""

from collections.abc import Sequence
from decimal import Decimal
from io import StringIO
from shutil import get_terminal_size

from pipeline.errors import plain

LAST_COLUMN = 40
"""The least width of a table's last column, which may wrap."""


def life(value: Decimal | None) -> str:
    """A life, or a severity index, in four digits; what is not known is said."""
    return "unknown" if value is None else f"{value:.3e}" if value else "0"


def join(*parts: str) -> str:
    """Parts of an answer, an empty line between them; empty parts are left out."""
    return "\n\n".join(plain(part) for part in parts if part)


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A plain table; the last column wraps to the width of the terminal, the others are never cut."""
    from rich.box import SIMPLE_HEAD
    from rich.cells import cell_len
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    made = Table(box=SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for i, name in enumerate(head):
        made.add_column(Text(name), overflow="fold", no_wrap=i < len(head) - 1)
    needed = LAST_COLUMN
    cells = [[plain(cell).replace("\n", "\\n") for cell in row] for row in rows]
    for column in list(zip(head, *cells, strict=True))[:-1]:
        needed += max(map(cell_len, column)) + 2
    for row in cells:
        # As Text, so that no id or file name is taken for markup.
        made.add_row(*map(Text, row))
    out = StringIO()
    Console(file=out, width=max(get_terminal_size((140, 40)).columns, needed), color_system=None).print(made)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())
