"""Conventions of sql/ as tests: every file says first what it is about, and a listing reads like a table of contents."""

from pathlib import Path

import pytest

from pipelines.resources import leading_comment, resource_folder, sql_texts

SQL = resource_folder("sql")
ROOMS = sorted(path.name for path in SQL.iterdir() if path.is_dir())
FILES = sorted(SQL.rglob("*.sql"))
LONGEST_LISTING = 14


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(SQL).as_posix())
def test_every_file_says_first_what_it_is_about(path: Path) -> None:
    assert leading_comment(path.read_text(encoding="utf-8")), f"{path} does not begin with a comment"


@pytest.mark.parametrize("room", ROOMS)
def test_a_file_is_found_by_its_name_alone(room: str) -> None:
    assert len(sql_texts(room)) == len(list((SQL / room).rglob("*.sql"))) > 0


def test_listings_are_short() -> None:
    folders = {path.parent for path in FILES}
    assert {folder: count for folder in folders if (count := len(list(folder.iterdir()))) > LONGEST_LISTING} == {}


def test_two_files_of_one_name_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for folder in ("a", "b"):
        (tmp_path / "room" / folder).mkdir(parents=True)
        (tmp_path / "room" / folder / "same.sql").write_text("-- one row\nselect 1;\n")
    monkeypatch.setattr("pipelines.resources.resource_folder", lambda _name: tmp_path)
    with pytest.raises(ValueError, match="two files called same.sql"):
        sql_texts.__wrapped__("room")


@pytest.mark.parametrize(
    ("sql", "comment"),
    [
        ("-- one row per offer,\n-- by key\n--\n-- How it is found.\nselect 1;", "one row per offer, by key"),
        ("select 1; -- late", ""),
    ],
)
def test_the_leading_comment_is_the_first_paragraph(sql: str, comment: str) -> None:
    assert leading_comment(sql) == comment
