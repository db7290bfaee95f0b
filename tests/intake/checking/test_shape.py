"""Four sources with four shapes, pack prices, value maps and code maps: the rows that come out are ours, the rest is quarantined."""

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipelines.intake.take_in import TakenFile
from tests.builders.files import HILL_HEADER, code_map, profile, rules, take, write_csv, write_text, write_xlsx
from tests.present import present

OURS = ("vendor_code", "part_code", "colour_code", "condition", "unit_price", "quantity_available", "observed_on")


def ours(taken: TakenFile, *names: str) -> list[tuple[Any, ...]]:
    assert taken.error is None, taken.error
    return taken.rows.select(*(names or OURS)).rows()


def test_semicolons_decimal_commas_titles_and_windows_1252(tmp_path: Path) -> None:
    rows = [("00501", "weiß", "1.234,50", "1.200", "31.10.2026"), ("00502", "grün", "0,045", "7", "01.11.2026")]
    path = write_csv(
        tmp_path / "hill_1.csv",
        rows,
        HILL_HEADER,
        ";",
        "windows-1252",
        titles='Liste "Größen"; gültig\nStand: heute;\n',
    )
    taken = take(
        path,
        tmp_path,
        profile(
            reading={"encoding": "windows-1252", "separator": ";", "header_line": 3},
            numbers={"decimal": ",", "thousands": "."},
            date_format="%d.%m.%Y",
            values={"colour_code": {"weiß": "white", "grün": "green"}},
        ),
    )
    assert ours(taken) == [
        ("hill", "00501", "white", "new", Decimal("1234.5"), 1200, date(2026, 10, 31)),
        ("hill", "00502", "green", "new", Decimal("0.045"), 7, date(2026, 11, 1)),
    ]
    assert taken.profile_name == "hill" and taken.rows["source_line_number"].to_list() == [4, 5]


def test_a_spreadsheet_with_packs_and_real_dates(tmp_path: Path) -> None:
    rows = [["Part", "Colour", "Price", "Stock", "Day", "VPE"], ["00501", "c1", 1.0, 5.0, date(2026, 10, 31), 3.0]]
    path = write_xlsx(tmp_path / "hill_1.xlsx", {"About": [["x"]], "Prices": rows})
    pieces = take(path, tmp_path, profile(reading={"sheet": "Prices"}, pack={"size_column": "VPE"}))
    assert ours(pieces, "unit_price", "quantity_available", "sold_in_multiples_of") == [(Decimal("0.333333"), 5, 1)]
    packs = profile(reading={"sheet": "Prices"}, pack={"size_column": "VPE", "quantities_in": "packs"})
    assert ours(take(path, tmp_path, packs), "unit_price", "quantity_available", "sold_in_multiples_of") == [
        (Decimal("0.333333"), 15, 3)
    ]
    tens = profile(reading={"sheet": "Prices"}, pack={"size": 100})
    assert ours(take(path, tmp_path, tens), "unit_price") == [(Decimal("0.01"),)]


def test_json_lines_with_the_date_in_the_file_name(tmp_path: Path) -> None:
    lines = '{"item": "00501", "shade": "c1", "cost": 0.10, "left": 3, "shop": "north"}\n'
    path = write_text(tmp_path / "hill_20261031.jsonl", lines)
    made = profile(
        columns={"part_code": "item", "colour_code": "shade", "unit_price": "cost", "quantity_available": "left", "vendor_code": "shop"},
        constants={"currency_code": "SEK", "condition": "used"},
        observed_on_in_file_name="_%Y%m%d",
    )  # fmt: skip
    assert ours(take(path, tmp_path, made)) == [("north", "00501", "c1", "used", Decimal("0.1"), 3, date(2026, 10, 31))]
    undated = write_text(tmp_path / "hill_x.jsonl", lines)
    assert "has no date" in str(take(undated, tmp_path, made).error)


def test_a_summary_with_pipes(tmp_path: Path) -> None:
    path = write_text(tmp_path / "hill.txt", "part|colour|state|mean|low|day\n00501|c1|new|0.10||2026-10-31\n")
    made = profile(
        table="price_summary",
        reading={"separator": "|"},
        columns={"part_code": "part", "colour_code": "colour", "condition": "state", "average_price": "mean", "lowest_price": "low", "observed_on": "day"},
        constants={"currency_code": "EUR"},
        recognise={"file_name": "hill*", "columns": ["mean"]},
    )  # fmt: skip
    taken = take(path, tmp_path, made)
    assert ours(taken, "source_code", "average_price", "lowest_price") == [("hill", Decimal("0.1"), None)]
    assert present(taken.contract).name == "price_summary" and taken.quarantined_keys.is_empty()


def hill(
    tmp_path: Path,
    rows: list[Any],
    header: Any = HILL_HEADER,
    codes: Any = None,
    **changes: Any,
) -> TakenFile:
    return take(write_csv(tmp_path / "hill_1.csv", rows, header), tmp_path, profile(**changes), codes=codes)


