"""Quarantined rows are written so that a spreadsheet does no harm to them, and come back as the rows they stand for."""

import csv
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake.checking import corrected_files
from pipelines.intake.profiles.profiles import Profile
from pipelines.intake.quarantine import write_quarantined
from pipelines.intake.take_in import TakenFile
from schemas.inputs.price_files import PRICE_EXPORT
from tests.builders.files import (
    HILL_HEADER,
    OUR_HEADER,
    OUR_ROW,
    code_map,
    our_row,
    profile,
    rules,
    take,
    write_csv,
    write_xlsx,
)
from tests.present import present


def quarantined_rows(path: Any) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def correct(path: Any, target: Path, *changes: dict[str, str] | None) -> Path:
    """Write the quarantined file's rows again, each with changes; a change of None leaves the row out."""
    rows = quarantined_rows(path)
    kept = [{**row, **change} for row, change in zip(rows, changes, strict=True) if change is not None]
    with target.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(kept)
    return target


@pytest.fixture
def spoilt(tmp_path: Path) -> tuple[TakenFile, Path, Profile, pl.DataFrame]:
    """A profiled file with a good row and four bad ones, taken in, and its file of quarantined rows."""
    rows = [
        ("00501", "Schwarz", "0,10", "3", "31.10.2026"), ("00502", "Grün", "0,10", "3", "31.10.2026"),
        ("00503", "Schwarz", "1.234", "3", "31.10.2026"), ("X9", "Schwarz", "0,10", "3", "31.10.2026"),
        ("00504", "Schwarz", "0,10", "3"),
    ]  # fmt: skip
    codes = code_map(*(("hill", code, code, date(1900, 1, 1), False) for code in ("00501", "00502", "00503", "00504")))
    made = profile(
        numbers={"decimal": ","},
        date_format="%d.%m.%Y",
        values={"colour_code": {"Schwarz": "black"}},
        use_code_map=True,
    )
    taken = take(write_csv(tmp_path / "hill_1.csv", rows, HILL_HEADER, ";"), tmp_path, made, codes=codes)
    assert taken.rows.height == 1 and taken.quarantined_text.height == 4
    return taken, present(write_quarantined(taken, tmp_path / "quarantined")), made, codes


def test_the_file_says_what_failed_and_whose_rows_they_are(
    spoilt: tuple[TakenFile, Path, Profile, pl.DataFrame],
) -> None:
    taken, path, _, _ = spoilt
    assert path.name == f"hill_1.csv.{taken.file_hash[:8]}.quarantined.csv"
    rows = quarantined_rows(path)
    assert list(rows[0]) == [
        "what_failed", "what_to_do", *PRICE_EXPORT.columns, "parent_file_hash", "record_number", "source_line_number",
    ]  # fmt: skip
    assert [row["record_number"] for row in rows] == ["2", "3", "4", "5"]
    assert [row["source_line_number"] for row in rows] == ["3", "4", "5", "6"]
    assert rows[0]["what_failed"].startswith("colour_code 'Grün': is not among the values")
    assert [rows[0]["colour_code"], rows[1]["unit_price"], rows[2]["part_code"]] == ["?Grün", "?'1.234", "?X9"]
    assert rows[0]["part_code"] == "'00502", "a spreadsheet would take the leading zeros"
    assert rows[0]["unit_price"] == "'0.10" and rows[0]["quantity_available"] == "3"
    assert rows[3]["vendor_code"] == "?hill" and "has 4 cells" in rows[3]["what_failed"]


def test_nothing_is_written_where_nothing_is_quarantined(tmp_path: Path) -> None:
    assert write_quarantined(take(write_csv(tmp_path / "a.csv", [OUR_ROW]), tmp_path), tmp_path / "quarantined") is None
    assert write_quarantined(TakenFile("", "x"), tmp_path / "quarantined") is None
    assert not (tmp_path / "quarantined").exists()


