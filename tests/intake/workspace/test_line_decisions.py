"""Decisions about lines are added to a flexible lines file without touching anything else in it."""

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.errors import InputError, UsageError
from pipelines.intake.workspace.line_decisions import add_decisions, read_decisions, with_decisions
from pipelines.workspace import Workspace
from tests.builders.length import examples

OLD = (
    "line_number,portion_number,colour_rule,decided_on,reason\n"
    '2,1,any,2026-01-05,"hidden, inside"\n'
    "4,1,as_listed,2026-01-05,in plain sight\n"
)
NEW = {
    "line_number": "3",
    "portion_number": "1",
    "colour_rule": "any",
    "decided_on": "2026-11-25",
    "reason": 'said "yes"',
}


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text.lstrip("\ufeff"), newline="")))


def test_a_decision_goes_in_order_of_lines_and_the_rest_stays_to_the_letter() -> None:
    assert with_decisions(OLD, [NEW]) == OLD.replace("4,1,as", '3,1,any,2026-11-25,"said ""yes"""\n4,1,as')


def test_in_a_file_without_order_it_goes_to_the_end() -> None:
    mixed = OLD + "1,1,any,2026-01-05,\n"
    assert with_decisions(mixed, [NEW]) == mixed + '3,1,any,2026-11-25,"said ""yes"""\n'


def test_a_decision_of_the_same_day_is_replaced_where_it_stood_and_older_ones_stay() -> None:
    again = {**NEW, "line_number": "2", "decided_on": "2026-01-05", "colour_rule": "as_listed"}
    assert rows_of(with_decisions(OLD, [again]))[0]["colour_rule"] == "as_listed"
    later = rows_of(with_decisions(OLD, [{**again, "decided_on": "2026-02-01"}]))
    assert [(row["line_number"], row["colour_rule"]) for row in later] == [
        ("2", "any"), ("2", "as_listed"), ("4", "as_listed"),
    ]  # fmt: skip
    halves = [{**again, "portion_number": n, "quantity": q} for n, q in (("1", "2"), ("2", ""))]
    found = rows_of(with_decisions(OLD, halves))
    assert [(row["line_number"], row["portion_number"], row["quantity"]) for row in found] == [
        ("2", "1", "2"), ("2", "2", ""), ("4", "1", ""),
    ]  # fmt: skip


def test_columns_that_are_needed_are_added_at_the_right() -> None:
    found = with_decisions(OLD, [{**NEW, "decided_by": "Ann"}])
    assert found.startswith("line_number,portion_number,colour_rule,decided_on,reason,decided_by\n")
    assert [row["decided_by"] for row in rows_of(found)] == ["", "Ann", ""]


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("last", [True, False])
def test_separators_line_ends_and_marks_stay(ending: str, separator: str, mark: str, last: bool) -> None:
    text = mark + separator.join(["line_number", "colour_rule", "decided_on"]) + ending
    text += separator.join(["2", "any", "2026-01-05"]) + (ending if last else "")
    found = with_decisions(text, [NEW | {"portion_number": "", "reason": ""}])
    whole = text if last else text + ending
    assert found == whole + separator.join(["3", "any", "2026-11-25"]) + ending


CELLS = st.text(st.sampled_from('ab ,;"\n'), max_size=6)


@settings(max_examples=examples(60, 1000), deadline=None)
@given(
    old=st.lists(st.tuples(st.integers(1, 9), st.sampled_from(["2026-01-05", "2026-11-25"]), CELLS), max_size=6, unique_by=lambda row: row[:2]),
    new=st.lists(st.tuples(st.integers(1, 9), CELLS), min_size=1, max_size=4, unique_by=lambda row: row[0]),
)  # fmt: skip
def test_old_rows_keep_their_order_and_new_ones_are_all_there(
    old: list[tuple[int, str, str]], new: list[tuple[int, str]]
) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(
        [("line_number", "colour_rule", "decided_on", "reason"), *((n, "any", day, why) for n, day, why in old)]
    )
    decided = [
        {"line_number": str(n), "colour_rule": "near", "decided_on": "2026-11-25", "reason": why} for n, why in new
    ]
    found = rows_of(with_decisions(text.getvalue(), decided))
    replaced = {(n, "2026-11-25") for n, _ in new}
    kept = [(str(n), "any", day, why) for n, day, why in old if (n, day) not in replaced]
    assert [tuple(row.values()) for row in found if row["colour_rule"] == "any"] == kept
    assert sorted(tuple(row.values()) for row in found if row["colour_rule"] == "near") == sorted(
        tuple(row.values()) for row in decided
    )
    if [n for n, *_ in old] == sorted(n for n, *_ in old):
        assert [int(row["line_number"]) for row in found] == sorted(int(row["line_number"]) for row in found)


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "line_number\n1\n"])
def test_a_file_without_its_columns_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="lacks the columns line_number and colour_rule"):
        with_decisions(text, [NEW])


