"""Taking a file in: every row is accounted for, contradictions are quarantined, and what a quarantined row says of its key is kept."""

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake.archiving import archive
from pipelines.intake.checking import corrected_files
from pipelines.intake.reading.readers import read_as_text
from pipelines.intake.take_in import QUARANTINED_KEY, QUARANTINED_KEY_SCHEMA, TakenFile
from schemas.inputs.price_files import PRICE_EXPORT
from schemas.validate import FAILURE_SCHEMA, polars_schema
from tests.builders.files import OUR_HEADER, OUR_ROW, cells, our_row, profile, rules, take, write_csv, write_text
from tests.present import present


def ours(tmp_path: Path, rows: list[Any], header: tuple[str, ...] = OUR_HEADER, **dialect: Any) -> TakenFile:
    return take(write_csv(tmp_path / "north.csv", rows, header, **dialect), tmp_path)


def test_a_file_in_our_columns_needs_no_profile(tmp_path: Path) -> None:
    taken = ours(tmp_path, [OUR_ROW])
    assert (taken.error, taken.profile_name, taken.contract, taken.notes) == (None, "", PRICE_EXPORT, ())
    row = taken.rows.row(0, named=True)
    assert row["part_code"] == "00501" and row["unit_price"] == Decimal("0.045") and row["listing_code"] == ""
    schema = dict(taken.rows.schema)
    assert schema.pop("source_line_number") == schema.pop("record_number") == pl.Int64
    assert pl.Schema(schema) == polars_schema(PRICE_EXPORT)


def test_the_bytes_are_in_the_archive_and_the_file_stays(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "north.csv", [OUR_ROW])
    taken = take(path, tmp_path)
    assert path.exists() and archive.fetch(taken.file_hash, tmp_path / "archive").read_bytes() == path.read_bytes()


def test_empty_frames_have_their_columns_even_for_a_file_quarantined_whole(tmp_path: Path) -> None:
    taken = take(write_text(tmp_path / "a.csv", "x,y\n1,2\n"), tmp_path)
    assert taken.error is not None and taken.contract is None
    assert taken.failures.schema == FAILURE_SCHEMA and taken.quarantined_keys.schema == QUARANTINED_KEY_SCHEMA
    assert taken.parents.schema == corrected_files.PARENT_SCHEMA
    assert taken.failures["record_number"].n_unique() == 0


def test_an_unknown_file_says_what_it_has_and_what_to_do(tmp_path: Path) -> None:
    error = take(write_text(tmp_path / "a.csv", "title\n\npart_code;colour_code;preis\n1;2;3\n"), tmp_path).error
    assert "no profile fits" in present(error).what and "draft-profile" in present(error).next_step
    nearly = take(write_csv(tmp_path / "b.csv", [OUR_ROW[1:]], OUR_HEADER[1:]), tmp_path).error
    assert "of the columns of price_export it lacks vendor_code" in present(nearly).what


def test_a_file_with_an_unknown_column_beside_ours_is_quarantined(tmp_path: Path) -> None:
    assert "unit_prise" in present(ours(tmp_path, [(*OUR_ROW, "1")], (*OUR_HEADER, "unit_prise")).error).what


def test_a_separator_at_the_end_of_each_line_is_no_column(tmp_path: Path) -> None:
    taken = ours(tmp_path, [(*OUR_ROW, "")], (*OUR_HEADER, ""))
    assert taken.error is None and taken.rows.height == 1
    assert "(column 10)" in present(ours(tmp_path, [(*OUR_ROW, "x")], (*OUR_HEADER, "")).error).what


def test_a_file_that_two_profiles_fit_is_quarantined_whole(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "hill_1.csv", [OUR_ROW])
    taken = take(path, tmp_path, profile(), profile(profile_name="also"))
    assert "several profiles fit the file: hill, also" in present(taken.error).what and taken.file_hash


def test_exact_repeats_count_once(tmp_path: Path) -> None:
    rows = [OUR_ROW, our_row(unit_price="0.0450"), our_row(part_code="00502"), OUR_ROW]
    taken = ours(tmp_path, rows)
    assert taken.duplicate_row_count == 2 and taken.rows["record_number"].to_list() == [1, 3]
    assert taken.read_row_count == 4 and "2 rows repeat" in taken.notes[0]


def test_two_rows_with_one_key_and_different_content_are_both_quarantined(tmp_path: Path) -> None:
    rows = [OUR_ROW, our_row(unit_price="0.05"), OUR_ROW, our_row(part_code="2")]
    taken = ours(tmp_path, rows)
    assert rules(taken, 1) == rules(taken, 2) == {"": corrected_files.SAME_KEY_RULE}
    assert (taken.rows.height, taken.duplicate_row_count, taken.quarantined_text.height) == (1, 1, 2)
    assert taken.quarantined_keys.height == 2 and taken.unreadable_key_count == 0


def test_rows_of_other_listings_or_steps_are_not_repeats(tmp_path: Path) -> None:
    header = (*OUR_HEADER, "listing_code", "step_from_quantity")
    rows = [(*OUR_ROW, "", "1"), (*OUR_ROW, "b", "1"), (*OUR_ROW, "", "100")]
    assert ours(tmp_path, rows, header).rows.height == 3