def test_dropped_back_unchanged_every_row_is_quarantined_again_and_keeps_its_parent(
    spoilt: tuple[TakenFile, Path, Profile, pl.DataFrame], tmp_path: Path
) -> None:
    taken, path, made, codes = spoilt
    again = take(path, tmp_path, made, codes=codes)
    assert again.profile_name == "", "its name fits the profile, but its columns are ours"
    assert again.rows.is_empty() and again.quarantined_text.height == 4
    assert rules(again, 1)["colour_code"] == corrected_files.MARKED_RULE
    assert again.parents.rows() == [(n, taken.file_hash, n + 1) for n in (1, 2, 3, 4)]
    twice = quarantined_rows(write_quarantined(again, tmp_path / "quarantined"))
    assert [(row["parent_file_hash"].lstrip("'"), row["record_number"]) for row in twice] == [
        (taken.file_hash, str(n)) for n in (2, 3, 4, 5)
    ]
    assert [row["colour_code"] for row in twice][0] == "?Grün"


def test_corrected_rows_rejoin_their_parent(
    spoilt: tuple[TakenFile, Path, Profile, pl.DataFrame], tmp_path: Path
) -> None:
    taken, path, made, codes = spoilt
    corrected = correct(
        path,
        tmp_path / "corrected.csv",
        {"colour_code": "green"},
        {"unit_price": "1.234"},
        None,
        {"vendor_code": "hill", "part_code": "00504", "observed_on": "2026-10-31"},
    )
    again = take(corrected, tmp_path, made, codes=codes)
    assert again.failures.is_empty(), again.failures
    assert again.rows.select("part_code", "colour_code", "unit_price", "coverage").rows() == [
        ("00502", "green", Decimal("0.1"), "full"),
        ("00503", "black", Decimal("1.234"), "full"),
        ("00504", "black", Decimal("0.1"), "full"),
    ]
    assert again.parents["parent_record_number"].to_list() == [2, 3, 5]
    assert set(again.parents["parent_file_hash"]) == {taken.file_hash}
    assert again.notes == (), "coverage is the parent's matter"


def test_a_file_corrected_in_a_spreadsheet(
    spoilt: tuple[TakenFile, Path, Profile, pl.DataFrame], tmp_path: Path
) -> None:
    _, path, made, codes = spoilt
    rows = quarantined_rows(path)
    rows[0]["colour_code"] = "green"
    sheet = [list(rows[0]), [float(v) if v.isdigit() else v for v in rows[0].values()]]
    again = take(write_xlsx(tmp_path / "corrected.xlsx", {"S": sheet}), tmp_path, made, codes=codes)
    assert again.rows.select("part_code", "colour_code", "observed_on").rows() == [
        ("00502", "green", date(2026, 10, 31))
    ]
    assert again.parents["parent_record_number"].to_list() == [2]


def test_of_two_contradicting_rows_one_is_dropped(tmp_path: Path) -> None:
    taken = take(write_csv(tmp_path / "a.csv", [OUR_ROW, our_row(unit_price="0.05")]), tmp_path)
    path = write_quarantined(taken, tmp_path / "quarantined")
    assert [row["vendor_code"] for row in quarantined_rows(path)] == ["north", "north"], (
        "no cell is wrong, so none has a mark"
    )
    both = take(path, tmp_path)
    assert both.rows.is_empty() and rules(both, 1) == {"": corrected_files.SAME_KEY_RULE}
    one = take(correct(path, tmp_path / "one.csv", {}, None), tmp_path)
    assert one.rows["unit_price"].to_list() == [Decimal("0.045")]


def test_a_row_may_be_added_and_needs_no_parent(tmp_path: Path) -> None:
    taken = take(write_csv(tmp_path / "a.csv", [our_row(unit_price="x")]), tmp_path)
    path = write_quarantined(taken, tmp_path / "quarantined")
    text = present(path).read_text(encoding="utf-8-sig").splitlines()
    names = text[0].split(",")
    new = [dict(zip(OUR_HEADER, our_row(part_code="new"), strict=True)).get(name, "") for name in names]
    (tmp_path / "b.csv").write_text("\n".join([text[0], ",".join(new)]) + "\n")
    again = take(tmp_path / "b.csv", tmp_path)
    assert again.rows["part_code"].to_list() == ["new"] and again.parents.is_empty()


