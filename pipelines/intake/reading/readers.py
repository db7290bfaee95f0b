"""Reads a dropped file of any known kind as text: no type is inferred, every row has its line, nothing is cut off silently.

Delimited text (any of the usual encodings and separators, gzip or not), JSON lines, XLSX and ODS, Parquet. What a file is
shows in its bytes, not in its name, because the archive knows no names.
"""

from __future__ import annotations

import codecs
import gzip
import io
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Literal

import polars as pl

from pipelines.errors import UnreadableFileError
from pipelines.intake.reading import binary_files, text_files
from pipelines.intake.reading.tabular import BLANKS, Grid, GridBuilder, check_header
from pipelines.intake.reading.text_grids import (
    even_grid,
    first_row,
    header_place,
    json_grid,
    plain_grid,
    quoted_grid,
    shifted,
)

MAXIMUM_BYTES = 1 << 30
"""Most bytes a file may have, unpacked. Ten million rows of eight columns are about half of it."""

PIECE_BYTES = 16 << 20
"""A plain text is read in pieces of about this size, so that memory is for its rows and not for its text."""

HEAD_BYTES = 1 << 20
"""The header of a plain text is looked for in about so many of its first bytes."""

_LOOK_BYTES = 1 << 16

FileKind = Literal["csv", "json_lines", "spreadsheet", "parquet"]


@dataclass(frozen=True)
class ReadOptions:
    """How a file is written. What is None is found by looking at the file.

    Args:
        encoding: a Python codec name, such as windows-1252; a byte order mark goes before it.
        separator: one character between cells.
        header_line: line (spreadsheet: row) of the header, from 1; lines above it are skipped. None: the first that is
            not blank.
        sheet: name of a spreadsheet's sheet; None for the first.
    """

    encoding: str | None = None
    separator: str | None = None
    header_line: int | None = None
    sheet: str | None = None


@dataclass(frozen=True)
class TextTable:
    """A file as text.

    Args:
        frame: String columns named as in the header, after source_line_number and record_number (Int64).
        ragged: the same columns for rows that do not fit the header, as far as their cells go.
        problems: FAILURE_SCHEMA, why each ragged row is one; quarantined_value has the row in full.
        header: the column names of the file, blanks around them cut off.
        has_blanks: whether cells may have blanks around them, of any kind.
        kind, encoding, separator, header_line: as found, or as stated.
        notes: cautions, in sentences.
    """

    frame: pl.DataFrame
    ragged: pl.DataFrame
    problems: pl.DataFrame
    header: tuple[str, ...]
    kind: FileKind
    encoding: str = ""
    separator: str = ""
    header_line: int = 1
    notes: tuple[str, ...] = ()
    has_blanks: bool = True

    @property
    def row_count(self) -> int:
        """Rows of the file, without the header and wholly empty rows."""
        return self.frame.height + self.ragged.height


def read_as_text(path: Path, options: ReadOptions | None = None) -> TextTable:
    """Read a file.

    Raises:
        UnreadableFileError: it is no table of a known kind, too large, damaged, or its header makes no sense.
    """
    return open_source(path).read(options or ReadOptions())


def open_source(path: Path, name: str | None = None) -> Source:
    """Load a file's bytes, unpacked, and see what kind it is.

    Args:
        path: the file.
        name: how messages call it; its own name if None.

    Raises:
        UnreadableFileError: it is empty, too large, damaged, or of a kind that cannot be read.
    """
    where = name or path.name
    try:
        with path.open("rb") as stream:
            data = stream.read(MAXIMUM_BYTES + 1)
    except OSError as error:
        raise UnreadableFileError(f"the file cannot be opened: {error.strerror}", where=where) from None
    return Source(where, _unpacked(_within_limit(data, where), where))


