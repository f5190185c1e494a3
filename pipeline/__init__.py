"""From raw mooring tension logs to an account for every line and tail; the command is `tautlog`.

The flow, and in brackets the room of each step:

    raw log --reader(layout)--> samples (Parquet, by place and UTC day)    [readers, store]
                                + receipt + quarantine
    samples --quality--> flags beside the samples, never instead of them   [quality]
    samples + flags + rigging --sheet--> day sheet: cycles, residue,       [sheets]
                                swings, time at level, excursions, coverage
    sheets --fold, strictly left in time, by line and zone-->              [sheets, events]
                                cycles and events across midnights
    folded sheets + spec --wear--> life used by day, zone and mechanism    [wear]
    life --post--> manifest (the commit) --> ledger (an index of the       [manifest, ledger]
                                manifests) --> published snapshot
    ledger --> status, statement, events, trace                            [ledger, cli]

A day sheet holds facts (kN, seconds, counts) and knows no rope constant; wear is a pure function of sheets
and a spec. Sheets of the parts of a day join to the sheet of the whole, so that late, repeated or cut-up logs
end in the same digits. What a run did is its manifest: everything else can be made again from the manifests,
the stored samples and the raw files.

Imports point one way, and `tests/test_rooms.py` holds the program to it: schemas, errors, units <- readers,
quality, sheets, events, wear <- site, store, manifest, ledger <- ingest, days, nightly <- cli.
"""
