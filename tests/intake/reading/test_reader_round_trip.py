"""Any table written in any dialect reads back identically, whichever way the reader takes."""

import csv
import gzip
import io
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipelines.intake.reading import text_grids
from pipelines.intake.reading.readers import ReadOptions, read_as_text
from pipelines.intake.reading.tabular import BLANKS, MAXIMUM_COLUMNS
from tests.builders.files import cells
from tests.present import present

# What every encoding below can write; line ends, quotes and separators on purpose, NUL not.
ALPHABET = st.one_of(
    st.sampled_from(list(";,\t\"'\n\r =+-@.0159aZ éÄß")), st.characters(min_codepoint=32, max_codepoint=0x17E)
)
WIDE = st.text(ALPHABET, max_size=8)
NARROW = st.text(st.sampled_from(list(";,\t\"'\n =+-@.0159aZ éÄß")), max_size=8)
PLAIN = st.text(st.sampled_from(list("=+-@.'0159aZ éÄß")), max_size=8)


@st.composite
def tables(draw: st.DrawFn, cell: Any) -> tuple[list[str], list[list[str]]]:
    width = draw(st.integers(1, 5))
    rows = draw(st.lists(st.lists(cell, min_size=width, max_size=width), max_size=8))
    return [f"n{i}" for i in range(width)], rows


def written(header: list[str], rows: list[Any], separator: str, end: str, quoting: Any) -> str:
    text = io.StringIO(newline="")
    if end == "\n" and any("\r" in cell for row in rows for cell in row):
        quoting = csv.QUOTE_ALL  # Python's writer leaves a lone carriage return bare where line ends have none
    writer = csv.writer(text, delimiter=separator, lineterminator=end, quoting=quoting)
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()


def filled(rows: list[Any]) -> list[tuple[str, ...]]:
    return [tuple(row) for row in rows if any(cell.strip(BLANKS) for cell in row)]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    table=st.one_of(
        st.tuples(tables(WIDE), st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le"])),
        st.tuples(tables(NARROW), st.sampled_from(["latin-1", "windows-1252"])),
    ),
    separator=st.sampled_from([",", ";", "\t"]),
    end=st.sampled_from(["\n", "\r\n"]),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    packed=st.booleans(),
    titles=st.integers(0, 3),
)
@example(((["n0"], [["\n"], ["x"]]), "utf-8"), ",", "\n", csv.QUOTE_MINIMAL, False, 0)
def test_any_table_in_any_dialect_comes_back(
    table: tuple[tuple[Any, ...], str], separator: str, end: str, quoting: int, packed: bool, titles: int
) -> None:
    (header, rows), encoding = table
    text = written(header, rows, separator, end, quoting)
    data = (f"title{end}" * titles + text).encode(encoding)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        path.write_bytes(gzip.compress(data) if packed else data)
        read = read_as_text(path, ReadOptions(encoding=encoding, separator=separator, header_line=titles + 1))
    assert read.header == tuple(header)
    assert cells(read.frame) == filled(rows)
    assert read.problems.is_empty()
    assert read.frame["source_line_number"].to_list() == lines_of(rows, text, separator, titles)


def lines_of(rows: list[Any], text: str, separator: str, titles: int) -> list[int]:
    """Where each filled row starts, counted the slow way: by writing the rows before it once more."""
    starts, line = [], titles + 2
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    next(reader)
    for cells_read in reader:
        if any(cell.strip(BLANKS) for cell in cells_read):
            starts.append(line)
        line = reader.line_num + titles + 1
    return starts


@settings(max_examples=150, deadline=None)
@given(
    table=tables(PLAIN),
    separator=st.sampled_from([",", ";", "\t"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    odd=st.lists(
        st.tuples(st.integers(0, 8), st.sampled_from(["", " ", "{s}", "{s}{s}{s}{s}{s}{s}", "x", "{s}x", "a{s}b{s}c"]))
    ),
)
def test_the_plain_way_agrees_with_the_strict_one(
    table: tuple[Any, ...], separator: str, end: str, odd: list[tuple[int, str]]
) -> None:
    header, rows = table
    lines = [separator.join(header), *(separator.join(row) for row in rows)]
    for place, line in odd:
        lines.insert(1 + min(place, len(lines) - 1), line.replace("{s}", separator))
    text = end.join(lines) + end
    strict = text_grids.quoted_grid(text, separator, 1, tuple(header), "t")
    plain = text_grids.plain_grid(text, separator, 1, tuple(header))
    if plain is None:
        assert strict.ragged.height or any(line.count(separator) != len(header) - 1 for line in lines)
    else:
        assert plain.frame.equals(strict.frame) and strict.ragged.is_empty()


def test_the_plain_way_is_taken_for_plain_files() -> None:
    """Otherwise the property above would hold for nothing."""
    assert present(text_grids.plain_grid("a;b\n1;2\n\n;\n3;4\n", ";", 1, ("a", "b"))).frame.height == 2
    assert MAXIMUM_COLUMNS >= 100
