"""Strategies for price files that someone might drop by mistake or by intent: any name, any bytes, every kind of file."""

import gzip
import io
import json
import os
import zipfile
from pathlib import Path
from typing import Any

import polars as pl
from hypothesis import strategies as st

from pipelines.intake.take_in import TakenFile
from tests.builders.files import OUR_HEADER, OUR_ROW, write_ods, write_xlsx

FORBIDDEN_IN_NAMES = b"/\0"

names = st.one_of(
    st.sampled_from(
        [b"prices.csv", b"caf\xe9.csv", b"a\nb.csv", b"\x1b[31m.csv", b"=1+1.csv", b"-rf.csv", b"a\\b.csv", b"n" * 251 + b".csv",
         b"\xff" * 255, "\u00e4\u202e\U0001f9f1.jsonl".encode(), b"x.csv.gz", b"%s%d.csv", b"'\";--.csv", b"x" * 250 + b".xlsx"]
    ),
    st.binary(min_size=1, max_size=255),
).map(lambda name: bytes(byte for byte in name if byte not in FORBIDDEN_IN_NAMES) or b"x").filter(lambda n: n not in (b".", b".."))  # fmt: skip
"""Names as the system has them, without the bytes that no name may have."""

days = st.one_of(
    st.dates().map(str),
    st.sampled_from(
        ["2026-10-31", "2026-10-30", "0000-01-01", "0001-01-01", "1989-12-31", "1990-01-01", "2199-12-31", "2200-01-01",
         "9999-12-31", "10000-01-01", "-2026-01-01", "2026-02-30", "2028-02-29", "2026-10-31T00:00:00", "31.10.2026", "\u0662\u0660\u0662\u0666-10-31"]
    ),
)  # fmt: skip

numbers = st.one_of(
    st.sampled_from(["0.045", "1", "0", "-1", "1e300", "1e-300", "NaN", "inf", "9" * 18, "9" * 400, "0x10", "1_000", "1,5", "+1", "1.0000001"]),
    st.decimals(0, 10**6, places=6).map(str),
    st.integers(-(10**20), 10**20).map(str),
)  # fmt: skip

texts = st.one_of(
    st.sampled_from(["00501", "red", "north", "", " ", "\0", "a\0b", "\ud800", "\u202e", "\r", "\n", '"', "'", "=1+1", "x" * 5000]),
    st.text(st.characters(), max_size=8),
)  # fmt: skip

_PLACES = {name: number for number, name in enumerate(OUR_HEADER)}


@st.composite
def rows(draw: st.DrawFn) -> tuple[str, ...]:
    """A good row with some cells made worse."""
    row = list(OUR_ROW)
    for _ in range(draw(st.integers(0, 3))):
        name = draw(st.sampled_from(OUR_HEADER))
        kind = days if name == "observed_on" else numbers if name in ("unit_price", "quantity_available") else texts
        row[_PLACES[name]] = draw(st.one_of(kind, texts))
    return tuple(row)


tables = st.lists(rows(), max_size=6)


@st.composite
def delimited(draw: st.DrawFn) -> bytes:
    """CSV and TSV in several encodings, with rows too short, too long and badly quoted."""
    separator, ending = draw(st.sampled_from(",;\t")), draw(st.sampled_from(["\n", "\r\n", "\r"]))
    lines = [separator.join(OUR_HEADER), *(separator.join(row) for row in draw(tables))]
    lines += draw(st.lists(st.sampled_from(["", separator * 3, '"', "\0" * 9, '"a""b"' + separator, "{"]), max_size=2))
    encoding = draw(st.sampled_from(["utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252"]))
    errors = draw(st.sampled_from(["replace", "ignore", "surrogatepass" if encoding.startswith("utf") else "replace"]))
    return ending.join(lines).encode(encoding, errors=errors)


@st.composite
def json_lines(draw: st.DrawFn) -> bytes:
    """JSON lines, with half characters, deep nesting, numbers without end, names twice and lines that are no objects."""
    lines = []
    for row in draw(tables):
        value: dict[str, Any] = dict(zip(OUR_HEADER, row, strict=True))
        if draw(st.booleans()):
            value[draw(st.sampled_from([*OUR_HEADER, "more", "", "\ud800", "*", "^a$"]))] = draw(
                st.one_of(
                    st.none(), st.booleans(), st.integers(), st.floats(), texts, st.lists(st.integers(), max_size=2)
                )
            )
        lines.append(json.dumps(value, ensure_ascii=draw(st.booleans())))
    lines += draw(
        st.lists(
            st.sampled_from(['{"a":' * 20_000, "[" * 20_000, '{"a":' + "9" * 6000 + "}", '{"a":1,"a":2}', "{", "null", "{}", "\0"]),
            max_size=2,
        )
    )  # fmt: skip
    return "\n".join(lines).encode(errors="surrogatepass")


