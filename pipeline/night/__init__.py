"""The stages of a night, in the order in which `pipeline.nightly` calls them.

    ingest       raw files -> parts and receipts (deliveries: which files; neighbours: repeated hours settled late)
    plan         live parts + registers -> the sheets there should be, and from what
    place_day    one place's day: samples -> flags, sheets, slip runs (look: the samples as a sheet sees them)
    place_days   all places' days whose sheets or flags are not there yet
    account      one line and zone: fold and price what changed
    accounts     all of them, and the entries they give
    happenings   marks of the sheets -> events
    findings     what stands wrong at the end (services: done to lines; outside: what no constant was fitted to)

Each returns rows for the run's manifest; none commits. The store is read and written through `pipeline.store`.
"""
