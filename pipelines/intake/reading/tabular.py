"""Rows of text cells gathered into frames: positions, ragged rows, and what a header may be."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipelines.errors import UnreadableFileError
from schemas.validate import FAILURE_SCHEMA, POSITION_COLUMNS

BLANKS = " \t\r\n\v\f\u00a0"
"""Characters that alone do not make a cell filled; one list, because libraries differ in what they call blank."""

MAXIMUM_COLUMNS = 1000

STATED_PREFIX = "stated_"
"""A file's own record_number and source_line_number are read under this prefix, beside the positions of its rows."""

NUL_RULE = "has a NUL character, which is no text"
NUL_ADVICE = "look whether the file was cut or copied badly; correct the row, or export the file again"

_CHUNK_ROWS = 50_000


@dataclass(frozen=True)
class Grid:
    """Rows that fit the header, rows that do not, and why; see :class:`pipelines.intake.reading.readers.TextTable`."""

    header: tuple[str, ...]
    frame: pl.DataFrame
    ragged: pl.DataFrame
    problems: pl.DataFrame

    @classmethod
    def regular(cls, header: tuple[str, ...], frame: pl.DataFrame) -> Grid:
        """A grid without ragged rows; ``frame`` has the two positions, then the cells in the header's order."""
        schema = grid_schema(header)
        named = frame.rename(dict(zip(frame.columns, schema, strict=True))).cast(schema)
        return cls(header, named, pl.DataFrame(schema=schema), pl.DataFrame(schema=FAILURE_SCHEMA))

    def without_nul(self) -> Grid:
        """A grid whose rows with NUL characters are ragged; positions stay."""
        has_nul = self.frame.select(
            pl.any_horizontal(pl.col(*self.frame.columns[2:]).str.contains("\0", literal=True).fill_null(False))
        ).to_series()
        if not has_nul.any():
            return self
        bad = self.frame.filter(has_nul)
        shown = bad.with_columns(pl.col(*bad.columns[2:]).str.replace_all(r"\x00+", r"\0"))
        problems = shown.select(
            *POSITION_COLUMNS,
            pl.lit("").alias("quarantined_column"),
            pl.concat_str(pl.col(*shown.columns[2:]).fill_null(""), separator="\t").alias("quarantined_value"),
            pl.lit(NUL_RULE).alias("quarantined_rule"),
            pl.lit(NUL_ADVICE).alias("what_to_do"),
        )
        return Grid(
            self.header,
            self.frame.filter(~has_nul),
            pl.concat([self.ragged, shown]).sort(POSITION_COLUMNS[1]),
            pl.concat([self.problems, problems.select(FAILURE_SCHEMA.names()).cast(FAILURE_SCHEMA)]).sort(
                POSITION_COLUMNS[1]
            ),
        )


def grid_schema(header: Sequence[str]) -> pl.Schema:
    """Positions, then one String column per name of the header."""
    names = [STATED_PREFIX + name if name in POSITION_COLUMNS else name for name in header]
    return pl.Schema({**dict.fromkeys(POSITION_COLUMNS, pl.Int64()), **dict.fromkeys(names, pl.String())})


def check_header(cells: Sequence[str], where: str, line: int) -> tuple[str, ...]:
    """The column names, without blanks around them; nameless columns are called by their position.

    Raises:
        UnreadableFileError: there are too many columns, a name occurs twice, or has NUL characters.
    """
    place = f"{where}, line {line}"
    if len(cells) > MAXIMUM_COLUMNS:
        raise UnreadableFileError(
            f"the header has {len(cells):,} columns; {MAXIMUM_COLUMNS:,} is the most",
            where=place,
            next_step="check the separator, or remove columns",
        )
    if any("\0" in cell for cell in cells):
        raise UnreadableFileError(
            "the header has NUL characters; the file is damaged, or not a text file",
            where=place,
            next_step="export it again",
        )
    names = [_column_name(cell.strip(BLANKS), number) for number, cell in enumerate(cells, 1)]
    twice = [name for name, count in Counter(names).items() if count > 1]
    if twice:
        raise UnreadableFileError(
            f"the header has columns of the same name: {', '.join(twice[:5])}",
            where=place,
            next_step="rename or remove one of each",
        )
    taken = [STATED_PREFIX + name for name in POSITION_COLUMNS if name in names and STATED_PREFIX + name in names]
    if taken:
        raise UnreadableFileError(f"the header has a column called {taken[0]}", where=place, next_step="rename it")
    return tuple(names)