@dataclass(frozen=True, eq=False)
class Source:
    """An opened file, which can be read with several options; what takes time is done once."""

    name: str
    data: bytes
    _cache: dict[tuple[str, str | None], object] = field(default_factory=dict, repr=False)

    @cached_property
    def kind(self) -> FileKind:
        """What kind of file it is, by its bytes."""
        return _kind_of(self.data, self.name)

    def header(self, options: ReadOptions) -> tuple[str, ...]:
        """The column names that the options find.

        Raises:
            UnreadableFileError: the file cannot be read that far.
        """
        if self.kind == "csv":
            text = self._head if self.is_plain(options) else self._text(options)[0]
            line, separator = header_place(text, options.header_line, options.separator, self.name)
            return check_header(first_row(text, separator, line, self.name), self.name, line)
        return self.read(options).header

    def is_plain(self, options: ReadOptions) -> bool:
        """Whether it is a large text in which every line is a row, so that it may be read piece by piece."""
        if self.kind != "csv" or len(self.data) < PIECE_BYTES or options.encoding not in (None, "utf-8"):
            return False
        return self._is_plain_text and (options.header_line or 1) <= self._head.count("\n")

    def pieces(self, options: ReadOptions) -> Iterator[TextTable]:
        """The file as text, a plain one in pieces of whole lines; positions count from the start of the file.

        Raises:
            UnreadableFileError: see :func:`read_as_text`.
        """
        if not self.is_plain(options):
            yield self.read(options)
            return
        line, separator = header_place(self._head, options.header_line, options.separator, self.name)
        header = check_header(first_row(self._head, separator, line, self.name), self.name, line)
        start, lines, records = 0, 0, 0
        for _ in range(line):
            start = self.data.index(b"\n", start) + 1
            lines += 1
        while start < len(self.data):
            end = self.data.find(b"\n", start + PIECE_BYTES) + 1 or len(self.data)
            piece = self.data[start:end]
            grid = even_grid(piece.replace(b"\r", b"") if b"\r" in piece else piece, separator, header)
            shift = lines
            if grid is None:
                text = piece.decode()
                grid = plain_grid(text, separator, 0, header)
                if grid is None:
                    # With a header of its own, because the rows of a piece are read as those of a file.
                    text, shift = separator.join(header) + "\n" + text, lines - 1
                    grid = quoted_grid(text, separator, 1, header, self.name)
            frame, ragged, problems = (
                shifted(part, shift, records) for part in (grid.frame, grid.ragged, grid.problems)
            )
            has_blanks = not piece.isascii() or any(
                blank in piece for blank in (b" ", b"\t", b"\v", b"\f") if blank != separator.encode()
            )
            yield TextTable(frame, ragged, problems, header, "csv", "utf-8", separator, line, has_blanks=has_blanks)
            records += grid.frame.height + grid.ragged.height
            lines += piece.count(b"\n")
            start = end

    @cached_property
    def _head(self) -> str:
        """The first lines of a plain text."""
        return self.data[: self.data.rfind(b"\n", 0, min(PIECE_BYTES, HEAD_BYTES)) + 1].decode()

    @cached_property
    def _is_plain_text(self) -> bool:
        """UTF-8 without quotes or NUL characters, in lines that end as they usually do and are not too long."""
        if b'"' in self.data or b"\0" in self.data or self.data.startswith(codecs.BOM_UTF8):
            return False
        if b"\r" in self.data and self.data.count(b"\r") != self.data.count(b"\r\n"):
            return False
        start = 0
        try:
            while start < len(self.data):
                end = self.data.find(b"\n", start + PIECE_BYTES) + 1 or len(self.data)
                if end - start > 2 * PIECE_BYTES or self.data.find(b"\n", start, end) < 0:
                    return False
                piece = self.data[start:end]
                if not piece.isascii():
                    piece.decode()
                start = end
        except UnicodeError:
            return False
        return True

    def text(self, encoding: str | None = None) -> tuple[str, str]:
        """The whole text of a delimited file, and its encoding."""
        return self._text(ReadOptions(encoding=encoding))[:2]

    def sheet(self, sheet: str | None = None) -> tuple[list[str], list[list[str]]]:
        """The names of a spreadsheet's sheets, and all cells of one of them."""
        key = ("sheet", self._sheet_key(sheet))
        if key not in self._cache:
            self._cache[key] = binary_files.sheet_rows(self.data, sheet, self.name)
        return self._cache[key]  # type: ignore[return-value]

    def _sheet_key(self, sheet: str | None) -> str | None:
        """The sheet's name; None for the one and only, once it was read without a name."""
        names = self._cache.get(("sheet", None), ([], []))[0]  # type: ignore[index]
        return None if names == [sheet] else sheet

    def read(self, options: ReadOptions) -> TextTable:
        """The whole file as text.

        Raises:
            UnreadableFileError: see :func:`read_as_text`.
        """
        key = ("table", repr(self._options_that_count(options)))
        if key not in self._cache:
            self._cache[key] = self._read(options)
        return self._cache[key]  # type: ignore[return-value]

    def _options_that_count(self, options: ReadOptions) -> ReadOptions:
        """The options that change how a file of this kind is read; the others must not cause a second reading."""
        if self.kind == "csv":
            return options
        if self.kind == "json_lines":
            return ReadOptions(encoding=options.encoding)
        if self.kind == "parquet":
            return ReadOptions()
        return ReadOptions(sheet=self._sheet_key(options.sheet), header_line=options.header_line)

    def _read(self, options: ReadOptions) -> TextTable:
        if self.kind == "csv":
            return self._read_csv(options)
        if self.kind == "json_lines":
            text, encoding, caution = self._text(options)
            return _as_table(json_grid(text, self.name), "json_lines", encoding=encoding, notes=_notes(caution))
        if self.kind == "spreadsheet":
            _, rows = self.sheet(options.sheet)
            line = options.header_line or next((n for n, row in enumerate(rows, 1) if "".join(row).strip(BLANKS)), 1)
            if line > len(rows):
                raise UnreadableFileError(f"the sheet has no row {line}, where the header should be", where=self.name)
            builder = GridBuilder(check_header(rows[line - 1], self.name, line), "\t")
            for number, cells in enumerate(rows[line:], start=line + 1):
                builder.add(number, cells)
            return _as_table(builder.grid(), "spreadsheet", header_line=line)
        return _as_table(binary_files.parquet_grid(self.data, self.name), "parquet")

    def _read_csv(self, options: ReadOptions) -> TextTable:
        text, encoding, caution = self._text(options)
        line, separator = header_place(text, options.header_line, options.separator, self.name)
        header = check_header(first_row(text, separator, line, self.name), self.name, line)
        grid = None if '"' in text or "\0" in text else plain_grid(text, separator, line, header)
        return _as_table(
            grid or quoted_grid(text, separator, line, header, self.name),
            "csv",
            encoding=encoding,
            separator=separator,
            header_line=line,
            notes=_notes(caution),
        )

    def _text(self, options: ReadOptions) -> tuple[str, str, str]:
        key = ("text", options.encoding)
        if key not in self._cache:
            self._cache[key] = text_files.decode(self.data, options.encoding, self.name)
        return self._cache[key]  # type: ignore[return-value]


