"""Delimited text and JSON lines of every dialect come back as the text they are, each row with its true line."""

import gzip
import json
from pathlib import Path

import pytest

from pipelines.errors import UnreadableFileError
from pipelines.intake.reading import readers
from pipelines.intake.reading.readers import ReadOptions, read_as_text
from tests.builders.files import cells, write_text

PLAIN = "code;colour;note\n00501;Grün;5,0\n00502;weiß; two \n"
EXPECTED = [("00501", "Grün", "5,0"), ("00502", "weiß", " two ")]


@pytest.mark.parametrize(
    ("encoding", "found"),
    [
        ("utf-8", "utf-8"), ("utf-8-sig", "utf-8-sig"), ("utf-16", "utf-16"), ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"), ("utf-32", "utf-32"), ("latin-1", "windows-1252"), ("windows-1252", "windows-1252"),
    ],
)  # fmt: skip
def test_encodings_are_found(tmp_path: Path, encoding: str, found: str) -> None:
    table = read_as_text(write_text(tmp_path / "a.csv", PLAIN, encoding))
    assert (cells(table.frame), table.encoding, table.separator) == (EXPECTED, found, ";")
    guessed = found == "windows-1252"
    assert any("encoding" in note for note in table.notes) == guessed


def test_utf16_with_its_byte_order_mark_in_big_endian(tmp_path: Path) -> None:
    table = read_as_text(write_text(tmp_path / "a.csv", "\ufeff" + PLAIN, "utf-16-be"))
    assert cells(table.frame) == EXPECTED and table.header[0] == "code"


def test_windows_1252_is_reported_from_latin_1_and_from_windows_1250(tmp_path: Path) -> None:
    western = "réf;prix €\n1;Größe – “mörk” å\n"
    assert read_as_text(write_text(tmp_path / "w.csv", western, "windows-1252")).header[1] == "prix €"
    polish = "kod;kolor\n1;Żółty\n2;Błękitny\n3;ciemny niebieski świecący\n"
    table = read_as_text(write_text(tmp_path / "p.csv", polish, "windows-1250"))
    assert (table.encoding, cells(table.frame)[0]) == ("windows-1250", ("1", "Żółty"))
    undefined = b"a;b\n1;\x81\xe9t\xe9\n"
    (tmp_path / "u.csv").write_bytes(undefined)
    assert read_as_text(tmp_path / "u.csv").encoding != "windows-1252"


def test_a_stated_encoding_goes_before_a_guess_and_a_byte_order_mark_before_both(tmp_path: Path) -> None:
    path = write_text(tmp_path / "a.csv", "a;b\n1;Łódź\n", "windows-1250")
    assert cells(read_as_text(path, ReadOptions(encoding="windows-1250")).frame) == [("1", "Łódź")]
    path = write_text(tmp_path / "b.csv", "a;b\n1;Łódź\n", "utf-8-sig")
    assert cells(read_as_text(path, ReadOptions(encoding="windows-1252")).frame) == [("1", "Łódź")]


def test_a_wrong_encoding_is_refused_with_its_line(tmp_path: Path) -> None:
    path = write_text(tmp_path / "a.csv", "a;b\n1;x\n2;é\n", "latin-1")
    with pytest.raises(UnreadableFileError, match="not written in utf-8") as caught:
        read_as_text(path, ReadOptions(encoding="utf-8"))
    assert "line 3" in caught.value.where


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends(tmp_path: Path, separator: str, end: str) -> None:
    text = separator.join(["a", "b", "c"]) + end + separator.join(["1", "", "3"]) + end
    table = read_as_text(write_text(tmp_path / "a.txt", text))
    assert (table.separator, cells(table.frame)) == (separator, [("1", "", "3")])
    assert table.frame["source_line_number"].to_list() == [2]


def test_the_header_decides_the_separator_and_the_next_line_breaks_a_tie(tmp_path: Path) -> None:
    assert read_as_text(write_text(tmp_path / "a.csv", "name;price;qty\na,b,c,d;1,0;2,0\n")).separator == ";"
    assert read_as_text(write_text(tmp_path / "b.csv", "a,b;c\n1,2\n")).separator == ","
    assert read_as_text(write_text(tmp_path / "c.csv", '"a,b,c";d\n1;2\n')).separator == ";"


def test_a_single_column(tmp_path: Path) -> None:
    assert cells(read_as_text(write_text(tmp_path / "a.csv", "code\n00501\n\n00502\n")).frame) == [
        ("00501",),
        ("00502",),
    ]


def test_quoted_line_ends_do_not_shift_line_numbers(tmp_path: Path) -> None:
    text = 'a,b\n1,"one\ntwo\nthree"\n2,x\n\n3,"y\r\nz"\n4,"say ""hi"""\n'
    table = read_as_text(write_text(tmp_path / "a.csv", text))
    assert table.frame.rows() == [
        (2, 1, "1", "one\ntwo\nthree"),
        (5, 2, "2", "x"),
        (7, 3, "3", "y\r\nz"),
        (9, 4, "4", 'say "hi"'),
    ]


def test_title_lines_are_skipped_and_lines_still_count_from_the_top(tmp_path: Path) -> None:
    text = 'Price list "spring\n\nvalid from;1.10.2026\na;b\n1;2\n'
    table = read_as_text(write_text(tmp_path / "a.csv", text), ReadOptions(header_line=4))
    assert (table.header, table.frame.rows()) == (("a", "b"), [(5, 1, "1", "2")])
    with pytest.raises(UnreadableFileError, match="line 2 should be the header and is blank"):
        read_as_text(tmp_path / "a.csv", ReadOptions(header_line=2))
    with pytest.raises(UnreadableFileError, match="blank"):
        read_as_text(tmp_path / "a.csv", ReadOptions(header_line=40))


