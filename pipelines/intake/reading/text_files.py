"""Delimited text and JSON lines: bytes to text, and text to rows with their true line numbers."""

from __future__ import annotations

import codecs
import csv
import io
import json
import re
from collections.abc import Iterator
from itertools import islice
from typing import Any

from pipelines.errors import UnreadableFileError
from pipelines.intake.reading.tabular import BLANKS

SEPARATORS = (";", "\t", ",")
MAXIMUM_CELL_CHARACTERS = 1_000_000

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
# Encodings that guessing may choose, the likeliest first. A free choice takes short lists of codes for East Asian text.
_GUESSES = {
    "cp1252": "windows-1252", "latin_1": "latin-1", "cp1250": "windows-1250", "iso8859_2": "iso8859-2",
    "iso8859_15": "iso8859-15", "cp1251": "windows-1251", "cp1253": "windows-1253", "cp1254": "windows-1254",
}  # fmt: skip

_WHOLE_CHARACTERS = {"utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", *_GUESSES.values()}
"""Encodings that never give half a character; those that a profile may state besides can."""

Row = tuple[int, list[str]]
"""Line on which the row starts, from 1, and its cells."""


def decode(data: bytes, stated: str | None, where: str) -> tuple[str, str, str]:
    """The text, the encoding used, and a caution where it was guessed (else empty).

    A byte order mark decides; then what was stated; then UTF-8 if it fits; then UTF-16 by its pattern of zero bytes; then
    charset-normalizer, among the encodings of European spreadsheets.

    Raises:
        UnreadableFileError: the bytes do not fit the encoding.
    """
    caution = ""
    marked = next((name for mark, name in _BYTE_ORDER_MARKS if data.startswith(mark)), None)
    encoding = marked or stated
    if encoding is None:
        encoding = "utf-8" if _fits(data, "utf-8") and b"\0" not in data[:4096] else _utf16_by_pattern(data)
    if encoding is None:
        encoding = _guessed(data)
        caution = f"The encoding was taken for {encoding}. If letters look wrong, state encoding under [reading] in a profile."
    try:
        text = data.decode(encoding)
    except UnicodeError as error:
        line = data.count(b"\n", 0, getattr(error, "start", 0)) + 1
        raise UnreadableFileError(
            f"the file is not written in {encoding}: {error}",
            where=f"{where}, near line {line}",
            next_step="state the right encoding under [reading] in its profile",
        ) from None
    if encoding not in _WHOLE_CHARACTERS and not _is_text(text):
        raise UnreadableFileError(
            f"the file is not written in {encoding}: it has halves of characters",
            where=where,
            next_step="state the right encoding under [reading] in its profile",
        )
    return text.removeprefix("\ufeff"), encoding, caution


def _is_text(text: str) -> bool:
    """Whether a text has no halves of characters (lone surrogates), which nothing can store."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _fits(data: bytes, encoding: str) -> bool:
    try:
        data.decode(encoding)
    except UnicodeError:
        return False
    return True


def _utf16_by_pattern(data: bytes) -> str | None:
    """UTF-16 without a mark: in text of mostly Latin letters every other byte is zero."""
    head = data[:4096]
    pairs = len(head) // 2
    if not pairs or len(data) % 2:
        return "utf-8" if _fits(data, "utf-8") else None
    first, second = head[0::2].count(0) / pairs, head[1::2].count(0) / pairs
    if max(first, second) > 0.4 and min(first, second) < 0.05:
        return "utf-16-le" if second > first else "utf-16-be"
    return "utf-8" if _fits(data, "utf-8") else None


def _guessed(data: bytes) -> str:
    from charset_normalizer import from_bytes

    # Each line with such letters once: with repeated lines the guesser gives up early on encodings that fit as well.
    found = (line.strip() for line in io.BytesIO(data) if not line.isascii())
    special = b"\n".join(dict.fromkeys(islice(found, 2000)))
    usable = [name for name in _GUESSES if _fits(data, name)]
    matches = list(from_bytes(special, cp_isolation=usable))
    if not matches:
        return _GUESSES[usable[0]]
    best = (matches[0].chaos, matches[0].coherence)
    names = {name for m in matches if (m.chaos, m.coherence) == best for name in (m.encoding, *m.could_be_from_charset)}
    # Several encodings often look equally good; the likeliest of them is the one to name.
    return _GUESSES[next(name for name in usable if name in names)]


def find_separator(header_line: str, next_line: str) -> str:
    """The separator that the header has most of outside quotes; a tie goes to the one the next line has as often."""
    counts = {separator: _outside_quotes(header_line, separator) for separator in SEPARATORS}
    most = max(counts.values())
    if not most:
        return ","
    tied = [separator for separator in SEPARATORS if counts[separator] == most]
    return next((s for s in tied if _outside_quotes(next_line, s) == most), tied[0])


def _outside_quotes(line: str, character: str) -> int:
    return re.sub(r'"[^"]*"', "", line).count(character)


def lines_of(text: str) -> Iterator[str]:
    """Physical lines; a line ends with a line feed, a carriage return, or both."""
    return iter(io.StringIO(text, newline=""))


def csv_rows(text: str, separator: str, first_line: int, where: str) -> Iterator[Row]:
    """Rows of delimited text from a physical line on, as Python's csv module reads them in its strict mode.

    Raises:
        UnreadableFileError: a quote is never closed, or closed in the middle of a cell.
    """
    csv.field_size_limit(MAXIMUM_CELL_CHARACTERS)
    stream = lines_of(text)
    skipped = sum(1 for _ in islice(stream, first_line - 1))
    reader = csv.reader(stream, delimiter=separator, quotechar='"', doublequote=True, strict=True)
    start = skipped + 1
    try:
        for cells in reader:
            yield start, cells
            start = skipped + reader.line_num + 1
    except csv.Error as error:
        raise UnreadableFileError(
            f"quotes do not add up in the row that starts on line {start}: {error}",
            where=f"{where}, line {start}",
            next_step='close the quote, or double a quote inside a quoted cell (""), and drop the file again',
        ) from None


def json_rows(text: str) -> Iterator[tuple[int, str, dict[str, str | None] | str]]:
    """Line number, line, and its JSON object with all values as the text that the file has, or what is wrong with it."""
    for number, line in enumerate(lines_of(text), start=1):
        if line.strip(BLANKS):
            try:
                row = _json_object(line)
            except (ValueError, RecursionError) as error:
                # The error may name a key that has half a character.
                what = f"not a flat JSON object: {error}".encode("utf-8", "backslashreplace").decode()
                yield number, line.strip(BLANKS), what
                continue
            if "\\u" in line and not all(_is_text(text) for pair in row.items() for text in pair if text):
                yield number, line.strip(BLANKS), "has half a character, such as \\ud800, which is no text"
                continue
            yield number, line.strip(BLANKS), row


def _json_object(line: str) -> dict[str, str | None]:
    value = json.loads(line, parse_float=str, parse_int=str, object_pairs_hook=_unique_keys)
    if not isinstance(value, dict):
        raise ValueError("the line is a single value")
    return {key.strip(BLANKS): _json_text(key, item) for key, item in value.items()}


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len({key.strip(BLANKS) for key in found}) != len(pairs):
        raise ValueError("a name occurs twice")
    return found


def _json_text(key: str, value: Any) -> str | None:
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None or isinstance(value, str):
        return value
    raise ValueError(f"{key} is neither text nor a number")