ROW = ("00501", "c1", "0.10", "3", "2026-10-31")


def test_a_number_in_another_format_is_quarantined_never_guessed(tmp_path: Path) -> None:
    taken = hill(tmp_path, [ROW, ("2", "c1", "1.234,56", "3", "2026-10-31"), ("3", "c1", "1,5", "1 000", "2026-10-31")])
    assert taken.rows["part_code"].to_list() == ["00501"]
    assert rules(taken, 2) == {"unit_price": "is not a number written like 1234.56"}
    assert set(rules(taken, 3)) == {"unit_price", "quantity_available"}
    assert taken.failures["quarantined_value"].to_list() == ["1.234,56", "1,5", "1 000"]


def test_a_date_in_another_format_is_quarantined(tmp_path: Path) -> None:
    taken = hill(tmp_path, [(*ROW[:4], "31.10.2026"), (*ROW[:4], "2026-31-10"), (*ROW[:4], "")])
    assert rules(taken, 1) == rules(taken, 2) == {"observed_on": "is not a date written like %Y-%m-%d"}
    assert rules(taken, 3) == {"observed_on": "must not be empty"}


def test_values_that_the_profile_does_not_name_are_quarantined(tmp_path: Path) -> None:
    header = (*HILL_HEADER, "State")
    made = {
        "columns": {**profile().columns, "condition": "State"},
        "constants": {"vendor_code": "hill", "currency_code": "EUR"},
        "values": {"condition": {"N": "new", "": "used"}, "quantity_available": {"many": "1000"}},
    }
    rows = [
        (*ROW, "N"),
        (*ROW[:3], "many", ROW[4], ""),
        (*ROW, "n"),
        (*ROW[:3], "few", ROW[4], "N"),
        (*ROW[:3], "4", ROW[4], "N"),
    ]
    taken = hill(tmp_path, [(f"p{i}", *row[1:]) for i, row in enumerate(rows)], header, **made)
    assert ours(taken, "part_code", "condition", "quantity_available") == [
        ("p0", "new", 3),
        ("p1", "used", 1000),
        ("p4", "new", 4),
    ]
    assert rules(taken, 3) == {"condition": "is not among the values the profile names"}
    assert rules(taken, 4) == {"quantity_available": "is not a number written like 1234.56"}


def test_a_row_whose_pack_size_is_none_is_quarantined_and_shows_no_price(tmp_path: Path) -> None:
    rows = [(*ROW, size) for size in ("4", "0", "x", "", "2.5")]
    taken = hill(
        tmp_path,
        [(f"p{i}", *row[1:]) for i, row in enumerate(rows)],
        (*HILL_HEADER, "VPE"),
        pack={"size_column": "VPE"},
    )
    assert ours(taken, "part_code", "unit_price") == [("p0", Decimal("0.025"))]
    for record in (2, 3, 4, 5):
        assert "no pack size in the column VPE" in rules(taken, record)["unit_price"]
    assert taken.quarantined_text["unit_price"].to_list() == [None] * 4, (
        "a pack's price must not be taken for a piece's"
    )


def test_a_price_that_rounds_to_nothing_is_quarantined(tmp_path: Path) -> None:
    taken = hill(tmp_path, [("p", "c1", "0.000001", "3", "2026-10-31")], pack={"size": 10})
    assert "unit_price" in rules(taken, 1)


CODES = code_map(
    ("hill", "A1", "00501", date(1900, 1, 1), False),
    ("hill", "A1", "00502", date(2026, 6, 1), False),
    ("hill", "B", "00777", date(1900, 1, 1), True),
    ("hill", "late", "00888", date(2026, 12, 1), False),
    ("other", "C", "00999", date(1900, 1, 1), False),
)


def test_part_codes_through_the_code_map_as_of_each_rows_date(tmp_path: Path) -> None:
    rows = [
        ("A1", "c1", "0.10", "3", "2026-05-31"), ("A1", "c1", "0.10", "3", "2026-06-01"), ("B", "c1", "0.10", "3", "2026-05-31"),
        ("C", "c1", "0.10", "3", "2026-05-31"), ("late", "c1", "0.10", "3", "2026-05-31"), ("a1", "c1", "0.10", "3", "2026-05-31"),
        ("A1", "c1", "0.10", "3", "31.5.2026"), ("", "c1", "0.10", "3", "2026-05-31"),
    ]  # fmt: skip
    taken = hill(tmp_path, rows, codes=CODES, use_code_map=True)
    assert ours(taken, "part_code", "observed_on", "form_certainty") == [
        ("00501", date(2026, 5, 31), "stated"),
        ("00502", date(2026, 6, 1), "stated"),
        ("00777", date(2026, 5, 31), "open"),
    ]
    for record in (4, 5, 6):
        assert rules(taken, record) == {"part_code": "is not in the code map of source hill on that date"}
    assert set(rules(taken, 7)) == {"observed_on", "part_code"}, (
        "correcting the date alone must not let a source's code pass"
    )
    assert rules(taken, 8) == {"part_code": "must not be empty"}
    assert taken.quarantined_keys["part_code"].to_list() == ["C", "late", "a1"]
    assert taken.unreadable_key_count == 2


