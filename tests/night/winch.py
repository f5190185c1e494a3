"""The layout of a winch that records pull, payout and the state of its brake."""

LAYOUT = """name = "winch"
reader = "delimited"
match = "winch_*.csv"
[text]
missing = ["---"]
[time]
column = "at"
format = "rfc3339"
[[value]]
column = "pull"
channel = "W1-pull"
unit = "kN"
[[value]]
column = "payout"
channel = "W1-payout"
unit = "m"
[[value]]
column = "brake"
channel = "W1-brake"
unit = "1"
"""
