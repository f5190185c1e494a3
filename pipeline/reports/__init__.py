"""Pages that people read in the morning: static, offline, made of what is published, and of nothing else.

::

    snapshot.py   what every page reads, asked once of the published snapshot, by what also answers `--json`
    page.py       one page: its path, its template, what it shows; paths that no hostile name can leave
    figures.py    figures, instants, links, and where each figure comes from
    tables.py     tables that sort and filter
    charts.py     charts that zoom, drawn in the browser    svg.py   pictures that never need to
    writing.py    what a template prints, escaped           making.py   all pages, in a draft that is swapped in whole
    folder.py     the draft, and how it takes the folder's place    hands.py   who writes: this process, or several
    fresh.py      whether the pages there are those of what is published
    berth.py      the berth, first page of the morning: a module for each kind of page, in the table of making.py
    line.py       a page a line: line_account.py (statement), line_beside.py (events, brakes, outlook, how it is made),
                  line_felt.py and line_charts.py (what it felt, drawn)
    ropes.py      candidate ropes                           shown.py    short ways to their figures
    method.py     every formula, in the words of the sources (own_words.py) that method_table.py names

A module of pages has `pages(snapshot)`, which yields `Page`s and is quick: what one shows is made when it is written,
by a process of its own perhaps. It makes plain mappings in which every figure is a `Figure`; templates only lay out.
Nothing on a page depends on a clock: the same snapshot and program make the same bytes.
"""
