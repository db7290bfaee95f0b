"""Files made to break a reader: each is refused in words, none crashes, hangs or eats the memory."""

import gzip
import json
import os
import random
import time
import zipfile
from pathlib import Path

import polars as pl
import pytest

from pipelines.errors import UnreadableFileError
from pipelines.intake.reading import binary_files, readers
from pipelines.intake.reading.readers import read_as_text
from tests.builders.files import OUR_HEADER, OUR_ROW, our_row, take, write_csv, write_text, write_xlsx


def refused(path: Path, match: str) -> UnreadableFileError:
    with pytest.raises(UnreadableFileError, match=match) as caught:
        read_as_text(path)
    assert path.name in caught.value.where
    return caught.value


@pytest.mark.parametrize(
    "content", [b"", b" \n\r\n", b"\xef\xbb\xbf", b"\xff\xfe", gzip.compress(b"", mtime=0), b"\0" * 100]
)
def test_an_empty_file(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.csv").write_bytes(content)
    refused(tmp_path / "a.csv", "empty")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"])
@pytest.mark.parametrize("quote", ["", '"'])
def test_a_nul_character_quarantines_its_row(tmp_path: Path, encoding: str, quote: str) -> None:
    rows = [our_row(), our_row(part_code=f"{quote}0\0\x005{quote}"), our_row(part_code="p\u00e4")]
    text = "\n".join(",".join(row) for row in [OUR_HEADER, *rows])
    taken = take(write_text(tmp_path / "a.csv", text, encoding), tmp_path)
    assert taken.rows["part_code"].to_list() == ["00501", "p\u00e4"]
    assert taken.quarantined_text["part_code"].to_list() == ["0\\05"]
    assert taken.failures["source_line_number"].to_list() == [3] and "NUL" in taken.failures["quarantined_rule"][0]


def test_a_nul_character_in_other_kinds_quarantines_its_row(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        [OUR_ROW, our_row(part_code="0\x005"), our_row(part_code="p2")], schema=OUR_HEADER, orient="row"
    )
    frame.write_parquet(tmp_path / "a.parquet")
    frame.write_ndjson(tmp_path / "a.jsonl")
    for name in ("a.parquet", "a.jsonl"):
        taken = take(tmp_path / name, tmp_path)
        assert taken.error is None and taken.rows["part_code"].to_list() == ["00501", "p2"], name
        assert "NUL" in taken.failures["quarantined_rule"][0]


def test_a_file_padded_with_nul_keeps_its_rows(tmp_path: Path) -> None:
    """What a copy looks like whose space was reserved before it was cut."""
    text = "\n".join(",".join(row) for row in [OUR_HEADER, OUR_ROW]) + "\n" + "\0" * 5000
    taken = take(write_text(tmp_path / "a.csv", text), tmp_path)
    assert taken.rows.height == 1 and taken.failures["source_line_number"].unique().to_list() == [3]
    assert len(taken.failures["quarantined_value"][0]) < 10


@pytest.mark.parametrize("line", [b"[" * 400_000, b"a;" * 200_000, b'"' * 400_000, b" " * 400_000, b"\xe4" * 400_000])
def test_long_lines_take_time_by_their_length_and_not_by_its_square(tmp_path: Path, line: bytes) -> None:
    (tmp_path / "a.csv").write_bytes(b"a,b\n1,\xe4\n" + line)
    began = time.process_time()
    take(tmp_path / "a.csv", tmp_path)
    assert time.process_time() - began < 20


def test_a_header_with_nul(tmp_path: Path) -> None:
    refused(write_text(tmp_path / "a.csv", "a,b\0\n1,2\n"), "header has NUL")


def test_half_characters_in_json_lines_quarantine_their_lines(tmp_path: Path) -> None:
    good = dict(zip(OUR_HEADER, OUR_ROW, strict=True))
    lines = [json.dumps(row) for row in (good, {**good, "part_code": "\ud800"}, {**good, "\udfff": "1"},
                                         {**good, "part_code": "\U0001f9f1"}, {**good, "\ud800": {"a": 1}})]  # fmt: skip
    taken = take(write_text(tmp_path / "a.jsonl", "\n".join(lines)), tmp_path)
    assert taken.rows["part_code"].to_list() == ["00501", "\U0001f9f1"]
    half = taken.failures.filter(pl.col("quarantined_rule").str.contains("half a character"))
    assert half["source_line_number"].to_list() == [2, 3]
    assert taken.quarantined_text["source_line_number"].to_list() == [2, 3, 5], (
        "also where the message names such a key"
    )


def test_a_stated_encoding_that_gives_half_characters(tmp_path: Path) -> None:
    path = write_text(tmp_path / "a.csv", "a,b\n1,\\ud800\n")
    with pytest.raises(UnreadableFileError, match="halves of characters"):
        read_as_text(path, readers.ReadOptions(encoding="unicode_escape"))


@pytest.mark.parametrize(
    ("text", "line"), [('a,b\n1,2\n3,"never closed\n4,5\n', 3), ('a,b\n1,"x"y\n', 2), ('a,b\n1,"' + "x" * 2_000_000, 2)]
)
def test_quotes_that_do_not_add_up(tmp_path: Path, text: str, line: int) -> None:
    error = refused(write_text(tmp_path / "a.csv", text), "quotes do not add up")
    assert f"line {line}" in error.where and error.next_step


def test_duplicate_names(tmp_path: Path) -> None:
    refused(write_text(tmp_path / "a.csv", "a,b, a\n1,2,3\n"), "same name: a")
    refused(write_text(tmp_path / "b.csv", "record_number,stated_record_number\n1,2\n"), "stated_record_number")


def test_a_hundred_thousand_columns(tmp_path: Path) -> None:
    names = ",".join(f"c{n}" for n in range(100_000))
    refused(write_text(tmp_path / "a.csv", names + "\n" + names + "\n"), "100,000 columns")
    refused(write_text(tmp_path / "a.jsonl", "{" + ",".join(f'"c{n}":1' for n in range(2000)) + "}"), "2,000 columns")


def test_a_gzip_bomb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readers, "MAXIMUM_BYTES", 1_000_000)
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(b"a" * 50_000_000))
    refused(tmp_path / "a.csv.gz", "larger than 1,000,000 bytes")
    refused(write_text(tmp_path / "b.csv", "x" * 1_000_001), "larger")


