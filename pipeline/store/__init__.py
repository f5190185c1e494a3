"""The store: samples, flags and sheets as Parquet. Nobody else touches Parquet.

Files are immutable, uniquely named, written beside their name, synced, and renamed into place; a file that no
manifest names does not exist for anyone. Layout below a site's `store/`::

    samples/PLACE/DAY/….parquet    what one raw file holds of one place and UTC day
    flags/PLACE/DAY/….parquet      runs of samples whose flag is not 1 (pass)
    sheets/PLACE/DAY/….parquet     day sheets, one row each
"""