def test_parents_must_be_named_rightly(tmp_path: Path) -> None:
    rows = [our_row(unit_price="x", part_code=str(n)) for n in range(5)]
    path = write_quarantined(take(write_csv(tmp_path / "a.csv", rows), tmp_path), tmp_path / "quarantined")
    good = {"unit_price": "0.5"}
    corrected = correct(
        path,
        tmp_path / "b.csv",
        {**good, "parent_file_hash": "abc"},
        {**good, "record_number": "x"},
        {**good, "record_number": ""},
        {**good, "record_number": "9"},
        {**good, "record_number": "9"},
    )
    again = take(corrected, tmp_path)
    assert again.rows.is_empty()
    for record in (1, 2, 3):
        assert "do not name the row" in rules(again, record)[""]
    for record in (4, 5):
        assert rules(again, record) == {"": "another row corrects the same row"}


def test_rows_of_two_parents_may_share_a_key(tmp_path: Path) -> None:
    quarantined = []
    for name in ("a.csv", "b.csv"):
        taken = take(write_csv(tmp_path / name, [our_row(unit_price=f"{name}")]), tmp_path)
        quarantined += quarantined_rows(write_quarantined(taken, tmp_path / "quarantined"))
    with (tmp_path / "both.csv").open("w", newline="") as stream:
        writer = csv.DictWriter(stream, list(quarantined[0]))
        writer.writeheader()
        writer.writerows([{**quarantined[0], "unit_price": "1"}, {**quarantined[1], "unit_price": "2"}])
    again = take(tmp_path / "both.csv", tmp_path)
    assert again.rows.height == 2 and again.parents["parent_file_hash"].n_unique() == 2


def test_long_names_fit_the_file_system(tmp_path: Path) -> None:
    taken = take(write_csv(tmp_path / ("é" * 120 + ".csv"), [our_row(unit_price="x")]), tmp_path)
    path = write_quarantined(taken, tmp_path / "quarantined")
    assert len(present(path).name.encode()) < 255 and present(path).name.endswith(".quarantined.csv")


@given(st.text(st.characters(min_codepoint=9, max_codepoint=0x2FF, exclude_characters="\x0b\x0c"), max_size=12))
def test_escaping_is_undone_by_reading(text: str) -> None:
    frame = pl.DataFrame({"v": [text]})
    for whole in (False, True):
        out = frame.select(corrected_files.escaped(pl.col("v"), whole).alias("v"))
        assert not out["v"][0].startswith(("=", "+", "-", "@", "\t", "\r", corrected_files.MARK))
        assert out.select(corrected_files.unescaped(pl.col("v"))).item() == text


DANGEROUS = st.text(st.sampled_from(list("=+-@'?\"\t\r\n;,0a é")), min_size=1, max_size=6)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(part=DANGEROUS, colour=DANGEROUS)
def test_dangerous_cells_are_never_run_and_come_back(tmp_path: Path, part: str, colour: str) -> None:
    taken = take(write_csv(tmp_path / "a.csv", [our_row(part_code=part, colour_code=colour, unit_price="x")]), tmp_path)
    path = write_quarantined(taken, tmp_path / "quarantined")
    row = quarantined_rows(path)[0]
    assert not any(value.startswith(("=", "+", "-", "@", "\t", "\r")) for value in row.values())
    before = taken.quarantined_text.row(0, named=True)
    if None in (before["part_code"], before["colour_code"]):
        return
    again = take(correct(path, tmp_path / "b.csv", {"unit_price": "0.5"}), tmp_path)
    assert again.rows.select("part_code", "colour_code").rows() == [(before["part_code"], before["colour_code"])]
