"""Parts lists as designers deliver them: each bad cell has a clear answer, and no row is dropped without a word."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from pipelines.errors import InputError
from pipelines.intake.single_files.list_cells import quantity_of
from pipelines.intake.single_files.list_columns import KnownCodes
from pipelines.intake.single_files.list_table import ListTable, read_list
from tests.builders.random_lists import COLOURS, KNOWN, check_random_lists, lines


def read(tmp_path: Path, text: str, name: str = "list.csv", known: KnownCodes = KNOWN, **columns: str) -> ListTable:
    (tmp_path / name).write_text(text, encoding="utf-8")
    return read_list(tmp_path / name, known, columns)


def sheet(tmp_path: Path, fill: Any) -> ListTable:
    with xlsxwriter.Workbook(tmp_path / "list.xlsx") as book:
        fill(book.add_worksheet(), book)
    return read_list(tmp_path / "list.xlsx", KNOWN)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("4", 4), ("4x", 4), ("x 4", 4), ("4 pcs", 4), ("4 Stk.", 4), ("4.0", 4), ("4,00", 4), ("1,200", 1200), ("1.250", 1250),
        ("1 200", 1200), ("1'200", 1200), ("0", 0), ("00012", 12),
        ("", "the quantity is missing"), ("-3", "-3 is negative"), ("2.5", "2.5 is not a whole number"), ("4.000", "4.000 could be 4 or 4000"),
        ("=SUM(C2:C3)", "=SUM(C2:C3) is a formula, not its value"), ("four", "four is not a number of pieces"),
        ("1,2,3", "1,2,3 is not a number of pieces"), ("1.200,000", "1.200,000 is not a number of pieces"), ("1e3", "1e3 is not a number of pieces"),
    ],
)  # fmt: skip
def test_quantities_as_people_write_them(text: str, expected: int | str) -> None:
    assert quantity_of(text) == expected


def test_thousands_are_not_taken_from_a_column_of_decimals() -> None:
    assert quantity_of("1,200", ",") == "1,200 could be 1 or 1200"


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("B2,Red,-4", "line 3: -4 is negative"),
        ("B2,Red,2.5", "line 3: 2.5 is not a whole number"),
        ("B2,Red,", "line 3: the quantity is missing"),
        ("B2,Red,=2+2", "line 3: =2+2 is a formula"),
        ("B2,Red,2000000", "line 3: 2000000 is more than 1,000,000"),
        ("B2,Rde,4", "line 3: colour Rde is not in tables/colours; nearest: red"),
        ("B2,,4", "line 3: the colour is missing"),
        (",,4", "line 3 has no part: 4"),
        ("Total,,5", "line 3: the total (Total, 5) is not that of the lines: 1 lines, 1 pieces"),
        ("Total,,", "line 3: the total (Total) is not that of the lines"),
        ("see the notes,,", "line 3: the quantity is missing"),
    ],
)
def test_each_fault_is_reported_with_its_line(tmp_path: Path, row: str, words: str) -> None:
    table = read(tmp_path, f"Part,Colour,Quantity\nB1,Blue,1\n{row}\n")
    assert [problem for problem in table.problems if problem.startswith(words)], table.problems


def test_all_faults_are_reported_at_once(tmp_path: Path) -> None:
    table = read(tmp_path, "Part,Colour,Quantity\nB1,Bleu,1\nB2,Red,-1\nB3,Red,x\nB4,Red,7\n")
    assert [problem.split(":")[0] for problem in table.problems] == ["line 2", "line 3", "line 4"]


@pytest.mark.parametrize(
    ("row", "note", "count"),
    [
        ("B2,Red,0", "line 3: B2 in Red needs 0 pieces and was left out", 1),
        ('B2,Red,"1,200"', "line 3: 1,200 was read as 1200 pieces", 2),
        ("B1,Blue,2", "lines 2, 3 are all B1 in BLU; each stays a line of its own", 2),
        ("Part,Colour,Quantity", "line 3 repeats the header and was left out", 1),
        ("Total,,1", "the total on line 3 agrees: 1 pieces", 1),
    ],
)
def test_what_was_read_in_a_way_worth_a_look_is_noted(tmp_path: Path, row: str, note: str, count: int) -> None:
    table = read(tmp_path, f"Part,Colour,Quantity\nB1,Blue,1\n{row}\n")
    assert note in table.notes and len(lines(table)) == count


def test_merged_cells_pass_their_part_down_with_a_note(tmp_path: Path) -> None:
    def fill(page: Any, book: Any) -> None:
        page.write_row(0, 0, ["Part", "Colour", "Quantity"])
        page.merge_range(1, 0, 2, 0, "B1")
        page.write_row(1, 1, ["Red", 4])
        page.write_row(2, 1, ["Blue", 3])

    table = sheet(tmp_path, fill)
    assert lines(table) == [("B1", "RED", 4), ("B1", "BLU", 3)]
    assert "line 3 names no part and takes B1 from above (merged cells): check" in table.notes


def test_formulas_that_were_never_calculated_are_no_zeros(tmp_path: Path) -> None:
    def fill(page: Any, book: Any) -> None:
        page.write_row(0, 0, ["Part", "Colour", "Quantity"])
        page.write_row(1, 0, ["B1", "Red", 4])
        page.write_row(2, 0, ["B2", "Red"])
        page.write_formula(2, 2, "=C2*2")

    (problem,) = sheet(tmp_path, fill).problems
    assert problem == "line 3: the quantity is 0; the sheet has formulas: open it and save it with their values"


def test_two_header_lines_are_one(tmp_path: Path) -> None:
    text = "Part,,Colour,,Quantity\nNo,Name,Code,Name,\nB1,Brick,RED,Red,4\nB2,Plate,BLU,Blue,2\nTotal,,,,6\n"
    table = read(tmp_path, text)
    assert lines(table) == [("B1", "RED", 4), ("B2", "BLU", 2)]
    assert "Part No" in table.columns["part"]


def test_a_column_per_colour(tmp_path: Path) -> None:
    text = "A list\n\nPart,Red,Bleu,Dark green,Total\nB1,4,,1,5\nB2,-,2,0,2\nSum,4,2,1,7\n"
    table = read(tmp_path, text)
    assert table.problems == ["line 5: colour Bleu is not in tables/colours; nearest: blu, blue"]
    table = read(tmp_path, text.replace("Bleu", "Blue"))
    assert lines(table) == [("B1", "RED", 4), ("B1", "DGR", 1), ("B2", "BLU", 2)]
    assert "the total on line 6 agrees: 7 pieces" in table.notes
    wrong = read(tmp_path, text.replace("Bleu", "Blue").replace("Sum,4,2,1,7", "Sum,4,1,2,7"))
    assert len(wrong.problems) == 1 and "the total" in wrong.problems[0]


def test_a_row_total_and_an_unknown_first_colour_are_not_passed_over(tmp_path: Path) -> None:
    table = read(tmp_path, "Part,Crimson,Red,Blue,Total\nB1,3,4,,7\nB2,,1,2,4\n")
    assert "line 2: colour Crimson is not in tables/colours" in table.problems
    assert "line 3: Total is 4, but its colours have 3 pieces" in table.problems


def test_what_was_not_used_is_named(tmp_path: Path) -> None:
    def fill(page: Any, book: Any) -> None:
        page.write_column(0, 0, ["A mill", "Part", "B1"])
        page.write_row(1, 1, ["Colour", "Quantity", "Remark"])
        page.write_row(2, 1, ["Red", 4, "inside"])
        book.add_worksheet("More").write_row(0, 0, ["Part", "Colour"])

    table = sheet(tmp_path, fill)
    assert lines(table) == [("B1", "RED", 4)]
    assert table.notes[-3:] == [
        "columns not used: Remark",
        "lines above the header not used: 1",
        "other sheets not used: sheet More",
    ]


def test_what_the_file_does_not_show_is_asked(tmp_path: Path) -> None:
    text = "a;b;c;d\nB1;red;4;9\nB2;blue;2;8\n"
    table = read(tmp_path, text)
    assert table.questions == ["which column has the quantity? --quantity NAME, one of: c, d"] and not table.lines
    assert lines(read(tmp_path, text, quantity="c")) == [("B1", "RED", 4), ("B2", "BLU", 2)]
    with pytest.raises(InputError, match="no table of parts with the columns 'e'"):
        read(tmp_path, text, quantity="e")


@pytest.mark.parametrize("text", ["", "hello\n", "just a title\n\n", '"open,1\n2,3\n'])
def test_a_file_without_a_table_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError):
        read(tmp_path, text)


def test_a_code_map_translates_parts_and_unknown_ones_are_reported(tmp_path: Path) -> None:
    known = KnownCodes(COLOURS, (), {"X-17": "00501", "X-18": "00502"})
    table = read(tmp_path, "Part,Colour,Quantity\nX-17,Red,1\nX-81,Red,1\n", known=known)
    assert table.lines[0].part_code == "00501"
    assert table.problems == ["line 3: part X-81 is not in the code map; nearest: X-18, X-17"]


def test_random_layouts_are_read_right_or_say_what_is_unsure(tmp_path: Path) -> None:
    check_random_lists(range(60), tmp_path)
