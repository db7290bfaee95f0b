"""What the screen of suspicious prices asks the history, and that markets know its findings."""

from datetime import date
from decimal import Decimal
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines.trends.prices.suspects import CANDIDATE_COLUMNS
from pipelines.warehouse.price_history import history, load, market, screening
from tests.builders.taken_files import NOW, taken


def take(con: duckdb.DuckDBPyConnection, file_hash: Any, day: Any, *offers: Any) -> None:
    rows = [{**offer, "observed_on": date(2026, 1, day), "coverage": "partial"} for offer in offers]
    load.load_file(con, taken(file_hash, rows), NOW)
    history.fold(con)


def at(price: Any, **other: Any) -> Any:
    return {"unit_price": Decimal(price), **other}


def test_a_new_price_is_compared_with_the_last_five_before_it(con: duckdb.DuckDBPyConnection) -> None:
    for day, price in enumerate(("0.10", "0.30", "0.30", "0.20", "0.50", "0.40", "0.90", "0.60"), 1):
        take(con, f"f{day}", day, at(price, quantity_available=day))
    found = screening.new_prices(con).sort("valid_from_on")
    prices = found.select(pl.col("unit_price").cast(pl.Float64), "own_price", pl.col("next_price_on").dt.day()).rows()
    assert prices == [
        (0.1, None, 2), (0.3, 0.1, 4), (0.2, pytest.approx(0.2), 5), (0.5, 0.2, 6), (0.4, 0.25, 7),
        (0.9, 0.3, 8), (0.6, 0.4, None),
    ]  # fmt: skip
    assert found["valid_from_on"].dt.day().to_list() == [1, 2, 4, 5, 6, 7, 8], "another stock is no new price"


def test_prices_in_another_currency_and_of_other_steps_have_histories_of_their_own(
    con: duckdb.DuckDBPyConnection,
) -> None:
    take(con, "a", 1, at("0.10"), at("0.09", step_from_quantity=10))
    take(con, "b", 2, at("1.00", currency_code="SEK"), at("0.90", step_from_quantity=10, currency_code="SEK"))
    take(con, "c", 3, at("0.12"), at("0.08", step_from_quantity=10))
    found = screening.new_prices(con).filter(pl.col("own_price").is_not_null())
    assert sorted(found.select("step_from_quantity", "own_price").rows()) == [(1, 0.1), (10, 0.09)]


def test_rivals_are_others_offers_of_the_element_on_the_day(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", 1, at("0.50", vendor_code="birch"), at("0.45", vendor_code="birch", step_from_quantity=20))
    take(con, "b", 2, at("0.60", vendor_code="birch", listing_code="lot-2"), at("0.70", vendor_code="cedar"))
    take(con, "c", 3, at("0.80", vendor_code="cedar"), at("0.20", vendor_code="elm", condition="used"))
    take(con, "d", 4, at("0.10", vendor_code="acorn"), at("9.00", vendor_code="fir", colour_code="8"))
    candidates = screening.new_prices(con).filter(vendor_code="acorn").with_row_index("candidate_number")
    needed = candidates.select(CANDIDATE_COLUMNS)
    assert screening.rival_prices(con, needed).select("vendor_code", "unit_price").rows() == [
        ("birch", Decimal("0.50")), ("cedar", Decimal("0.80")),
    ]  # fmt: skip
    before = needed.with_columns(valid_from_on=pl.date(2026, 1, 2))
    assert screening.rival_prices(con, before).select("vendor_code", "unit_price").rows() == [
        ("birch", Decimal("0.50")), ("cedar", Decimal("0.70")),
    ], "as it was on that day"  # fmt: skip


def flags(con: duckdb.DuckDBPyConnection, day: Any) -> Any:
    frame = market.market_on(con, date(2026, 1, day), 30)
    return frame.select("unit_price", "is_suspect").rows()


def test_a_flag_lasts_as_long_as_the_price_and_clears_when_confirmed(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", 1, at("0.10"))
    take(con, "b", 5, at("1.00"))
    take(con, "c", 7, at("1.00", quantity_available=3))
    take(con, "d", 9, at("0.11"))
    flagged = pl.DataFrame(
        {"price_number": [0], "vendor_code": ["acorn"], "part_code": ["00501"], "colour_code": ["7"],
         "condition": ["new"], "listing_code": [""], "step_from_quantity": [1], "currency_code": ["EUR"],
         "price_from_on": [date(2026, 1, 5)], "next_price_on": [date(2026, 1, 9)]}
    )  # fmt: skip
    price_periods = screening.suspect_price_periods(con, flagged).sort("valid_from_on")
    assert price_periods["valid_from_on"].dt.day().to_list() == [5, 7]
    screening.set_suspects(con, price_periods.with_columns(cleared_from_on=pl.lit(None, dtype=pl.Date)))
    wrong, right = (Decimal("1"), True), (Decimal("1"), False)
    assert [flags(con, day) for day in (4, 5, 8, 9)] == [
        [(Decimal("0.1"), False)], [wrong], [wrong], [(Decimal("0.11"), False)],
    ]  # fmt: skip
    assert market.last_seen_prices(con, date(2026, 1, 8))["is_suspect"].to_list() == [True]
    screening.set_suspects(con, price_periods.with_columns(cleared_from_on=pl.lit(date(2026, 1, 8))))
    assert [flags(con, day) for day in (7, 8)] == [[wrong], [right]]
    screening.set_suspects(con, price_periods.clear().with_columns(cleared_from_on=pl.lit(None, dtype=pl.Date)))
    assert flags(con, 7) == [right]