# In a workspace


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    (tmp_path / "kitfare.toml").write_text(
        '[[buyer]]\nbuyer_code = "home"\ntitle = "home"\nregion_code = "x"\ncurrency_code = "EUR"\n'
    )
    folder = tmp_path / "models" / "mill"
    folder.mkdir(parents=True)
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "colours.csv").write_text(
        "colour_code,colour_name,srgb_hex,colour_family,finish\nRED,Red,#C01010,reds,plain\nBLU,Blue,#1030C0,blues,plain\n"
    )
    (folder / "model.toml").write_text(
        'model_code = "mill"\ntitle = "A mill"\n[[versions]]\nlist_version = 1\nreleased_on = 2026-01-01\n'
    )
    parts = "".join(f"1,{line},brick,RED,4,\n" for line in range(1, 7))
    (folder / "parts.csv").write_text(f"list_version,line_number,part_code,colour_code,quantity,section_code\n{parts}")
    return Workspace(tmp_path)


def flexible_lines(place: Workspace) -> Path:
    return place.models / "mill" / "flexible_lines.csv"


def test_a_model_without_decisions_gets_a_file(place: Workspace) -> None:
    add_decisions(place, "mill", [NEW])
    assert rows_of(flexible_lines(place).read_text())[0]["reason"] == 'said "yes"'


@pytest.mark.parametrize(
    ("decision", "words"),
    [
        ({"line_number": "70"}, "lines that no version of the parts list has"),
        ({"colour_rule": "blue"}, "colour_rule"),
        ({"colour_rule": "one_of", "accept_colour_codes": "GREEN"}, "GREEN"),
        ({"colour_rule": "one_of"}, "lack the colours allowed"),
        ({"decided_on": "yesterday"}, "decided_on"),
    ],
)
def test_what_makes_no_sense_changes_nothing(place: Workspace, decision: dict[str, str], words: str) -> None:
    flexible_lines(place).write_text(OLD)
    with pytest.raises(InputError) as caught:
        add_decisions(place, "mill", [NEW | decision])
    assert words in str(caught.value)
    assert flexible_lines(place).read_text() == OLD
    assert [path.name for path in flexible_lines(place).parent.glob(".*")] == []


def test_an_unknown_model_and_other_kinds_of_files_are_reported(place: Workspace) -> None:
    with pytest.raises(UsageError, match="no model barn"):
        add_decisions(place, "barn", [NEW])
    flexible_lines(place).with_suffix(".xlsx").touch()
    with pytest.raises(InputError, match=r"kept in flexible_lines\.xlsx"):
        add_decisions(place, "mill", [NEW])


def test_decisions_from_a_file_take_what_they_leave_out(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text("\ufeffline_number;colour_rule;reason\n3;any;hidden\n\n4;as_listed;\n")
    defaults = {"decided_on": "2026-11-25", "decided_by": "Ann", "reason": "looked at it"}
    assert read_decisions(path, defaults) == [
        {"line_number": "3", "colour_rule": "any", "reason": "hidden", "decided_on": "2026-11-25", "decided_by": "Ann"},
        {"line_number": "4", "colour_rule": "as_listed", **defaults},
    ]
    path.write_text("line_number,colour_rule,color\n3,any,x\n")
    with pytest.raises(InputError, match="columns that flexible lines do not have: color"):
        read_decisions(path, defaults)
    with pytest.raises(InputError, match="no such file"):
        read_decisions(tmp_path / "none.csv", defaults)