def _within_limit(data: bytes, where: str) -> bytes:
    if len(data) > MAXIMUM_BYTES:
        raise UnreadableFileError(
            f"the file is larger than {MAXIMUM_BYTES:,} bytes",
            where=where,
            next_step="split it into several files",
        )
    nothing = b"\0 \t\r\n\xef\xbb\xbf\xff\xfe"
    if not data[:_LOOK_BYTES].strip(nothing) and not data.strip(nothing):
        raise UnreadableFileError("the file is empty", where=where, next_step="export it again")
    return data


def _unpacked(data: bytes, where: str) -> bytes:
    if not data.startswith(b"\x1f\x8b"):
        return data
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as stream:
            unpacked = _within_limit(stream.read(MAXIMUM_BYTES + 1), where)
    except (OSError, EOFError, zlib.error) as error:
        raise UnreadableFileError(
            f"the gzip file is damaged: {error}", where=where, next_step="export or copy it again"
        ) from None
    if unpacked.startswith(b"\x1f\x8b"):
        raise UnreadableFileError("the file is packed twice", where=where, next_step="unpack it once")
    return unpacked


def _kind_of(data: bytes, where: str) -> FileKind:
    if data.startswith(b"PAR1"):
        return "parquet"
    if data.startswith(b"PK\x03\x04"):
        _check_zip(data, where)
        return "spreadsheet"
    if data.startswith((b"\xd0\xcf\x11\xe0", b"%PDF", b"\x1f\x8b", b"PK")):
        raise UnreadableFileError(
            "files of this kind are not read",
            where=where,
            next_step="save it as CSV, XLSX (not the older XLS) or ODS, without a password",
        )
    return "json_lines" if data[:64].lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{") else "csv"


def _check_zip(data: bytes, where: str) -> None:
    """Unpack once without keeping anything: a false size fails its checksum, a true one is compared with the limit."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            if sum(entry.file_size for entry in packed.infolist()) > MAXIMUM_BYTES:
                raise UnreadableFileError(f"the spreadsheet unpacks to more than {MAXIMUM_BYTES:,} bytes", where=where)
            damaged = packed.testzip()
    except UnreadableFileError:
        raise
    except Exception as error:  # damaged bytes raise whatever they happen to hit
        raise UnreadableFileError(f"the spreadsheet is damaged or locked: {error}", where=where) from None
    if damaged is not None:
        raise UnreadableFileError(f"the spreadsheet is damaged in {damaged}", where=where)


def _as_table(
    grid: Grid,
    kind: FileKind,
    *,
    encoding: str = "",
    separator: str = "",
    header_line: int = 1,
    notes: tuple[str, ...] = (),
) -> TextTable:
    return TextTable(grid.frame, grid.ragged, grid.problems, grid.header, kind, encoding, separator, header_line, notes)


def _notes(caution: str) -> tuple[str, ...]:
    return (caution,) if caution else ()
