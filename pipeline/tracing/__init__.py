"""Walking back: from a posted figure to cycles, samples, and the line of a raw file.

`series` streams a line's samples as the sheets saw them, `cycles` counts them with exact times, `trace` follows a
reference. Everything reads the published snapshot and immutable files, so no run is waited for.
"""
