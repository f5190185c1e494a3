"""The ledger: a DuckDB index of the manifests, only ever added to. Nobody else touches DuckDB.

A run commits by its manifest (`pipeline.manifest`); the ledger follows::

    database.py   open the ledger (taking in every manifest it has not seen), or the published snapshot
    apply.py      one manifest, one transaction
    index.py      what the night reads: live parts, sheets, states, postings, events, findings
    posting.py    desired life against live postings -> entries (pure)
    publish.py    the snapshot that readers open, swapped whole; published.py what it says of itself
    account.py    what a line's account is added up from; basis.py what its figures rest on
    still.py      the snapshot held still, for many questions: live views laid down once
    gathered.py   registers, accounts and evidence of all lines, read once
    statement.py  one line's account        status.py    one row a line, worst first
    bands.py      contact bands, as riggings and crops move them; along.py the pieces of an end
    strength.py   strength left and margin; service.py   calls, hours, age, and the limits on them
    advice.py     what to do, by named rules (pure); line_facts.py what the rules look at
    queries.py    events, receipts, findings, single entries, as answers
    figures.py    counts for metrics
    rows.py       rows as the rest of the program sees them; words.py the caution beside every figure
    checks.py     ledger, published snapshot and manifests held against each other, for audit
    rebuild.py    the ledger anew from the manifests
    removed.py    what may be taken away, what was by decision, and what manifests name, asked without a ledger

Every row of the ledger is decided by a manifest and by nothing else, so the file may be deleted at any time.
"""
