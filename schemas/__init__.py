"""Contracts: what every table is. Anything in kitfare may import this package, which imports only pipelines.errors.

contract.py     what a column and a table are
columns/        every column, defined once, by domain
inputs/         the tables a user gives, by domain
published/      the tables a reader may query, by domain
all_columns.py  all columns by name
all_tables.py   all tables, in the order a reader meets them, and every list of tables that code uses
rules.py        a contract's rules as pandera schemas
validate.py     the one helper that checks frames against their contracts
dictionary.py   the data dictionary, DICTIONARY.md, written from all this

Each line imports only from lines above it. Readers outside the package take a contract from its domain, and a list of them from
all_tables.
"""