def test_a_damaged_gzip_file(tmp_path: Path) -> None:
    packed = gzip.compress(b"a,b\n1,2\n" * 1000)
    for content in (packed[:-20], packed[:15], packed[:30] + b"zzzz" + packed[34:]):
        (tmp_path / "a.csv.gz").write_bytes(content)
        refused(tmp_path / "a.csv.gz", "damaged")
    (tmp_path / "b.csv.gz").write_bytes(gzip.compress(packed))
    refused(tmp_path / "b.csv.gz", "packed twice")


def test_a_zip_bomb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readers, "MAXIMUM_BYTES", 1_000_000)
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b"<" * 20_000_000)
    refused(tmp_path / "a.xlsx", "unpacks to more than")


def test_a_zip_bomb_that_lies_about_its_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readers, "MAXIMUM_BYTES", 1_000_000)
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b"<" * 20_000_000)
    data = (tmp_path / "a.xlsx").read_bytes()
    assert data.count((20_000_000).to_bytes(4, "little")) == 2
    (tmp_path / "a.xlsx").write_bytes(data.replace((20_000_000).to_bytes(4, "little"), (1000).to_bytes(4, "little")))
    refused(tmp_path / "a.xlsx", "damaged")


def test_a_sheet_with_a_cell_in_each_far_corner(tmp_path: Path) -> None:
    import xlsxwriter

    book = xlsxwriter.Workbook(str(tmp_path / "a.xlsx"))
    sheet = book.add_worksheet()
    sheet.write_string(0, 0, "a")
    sheet.write_string(1_048_575, 16_383, "b")
    book.close()
    refused(tmp_path / "a.xlsx", "too much memory")


