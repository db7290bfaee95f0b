"""Read a dropped file as text."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ReadOptions:
    """How a file is written. What is None is found by looking at the file.

    Args:
        encoding: a Python codec name, such as windows-1252.
        separator: one character between cells.
        header_line: line (spreadsheet: row) of the header, from 1; lines above it are skipped.
        sheet: name of a spreadsheet's sheet; None for the first.
    """

    encoding: str | None = None
    separator: str | None = None
    header_line: int | None = None
    sheet: str | None = None
