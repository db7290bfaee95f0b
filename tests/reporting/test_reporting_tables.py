"""How figures are written, and tables as Markdown."""

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.reporting.basis.page_tables import (
    Link,
    Table,
    accuracy,
    columns,
    count,
    day,
    escape_markdown,
    file_name,
    gap,
    money,
    month_name,
    number,
    percent,
    unit_price,
)


@pytest.mark.parametrize(
    ("amount", "currency", "options", "expected"),
    [
        ("1234.5", "EUR", {}, "1,234.50"),
        ("1234567", "JPY", {"with_code": True}, "1,234,567 JPY"),
        ("1.2345", "KWD", {}, "1.235"),
        ("-3.2", "EUR", {}, "−3.20"),
        ("3.2", "EUR", {"signed": True}, "+3.20"),
        ("-0.004", "EUR", {"signed": True}, "0.00"),
        ("0.005", "EUR", {}, "0.01"),
    ],
)
def test_money_has_the_currencys_digits(amount: str, currency: str, options: dict[str, bool], expected: str) -> None:
    assert money(Decimal(amount), currency, **options) == expected


def test_nothing_is_shown_as_a_dash() -> None:
    assert {money(None, "EUR"), percent(None), number(None), count(None), day(None), unit_price(None, "EUR")} == {"–"}
    assert percent(float("nan")) == number(float("inf")) == "–"


@pytest.mark.parametrize(
    ("price", "currency", "expected"),
    [
        ("0.045000", "EUR", "0.045"),
        ("0.100000", "EUR", "0.10"),
        ("12.000000", "JPY", "12"),
        ("0.000001", "EUR", "0.000001"),
        ("1200.000000", "EUR", "1,200.00"),
    ],
)
def test_unit_prices_keep_all_their_decimals(price: str, currency: str, expected: str) -> None:
    assert unit_price(Decimal(price), currency) == expected


def test_percents_counts_and_dates() -> None:
    assert percent(12.34) == "12.3 %"
    assert percent(-0.04, signed=True) == "0.0 %"
    assert percent(0.25, signed=True) == "+0.3 %"
    assert count(1, "piece") == "1 piece"
    assert count(1204, "piece") == "1,204 pieces"
    assert day(date(2026, 11, 5)) == "5 November 2026"
    assert month_name("2026-01") == "January 2026"


@given(st.floats(0, 1000))
def test_a_gap_is_never_understated(value: Any) -> None:
    reported = Decimal(gap(value).removesuffix(" %").replace(",", ""))
    assert value <= float(reported) <= value + 0.1 + 1e-9


def test_how_exact_a_plan_is_in_words() -> None:
    assert accuracy(0.4) == "at most 0.4 % above the best possible"
    assert accuracy(0.31) == "at most 0.4 % above the best possible"
    assert accuracy(0.0) == "the cheapest possible"
    assert "unknown" in accuracy(float("inf"))


@given(st.text(min_size=1, max_size=120))
def test_a_code_becomes_a_plain_file_name(code: Any) -> None:
    name = file_name(code)
    assert name and name not in (".", "..") and not name.startswith(".")
    assert not set(name) & set('/\\:*?"<>|\0 \n')


@given(st.lists(st.text(alphabet="ab/.-: ", min_size=1, max_size=6), min_size=2, max_size=8, unique=True))
def test_different_codes_never_share_a_file_name(codes: Any) -> None:
    assert len({file_name(code) for code in codes}) == len(codes)


@given(st.text(max_size=60))
def test_markdown_cannot_be_broken_out_of(text: Any) -> None:
    reported = escape_markdown(text)
    assert not set(reported) & set("<>\n\r")
    for position, character in enumerate(reported):
        if character in "|*_[]`":
            backslashes = len(reported[:position]) - len(reported[:position].rstrip("\\"))
            assert backslashes % 2 == 1, reported


def test_a_table_as_markdown() -> None:
    table = Table("Costs", columns("Model", "#Cost"), (("a|b", "1.00"), (Link("c", "c.html"), "2.00")), frozenset({0}))
    assert table.markdown().splitlines() == [
        "| Model | Cost |",
        "| --- | ---: |",
        "| **a\\|b** | **1.00** |",
        "| [c](c.html) | 2.00 |",
    ]


@pytest.mark.parametrize("row", [("Crane",), ("Crane", "1.00", "2")])
@pytest.mark.parametrize("is_stacked", [True, False])
def test_a_row_that_does_not_fit_the_columns_is_refused(row: tuple[str, ...], is_stacked: bool) -> None:
    """Otherwise its cells would stand below the headings of others."""
    with pytest.raises(ValueError, match=r"'Costs'.*Crane.*'Model', 'Cost'"):
        Table("Costs", columns("Model", "#Cost"), (row,), is_stacked=is_stacked)


def test_half_lines_of_stacked_rows_come_in_pairs() -> None:
    row = ("way", "351.18", "261.95", "39.63", "49.60", "6", "0", "30.80 (8.8 %)")
    headings = columns("Way", "#Complete cost", "#Parts", "#Shipping", "#Tax", "#Parcels", "#Missing pieces", "#Saved")
    assert Table("", headings, (row,)).wide_columns == {1, 6, 7}
    assert Table("", headings[:3], (row[:3],)).wide_columns == {1, 2}
    assert Table("", (*headings[:5], headings[7]), ((*row[:5], row[7]),)).wide_columns == {1, 4, 5}