@st.composite
def parquet(draw: st.DrawFn) -> bytes:
    """Parquet files with columns of text, or of the types that a column might have."""
    found = draw(tables)
    columns: dict[str, Any] = {
        name: [row[place].encode(errors="replace").decode() for row in found] for name, place in _PLACES.items()
    }
    if draw(st.booleans()):
        columns["observed_on"] = [draw(st.dates()) for _ in found]
    if draw(st.booleans()):
        columns["unit_price"] = [draw(st.floats()) for _ in found]
    if draw(st.booleans()):
        columns["quantity_available"] = [draw(st.integers(-(2**63), 2**63 - 1)) for _ in found]
    if draw(st.booleans()):
        columns["observed_on"] = [draw(st.datetimes()) for _ in found]
    target = io.BytesIO()
    pl.DataFrame(columns, strict=False).write_parquet(target)
    return target.getvalue()


def _damaged(data: bytes, edits: list[tuple[float, int]], cut: float) -> bytes:
    found = bytearray(data)
    for place, value in edits:
        found[int(place * len(found))] = value
    return bytes(found[: max(1, int(cut * len(found)))])


def damaged(whole: st.SearchStrategy[bytes]) -> st.SearchStrategy[bytes]:
    """Files with some bytes changed, or cut short."""
    edits = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), max_size=6)
    filled = whole.filter(len)
    return st.builds(_damaged, filled, edits, st.sampled_from([1.0, 1.0, 0.9, 0.5, 0.1]))


def _packed(data: bytes) -> bytes:
    return gzip.compress(data, mtime=0)


plain_files = st.one_of(delimited(), json_lines(), parquet())
light_files = st.one_of(
    plain_files,
    plain_files,
    st.binary(max_size=300),
    damaged(plain_files),
    plain_files.map(_packed),
    damaged(plain_files.map(_packed)),
)
"""All kinds but spreadsheets, each of which takes a process of its own to read."""


@st.composite
def spreadsheets(draw: st.DrawFn, folder: Path) -> bytes:
    """XLSX and ODS with odd cells; many with a damaged entry, or damaged as a whole."""
    safe = [[cell.encode(errors="replace").decode().replace("\0", "0") for cell in row] for row in draw(tables)]
    cells: list[list[Any]] = [list(OUR_HEADER), *([text[:32_000] for text in row] for row in safe)]
    if len(cells) > 1 and draw(st.booleans()):
        cells[1][_PLACES["unit_price"]] = draw(st.floats(-1e15, 1e15))
    if draw(st.booleans()):
        data = write_xlsx(folder / "made.xlsx", {"P": cells}).read_bytes()
    else:
        printable = [
            [text if not isinstance(text, str) or text.isprintable() else "x" for text in row] for row in cells
        ]
        data = write_ods(folder / "made.ods", "P", printable).read_bytes()
    if draw(st.booleans()):
        data = _with_other_entry(
            data, draw(st.integers(0, 20)), draw(damaged(st.just(b"<row r='1'><c r='XFD1048576'/></row>")))
        )
    return draw(st.one_of(st.just(data), damaged(st.just(data))))


def _with_other_entry(data: bytes, number: int, content: bytes) -> bytes:
    """The packed file with one of its entries replaced."""
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as before, zipfile.ZipFile(target, "w") as after:
        entries = before.namelist()
        for entry in entries:
            after.writestr(entry, content if entry == entries[number % len(entries)] else before.read(entry))
    return target.getvalue()


def put(folder: Path, name: bytes, content: bytes) -> Path:
    """Write a file under a name that is bytes."""
    path = folder / os.fsdecode(name)
    path.write_bytes(content)
    return path


def check_answer(taken: TakenFile) -> None:
    """What is promised of the answer to any file: words and nothing else, or every row accounted for."""
    assert taken.file_name.isprintable()
    if taken.error is not None:
        assert taken.error.what and taken.error.where and len(str(taken.error)) < 20_000
        assert "fault of its own" not in taken.error.what, taken.error
        assert not taken.rows.height and not taken.read_row_count
        return
    assert taken.contract is not None
    quarantined = taken.failures["record_number"].n_unique()
    assert taken.read_row_count == taken.rows.height + quarantined + taken.duplicate_row_count
    assert taken.quarantined_text.height == quarantined
    assert (taken.failures["quarantined_rule"] != "").all() and (taken.failures["what_to_do"] != "").all()
    numbers = pl.concat([taken.rows["record_number"], taken.quarantined_text["record_number"]])
    assert numbers.is_unique().all() and numbers.is_between(1, max(taken.read_row_count, 1)).all()
