"""Raw logs of an invented berth and ship, their ground truth, and the program that makes them.

world    the invented berth, ship, lines and times: every number of the world stands there
sea      waves, swell, slow drift, tide, loading, wind with a squall, a passing ship: forces and motions
crew     making fast, tending, letting go: which winch runs when
model    the moored ship through lines and tails: tension and payout at 10 Hz
sensors  load pins, brake gauges, load cells: what the loggers wrote down
writers  three kinds of raw log; dirt: what went wrong on the way; truth: what really happened
wide     the same kind of wide log of any size, for benchmarks; demo: a demo site out of all this

Nothing in it is real: no terminal, ship, rope or person. `python -m sample_logs.make_logs OUT` remakes it.
"""