def _column_name(name: str, number: int) -> str:
    """A name that is empty, or that Polars would take for a pattern of names, is no name."""
    return name if name and name != "*" and not (name.startswith("^") and name.endswith("$")) else f"(column {number})"


class GridBuilder:
    """Gathers rows one by one. Wholly empty rows are no records; empty cells beyond the header's end are left out."""

    def __init__(self, header: tuple[str, ...], separator: str, *, may_have_nul: bool = True) -> None:
        self._header = header
        self._separator = separator
        self._may_have_nul = may_have_nul
        self._record = 0
        self._good: list[tuple[object, ...]] = []
        self._ragged: list[tuple[object, ...]] = []
        self._problems: list[tuple[object, ...]] = []
        self._frames: list[pl.DataFrame] = []

    def add(self, line: int, cells: Sequence[str | None]) -> None:
        """Add a row that starts on a line of the file."""
        if not (cells and cells[0] and cells[0].strip(BLANKS)) and _is_blank(cells):
            return
        width = len(self._header)
        if self._may_have_nul and any("\0" in cell for cell in cells if cell):
            self.add_problem(line, cells, self._separator.join(cell or "" for cell in cells), NUL_RULE, NUL_ADVICE)
            return
        if len(cells) > width and _is_blank(cells[width:]):
            cells = cells[:width]
        if len(cells) == width:
            self._record += 1
            self._good.append((line, self._record, *cells))
            if len(self._good) >= _CHUNK_ROWS:
                self._flush()
            return
        rule = f"has {len(cells)} cells where the header has {width}"
        raw = self._separator.join(cell or "" for cell in cells)
        advice = "give the row as many cells as the header; a cell that holds the separator needs quotes around it"
        self.add_problem(line, cells, raw, rule, advice)

    def add_problem(self, line: int, cells: Sequence[str | None], raw: str, rule: str, advice: str) -> None:
        """Add a record that is not a row of the table; as many of its cells as fit are kept in their places."""
        self._record += 1
        width = len(self._header)
        kept = [*(cell and _visible(cell) for cell in cells[:width]), *[None] * (width - len(cells))]
        self._ragged.append((line, self._record, *kept))
        self._problems.append((line, self._record, "", _visible(raw), rule, advice))

    def grid(self) -> Grid:
        """All that was added, in order."""
        self._flush()
        schema = grid_schema(self._header)
        return Grid(
            self._header,
            pl.concat(self._frames),
            pl.DataFrame(self._ragged, schema=schema, orient="row"),
            pl.DataFrame(self._problems, schema=FAILURE_SCHEMA, orient="row"),
        )

    def _flush(self) -> None:
        """Turn rows into a frame now and then, so that millions of small tuples never live at once."""
        schema = grid_schema(self._header)
        columns = list(zip(*self._good, strict=True)) or [()] * len(schema)
        series = [
            pl.Series(name, column, dtype=kind) for (name, kind), column in zip(schema.items(), columns, strict=True)
        ]
        self._frames.append(pl.DataFrame(series))
        self._good = []


def _visible(text: str) -> str:
    r"""A text with ``\0`` in place of NUL characters, which no table and no spreadsheet shows."""
    return re.sub("\0+", r"\\0", text) if "\0" in text else text


def _is_blank(cells: Sequence[str | None]) -> bool:
    return not any(cell and cell.strip(BLANKS) for cell in cells)
