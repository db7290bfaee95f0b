"""Every column, defined once: its type, unit, meaning and range. One module per domain, each with COLUMNS.

Modules here import only schemas.contract, and only schemas.all_columns imports them: look a column up there, by its name.
A column that tables of several domains use is in the domain that gives it its meaning, or in shared.py.
"""
