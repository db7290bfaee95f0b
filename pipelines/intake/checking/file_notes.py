"""Sentences about a file as a whole that its user should know, though nothing in it failed."""

from __future__ import annotations

import polars as pl

_OTHER_LETTERS = "[\\x{0370}-\\x{03FF}\\x{0400}-\\x{04FF}]"


def about_rows(row_count: int, repeat_count: int, unstated: int, shaped_count: int) -> list[str]:
    """Notes on a file's rows.

    Args:
        row_count: rows read.
        repeat_count: rows that repeat another exactly.
        unstated: rows that do not say whether their export is full.
        shaped_count: rows with the columns of their contract.
    """
    notes = []
    if not row_count:
        notes.append("The file has a header and no rows.")
    if repeat_count:
        rows = (
            "row repeats another row exactly and counts"
            if repeat_count == 1
            else "rows repeat others exactly and count"
        )
        notes.append(f"{repeat_count} {rows} once.")
    if unstated:
        notes.append(
            f"Coverage is not stated in {unstated} of {shaped_count} rows, which count as partial: they close no offers. "
            'If the file lists all the vendor sells, state coverage = "full" in a column or in the profile.'
        )
    return notes


def look_alikes(rows: pl.DataFrame) -> list[str]:
    """Notes on codes that mix Greek or Cyrillic letters with others: they look like other codes."""
    notes = []
    for name in ("vendor_code", "part_code", "colour_code"):
        if name in rows.columns:
            codes = rows[name]
            if codes.str.len_bytes().sum() == codes.str.len_chars().sum():
                continue
            codes = codes.unique()
            odd = codes.filter(codes.str.contains(_OTHER_LETTERS) & codes.str.contains("[0-9A-Za-z]")).sort()
            if odd.len():
                notes.append(
                    f"{odd.len()} values of {name} mix Greek or Cyrillic letters with others, such as {odd[0]!r}; letters that "
                    "look alike make different codes."
                )
    return notes
