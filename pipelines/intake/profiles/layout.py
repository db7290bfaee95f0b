"""Where the table in an unknown file begins: its sheet or its encoding and separator, and its header line below any titles."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

from pipelines.errors import UnreadableFileError
from pipelines.intake.profiles import guesses
from pipelines.intake.reading import text_files
from pipelines.intake.reading.readers import ReadOptions, Source
from pipelines.intake.reading.tabular import BLANKS

_SAMPLE_ROWS = 300
_SAMPLE_SHEETS = 10
_SEPARATORS = (*text_files.SEPARATORS, "|")
_VALUE = re.compile(r"[+-]?[0-9][0-9.,:/' \u00a0-]*")
"""A number, date or time: no such text is the name of a column."""

Row = tuple[int, list[str]]


@dataclass(frozen=True)
class Layout:
    """How to read a file, and the text of the lines above its header."""

    options: ReadOptions
    titles: tuple[str, ...]


def find_layout(source: Source) -> Layout:
    """Look at the first rows of a file and find its table.

    Raises:
        UnreadableFileError: the file cannot be read.
    """
    if source.kind == "spreadsheet":
        return _spreadsheet_layout(source)
    if source.kind != "csv":
        return Layout(ReadOptions(), ())
    text, encoding = source.text()
    found = []
    for separator in _SEPARATORS:
        rows = _sample(text, separator, source.name)
        line, score = _header(rows)
        found.append((score, separator, line, rows))
    _, separator, line, rows = max(found, key=lambda one: one[0])
    return Layout(ReadOptions(encoding.removesuffix("-sig"), separator, line), _titles(rows, line))


def _spreadsheet_layout(source: Source) -> Layout:
    """The sheet that looks most like a table; unnamed if it is the first, so that the profile need not name it."""
    names, first = source.sheet()
    found = []
    for name in [None, *names[:_SAMPLE_SHEETS]]:
        try:
            rows = list(enumerate((first if name is None else source.sheet(name)[1])[:_SAMPLE_ROWS], start=1))
        except UnreadableFileError:
            continue
        line, score = _header(rows)
        found.append((score, name, line, rows))
    _, name, line, rows = max(found, key=lambda one: one[0])
    return Layout(ReadOptions(sheet=name, header_line=line), _titles(rows, line))


def _sample(text: str, separator: str, where: str) -> list[Row]:
    try:
        return list(islice(text_files.csv_rows(text, separator, 1, where), _SAMPLE_ROWS))
    except UnreadableFileError:
        # A title may hold a lone quote; below it the table may be sound.
        lines = islice(text_files.lines_of(text), _SAMPLE_ROWS)
        return [(number, line.split(separator)) for number, line in enumerate(lines, start=1)]


def _header(rows: Sequence[Row]) -> tuple[int, int]:
    """The line of the row that looks most like a header, and how well the rows below fit it (0: no row looks like one).

    A title of several cells may be as wide as the table. So among the rows that could be a header, the one with the most cells
    named like columns wins; then the first with a value, such as a number or a date, in the next row.
    """
    filled = [(line, [cell.strip(BLANKS) for cell in cells]) for line, cells in rows]
    filled = [(line, _without_end(cells)) for line, cells in filled if any(cells)]
    found = []
    for number, (line, cells) in enumerate(filled):
        below = Counter(len(other) for _, other in filled[number + 1 :])
        width = len(cells)
        names = [cell for cell in cells if cell]
        # Rows may end in empty cells, so that a row narrower than the header fits it too.
        fitting = sum(count for other, count in below.items() if 1 < other <= width)
        if width < 2 or len(names) < 0.6 * width or any(_VALUE.fullmatch(name) for name in names):
            continue
        if len(set(names)) < len(names) or fitting < 0.6 * sum(below.values()):
            continue
        next_cells = filled[number + 1][1] if number + 1 < len(filled) else []
        has_values_below = any(_VALUE.fullmatch(cell) for cell in next_cells)
        found.append((guesses.named_count(names), has_values_below, -line, (fitting + 1) * (width - 1)))
    if found:
        _, _, line, score = max(found)
        return -line, score
    return (filled[0][0] if filled else 1), 0


def _without_end(cells: list[str]) -> list[str]:
    while cells and not cells[-1]:
        cells = cells[:-1]
    return cells


def _titles(rows: Sequence[Row], line: int) -> tuple[str, ...]:
    texts = (
        " ".join(cell.strip(BLANKS) for cell in cells if cell.strip(BLANKS)) for start, cells in rows if start < line
    )
    return tuple(text for text in texts if text)