def test_an_ods_cell_repeated_without_end(tmp_path: Path) -> None:
    from tests.builders.files import write_ods

    path = write_ods(tmp_path / "a.ods", "P", [["x"]])
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    content = parts["content.xml"].replace(
        b"<table:table-row>", b'<table:table-row table:number-rows-repeated="900000000">'
    )
    content = content.replace(b"<table:table-cell ", b'<table:table-cell table:number-columns-repeated="16000" ')
    with zipfile.ZipFile(path, "w") as packed:
        for name, part in parts.items():
            packed.writestr(name, content if name == "content.xml" else part)
    refused(path, "too much memory|cannot be read|columns")


def test_a_spreadsheet_that_takes_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(binary_files, "SPREADSHEET_SECONDS", 0.001)
    refused(write_xlsx(tmp_path / "a.xlsx", {"P": [["a"], ["1"]]}), "within 0.001 seconds")


def test_an_empty_sheet(tmp_path: Path) -> None:
    refused(write_xlsx(tmp_path / "a.xlsx", {"P": []}), "sheet is empty")


@pytest.mark.parametrize("start", [b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"%PDF-1.7\n", b"PK\x05\x06" + b"\0" * 18])
def test_kinds_that_are_not_read(tmp_path: Path, start: bytes) -> None:
    (tmp_path / "a.xls").write_bytes(start + b"1234")
    refused(tmp_path / "a.xls", "not read")


def test_a_zip_that_is_no_spreadsheet(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as packed:
        packed.writestr("prices.csv", "a,b\n1,2\n")
    refused(tmp_path / "a.zip", "cannot be read")


def test_damaged_parquet(tmp_path: Path) -> None:
    pl.DataFrame({"a": ["x"] * 1000, "b": list(range(1000))}).write_parquet(tmp_path / "a.parquet")
    whole = (tmp_path / "a.parquet").read_bytes()
    for content in (b"PAR1", b"PAR1" + b"\0" * 100 + b"PAR1", whole[: len(whole) // 2], whole[:200] + b"PAR1"):
        (tmp_path / "b.parquet").write_bytes(content)
        refused(tmp_path / "b.parquet", "damaged")


def test_a_parquet_file_with_more_cells_than_fit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(binary_files, "MAXIMUM_CELLS", 1000)
    pl.DataFrame({"a": [1] * 2000}).write_parquet(tmp_path / "a.parquet")
    refused(tmp_path / "a.parquet", "more than 1,000 cells")


def test_a_folder_and_a_file_that_is_not_there(tmp_path: Path) -> None:
    refused(tmp_path, "cannot be opened")
    refused(tmp_path / "gone.csv", "cannot be opened")


def test_taking_in_never_raises_whatever_the_bytes(tmp_path: Path) -> None:
    """Good files of each kind with bytes changed, cut and repeated at random: the answer is always a TakenFile."""
    seeds = [
        write_csv(tmp_path / "s.csv", [OUR_ROW] * 3),
        tmp_path / "s.parquet",
        tmp_path / "s.csv.gz",
        tmp_path / "s.jsonl",
    ]
    pl.DataFrame([OUR_ROW] * 3, schema=OUR_HEADER, orient="row").write_parquet(seeds[1])
    seeds[2].write_bytes(gzip.compress(seeds[0].read_bytes(), mtime=0))
    pl.DataFrame([OUR_ROW] * 3, schema=OUR_HEADER, orient="row").write_ndjson(seeds[3])
    chance = random.Random(20261031)
    outcomes = set()
    for seed in seeds:
        whole = seed.read_bytes()
        for trial in range(60):
            data = bytearray(whole)
            for _ in range(chance.randint(1, 6)):
                data[chance.randrange(len(data))] = chance.choice([0, 10, 34, 44, 59, 255, chance.randrange(256)])
            if trial % 3 == 0:
                data = data[: chance.randrange(1, len(data))]
            (tmp_path / f"{trial}{seed.name}").write_bytes(bytes(data))
            taken = take(tmp_path / f"{trial}{seed.name}", tmp_path)
            outcomes.add("whole" if taken.error else "quarantined" if taken.quarantined_text.height else "accepted")
    assert outcomes == {"whole", "quarantined", "accepted"}


def test_what_cannot_be_copied_has_no_hash(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    for path in (tmp_path / "gone.csv", tmp_path / "pipe.csv"):
        taken = take(path, tmp_path)
        assert taken.error is not None and taken.rows.is_empty()