SEVERAL = code_map(
    ("hill", "A1", "00501", date(1900, 1, 1), False),
    ("hill", "A9", "00501", date(1900, 1, 1), False),
    ("hill", "A5", "00501", date(2026, 6, 1), False),
)


def test_several_codes_of_a_source_for_one_part_are_several_listings(tmp_path: Path) -> None:
    """Offers under both codes count; a code that follows on another, from a later date, goes on under the same key."""
    rows = [("A9", *ROW[1:]), ("A1", *ROW[1:])]
    taken = hill(tmp_path, rows, codes=SEVERAL, use_code_map=True)
    assert ours(taken, "part_code", "listing_code") == [("00501", "A9"), ("00501", "")] and taken.failures.is_empty()
    assert ours(hill(tmp_path, [("A5", *ROW[1:])], codes=SEVERAL, use_code_map=True), "listing_code") == [("",)]
    named = hill(
        tmp_path, [(*rows[0], "L7"), (*rows[1], "")], (*HILL_HEADER, "listing_code"), codes=SEVERAL, use_code_map=True
    )
    assert ours(named, "listing_code") == [("L7",), ("",)], "what the file says comes first"


def test_a_large_file_with_several_codes_and_rows_that_fail_in_one_piece_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [("A1", f"c{n}", "0.10", "3", "2026-05-31") for n in range(9000)]
    rows[3] = ("A1", "c3", "much", "3", "2026-05-31")
    rows[8990] = ("A9", "c8990", "much", "3", "2026-05-31")
    monkeypatch.setattr("pipelines.intake.reading.readers.PIECE_BYTES", 50_000, raising=True)
    taken = hill(tmp_path, rows, codes=SEVERAL, use_code_map=True)
    assert taken.rows.height == 8998 and taken.quarantined_text["listing_code"].to_list() == [None, "A9"]


def test_an_ambiguous_code_opens_what_the_file_calls_stated(tmp_path: Path) -> None:
    made = profile(use_code_map=True, columns={**profile().columns, "form_certainty": "Form"})
    path = write_csv(
        tmp_path / "hill_1.csv", [("B", *ROW[1:], "stated"), ("A1", *ROW[1:], "open")], (*HILL_HEADER, "Form")
    )
    assert ours(take(path, tmp_path, made, codes=CODES), "part_code", "form_certainty") == [
        ("00777", "open"),
        ("00502", "open"),
    ]


def test_without_the_flag_the_code_map_is_not_asked(tmp_path: Path) -> None:
    assert ours(hill(tmp_path, [("A1", *ROW[1:])], codes=CODES), "part_code") == [("A1",)]


def test_a_file_without_a_column_of_its_profile_is_quarantined(tmp_path: Path) -> None:
    taken = hill(tmp_path, [ROW], columns={**profile().columns, "listing_code": "Lot", "assortment_code": "Range"})
    assert "lacks columns that the profile hill names: Lot, Range" in present(taken.error).what
    assert "Part, Colour, Price, Stock, Day" in present(taken.error).next_step


def test_columns_with_our_names_are_taken_and_others_ignored(tmp_path: Path) -> None:
    taken = hill(tmp_path, [(*ROW, "L7", "words")], (*HILL_HEADER, "listing_code", "Remarks"))
    assert ours(taken, "listing_code") == [("L7",)]
    with_constant = {**profile().constants, "listing_code": "const"}
    taken = hill(tmp_path, [(*ROW, "L7", "words")], (*HILL_HEADER, "listing_code", "Remarks"), constants=with_constant)
    assert ours(taken, "listing_code") == [("const",)]


def test_one_column_may_serve_twice(tmp_path: Path) -> None:
    made = {"columns": {**profile().columns, "sold_in_multiples_of": "VPE"}, "pack": {"size_column": "VPE"}}
    taken = hill(tmp_path, [(*ROW, "10")], (*HILL_HEADER, "VPE"), **made)
    assert ours(taken, "unit_price", "quantity_available", "sold_in_multiples_of") == [(Decimal("0.01"), 3, 10)]


@pytest.mark.parametrize("missing", ["part_code", "unit_price"])
def test_a_file_without_a_required_column_is_quarantined(tmp_path: Path, missing: str) -> None:
    columns = {name: theirs for name, theirs in profile().columns.items() if name != missing}
    taken = hill(tmp_path, [ROW], columns=columns)
    assert f"lacks the columns {missing}" in present(taken.error).what