def test_one_vendor_and_date_has_one_coverage(tmp_path: Path) -> None:
    rows = [our_row(), our_row(part_code="2", coverage="partial"), our_row(part_code="3", observed_on="2026-10-30")]
    taken = ours(tmp_path, rows)
    assert rules(taken, 1) == rules(taken, 2) == {"": corrected_files.ONE_STANDING_RULE}
    assert taken.rows["part_code"].to_list() == ["3"]


def test_coverage_that_is_not_stated_is_partial_with_a_word(tmp_path: Path) -> None:
    taken = ours(tmp_path, [OUR_ROW[:-1]], OUR_HEADER[:-1])
    assert taken.rows["coverage"].to_list() == ["partial"]
    assert any("Coverage is not stated in 1 of 1 rows" in note for note in taken.notes)


def test_a_header_and_no_rows(tmp_path: Path) -> None:
    taken = ours(tmp_path, [])
    assert (taken.error, taken.read_row_count, taken.rows.height) == (None, 0, 0) and "no rows" in taken.notes[0]


def test_keys_of_quarantined_rows(tmp_path: Path) -> None:
    """A row that fails elsewhere still names its offer; one that fails in its key, or is ragged, cannot be trusted."""
    rows = [
        our_row(unit_price="x"), our_row(unit_price="0", part_code="2"), our_row(part_code=""), our_row(observed_on="31.10.2026"),
        our_row(condition="mint"), our_row(part_code="6", vendor_code=" "), our_row(currency_code="XQX", part_code="7"),
        OUR_ROW[:5], (*our_row(part_code="9"), "x"),
    ]  # fmt: skip
    taken = ours(tmp_path, rows)
    assert taken.rows.is_empty()
    north, day = "north", date(2026, 10, 31)
    assert taken.quarantined_keys.rows() == [
        (1, north, day, "00501", "black", "new", ""),
        (2, north, day, "2", "black", "new", ""),
        (7, north, day, "7", "black", "new", ""),
        (9, north, day, "9", "black", "new", ""),
    ]
    assert taken.quarantined_keys.columns == ["record_number", *QUARANTINED_KEY]
    assert taken.unreadable_key_count == 6, "three bad keys of good width, an empty vendor, and both ragged rows"


def test_ragged_rows_are_quarantined_with_all_they_say(tmp_path: Path) -> None:
    taken = ours(tmp_path, [OUR_ROW, OUR_ROW[:4]], separator=";")
    assert taken.quarantined_text["part_code"].to_list() == ["00501"]
    assert taken.failures["quarantined_value"][0] == "north;00501;black;new"


def test_lines_are_true_with_quoted_line_ends_and_titles(tmp_path: Path) -> None:
    text = (
        "A list\n"
        + ",".join([*OUR_HEADER, "listing_code"])
        + "\n"
        + ",".join(OUR_ROW)
        + ',"two\nlines"\n'
        + ",".join(our_row(unit_price="x"))
        + ",b\n"
    )
    taken = take(
        write_text(tmp_path / "hill_1.csv", text),
        tmp_path,
        profile(columns={}, constants={}, reading={"header_line": 2}),
    )
    assert taken.rows["source_line_number"].to_list() == [3] and taken.failures["source_line_number"].to_list() == [5]


def test_the_order_of_rows_does_not_change_what_becomes_of_them(tmp_path: Path) -> None:
    rows = [
        OUR_ROW,
        our_row(unit_price="0.05"),
        our_row(part_code="2"),
        our_row(part_code="2"),
        our_row(part_code="3", unit_price="x"),
    ]
    there, back = ours(tmp_path, rows), ours(tmp_path, rows[::-1])
    plain = [name for name in there.rows.columns if name in PRICE_EXPORT.columns]
    assert there.rows.select(plain).sort(plain).equals(back.rows.select(plain).sort(plain))
    assert there.quarantined_text.height == back.quarantined_text.height == 3


CELLS = {
    "part_code": st.sampled_from(["00501", "2", "", "=1+1"]),
    "unit_price": st.sampled_from(["0.045", "0.05", "x", "1,5", ""]),
    "quantity_available": st.sampled_from(["1", "0", "-1", "many"]),
    "observed_on": st.sampled_from(["2026-10-31", "31.10.2026"]),
    "coverage": st.sampled_from(["full", "partial", "", "some"]),
}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.fixed_dictionaries(CELLS), max_size=12))
def test_no_row_is_lost(tmp_path: Path, rows: list[Any]) -> None:
    taken = ours(tmp_path, [our_row(**row) for row in rows])
    assert taken.read_row_count == len(rows)
    assert not taken.rows.select(pl.struct(PRICE_EXPORT.key).is_duplicated().any()).item()
    assert taken.quarantined_keys.height + taken.unreadable_key_count >= taken.quarantined_text.height
    read = read_as_text(tmp_path / "north.csv").frame
    assert len(cells(read)) == len(rows)


def test_a_quarantined_file_is_a_value_of_its_own() -> None:
    assert TakenFile("", "x").rows.is_empty() and TakenFile("", "x").quarantined_text.is_empty()