def test_rows_without_any_content_are_no_records(tmp_path: Path) -> None:
    table = read_as_text(write_text(tmp_path / "a.csv", "a,b\n,\n1,2\n \t,\u00a0\n\n3,4\n,,,\n"))
    assert table.frame.rows() == [(3, 1, "1", "2"), (6, 2, "3", "4")]
    assert table.problems.is_empty()


@pytest.mark.parametrize("quote", ["", '"'])
def test_ragged_rows_are_problems_and_nothing_is_cut(tmp_path: Path, quote: str) -> None:
    text = f"a;b;c\n1;2\n{quote}4{quote};5;6\n7;8;9;10\n11;12;13;\n"
    table = read_as_text(write_text(tmp_path / "a.csv", text))
    assert table.frame.rows() == [(3, 2, "4", "5", "6"), (5, 4, "11", "12", "13")]
    assert table.ragged.rows() == [(2, 1, "1", "2", None), (4, 3, "7", "8", "9")]
    problems = table.problems.select(
        "source_line_number", "record_number", "quarantined_value", "quarantined_rule"
    ).rows()
    assert problems == [
        (2, 1, "1;2", "has 2 cells where the header has 3"),
        (4, 3, "7;8;9;10", "has 4 cells where the header has 3"),
    ]
    assert table.row_count == 4


def test_nameless_columns_are_called_by_their_place(tmp_path: Path) -> None:
    table = read_as_text(write_text(tmp_path / "a.csv", "a;;c;\n1;2;3;\n"))
    assert table.header == ("a", "(column 2)", "c", "(column 4)")


def test_a_files_own_positions_do_not_clash_with_ours(tmp_path: Path) -> None:
    table = read_as_text(write_text(tmp_path / "a.csv", "record_number,x\n77,1\n"))
    assert table.header == ("record_number", "x")
    assert table.frame.row(0, named=True) == {
        "source_line_number": 2,
        "record_number": 1,
        "stated_record_number": "77",
        "x": "1",
    }


def test_gzip(tmp_path: Path) -> None:
    path = tmp_path / "a.csv.gz"
    path.write_bytes(gzip.compress(PLAIN.encode()) + gzip.compress(b"00503;rot;x\n"))
    assert cells(read_as_text(path).frame) == [*EXPECTED, ("00503", "rot", "x")]


def test_what_a_file_is_shows_in_its_bytes_not_its_name(tmp_path: Path) -> None:
    (tmp_path / "a.xlsx").write_bytes(gzip.compress(PLAIN.encode()))
    assert cells(read_as_text(tmp_path / "a.xlsx").frame) == EXPECTED


def test_json_lines_keep_values_as_they_are_written(tmp_path: Path) -> None:
    lines = [
        '{"code": "00501", "price": 0.10, "n": 5.0, "big": 12345678901234567890, "flag": true, "none": null}',
        "",
        '{"price": 1e-3, "code": "é", "extra": ""}',
    ]
    table = read_as_text(write_text(tmp_path / "a.jsonl", "\n".join(lines)))
    assert table.header == ("code", "price", "n", "big", "flag", "none", "extra")
    assert table.frame.rows() == [
        (1, 1, "00501", "0.10", "5.0", "12345678901234567890", "true", None, None),
        (3, 2, "é", "1e-3", None, None, None, None, ""),
    ]


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("[1, 2]", "single value"), ("{broken", "not a flat JSON object"), ('{"a": {"b": 1}}', "neither text nor a number"),
        ('{"a": 1, "a": 2}', "twice"), ('{"a": 1, " a": 2}', "twice"), ('{"a": NaN}', "neither text"), ('{"a": ' + "[" * 50000, "not a flat"),
    ],
)  # fmt: skip
def test_bad_json_lines_are_problems(tmp_path: Path, line: str, message: str) -> None:
    table = read_as_text(write_text(tmp_path / "a.jsonl", '{"a": "1"}\n' + line + '\n{"a": "3"}\n'))
    assert table.frame.rows() == [(1, 1, "1"), (3, 3, "3")]
    assert table.problems["source_line_number"].to_list() == [2] and message in table.problems["quarantined_rule"][0]
    assert table.problems["quarantined_value"][0] == line


def test_a_json_file_without_an_object_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFileError, match="no line"):
        read_as_text(write_text(tmp_path / "a.jsonl", "{\n"))


def test_the_plain_and_the_quoted_way_agree_on_a_large_file(tmp_path: Path) -> None:
    rows = [f"{n:05d},c{n % 7},{n / 1000:.3f}" for n in range(120_000)]
    plain = read_as_text(write_text(tmp_path / "p.csv", "a,b,c\n" + "\n".join(rows) + "\n"))
    quoted = read_as_text(write_text(tmp_path / "q.csv", '"a",b,c\n' + "\n".join(rows) + "\n"))
    assert plain.frame.equals(quoted.frame) and plain.frame.height == 120_000


def test_sources_are_read_once(tmp_path: Path) -> None:
    source = readers.open_source(write_text(tmp_path / "a.csv", PLAIN))
    assert source.read(ReadOptions()) is source.read(ReadOptions())
    assert source.header(ReadOptions()) == ("code", "colour", "note")
    assert json.dumps(source.header(ReadOptions(separator=","))) == '["code;colour;note"]'
