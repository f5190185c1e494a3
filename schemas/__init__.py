"""The contract: register and document models, table schemas, built-in layouts, ledger SQL.

Imports nothing from the program; ships in the wheel. `registers` holds the rows of the CSV registers,
`documents` the TOML documents (site, policy, spec, layout), `times` the one reading of RFC 3339.
"""
