"""Known errors of a source, declared as data: what they change, when they end, and that no row is lost over them."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines.warehouse.price_history import history, load, tables
from schemas.inputs.price_decisions import SOURCE_CORRECTIONS
from schemas.published.intake import CORRECTED_ROW
from schemas.validate import polars_schema, validate_typed
from tests.builders.taken_files import NOW, taken

FIRST = date(2026, 1, 10)


def correction(**changes: Any) -> Any:
    row = {
        "vendor_code": "acorn", "part_code": "00501", "colour_code": "*", "observed_from_on": FIRST, "observed_to_on": None,
        "correction_action": "multiply_price", "correction_factor": Decimal("0.1"), "corrected_currency_code": None,
        "guard_price_from": Decimal("0.5"), "guard_price_to": None, "guard_currency_code": None,
        "decided_on": FIRST, "reason": "a bag of ten",
    }  # fmt: skip
    return {**row, **changes}


def declared(*rows: Any) -> Any:
    return pl.DataFrame(list(rows), schema=polars_schema(SOURCE_CORRECTIONS))


def folded(con: duckdb.DuckDBPyConnection, corrections: Any, *prices: Any) -> Any:
    """One full export a day from FIRST on, each of a part at that price and of another part."""
    history.set_corrections(con, corrections)
    for number, price in enumerate(prices):
        day = {"observed_on": FIRST + timedelta(days=number)}
        offers = [{"unit_price": Decimal(price), **day}, {"part_code": "other", "unit_price": Decimal(2), **day}]
        load.load_file(con, taken(f"f{number}", offers), NOW)
    history.fold(con)
    return tables.intake_tables(con)


def prices(found: Any, part: str = "00501") -> Any:
    rows = found["price_history"].filter(pl.col("part_code") == part).sort("valid_from_on")
    return [(f"{price.normalize():f}", str(currency)) for price, currency in rows["unit_price", "currency_code"].rows()]


def test_a_price_is_put_right_until_the_source_corrects_itself(con: duckdb.DuckDBPyConnection) -> None:
    found = folded(con, declared(correction()), "1.00", "1.20", "0.12", "1.30")
    assert prices(found) == [("0.1", "EUR"), ("0.12", "EUR"), ("1.3", "EUR")]
    assert prices(found, "other") == [("2", "EUR")], "another part is left alone"
    changed = validate_typed(CORRECTED_ROW, found["corrected_row"], where="test")
    assert changed.select("file_hash", "unit_price", "corrected_unit_price").rows() == [
        ("f0", Decimal("1.00"), Decimal("0.10")), ("f1", Decimal("1.20"), Decimal("0.12")),
    ]  # fmt: skip
    assert [(e.part_code, e.error_ended_on) for e in history.ended_corrections(con)] == [
        ("00501", FIRST + timedelta(days=2))
    ]


def test_a_correction_taken_back_leaves_the_history_as_received(con: duckdb.DuckDBPyConnection) -> None:
    as_received = folded(con, declared(), "1.00", "1.20")
    mark = history.fingerprint(con)
    history.set_corrections(con, declared(correction()))
    assert history.fold(con) == 1 and history.fingerprint(con) != mark
    history.set_corrections(con, declared(correction()))
    assert history.fold(con) == 0, "the same corrections change nothing"
    history.set_corrections(con, declared())
    history.fold(con)
    assert history.fingerprint(con) == mark
    assert tables.intake_tables(con)["price_history"].equals(as_received["price_history"])


def test_dropped_rows_are_counted_and_count_as_not_listed(con: duckdb.DuckDBPyConnection) -> None:
    guard = {"guard_price_from": Decimal(5), "guard_price_to": Decimal(6)}
    drop = correction(correction_action="drop", correction_factor=None, **guard)
    found = folded(con, declared(drop), "0.10", "5.50", "0.10")
    counts = ("read_row_count", "accepted_row_count", "dropped_row_count", "superseded_row_count")
    # the guard is not shown on the first date, so the source counts as corrected before the error: nothing is dropped
    assert [row[1:] for row in found["intake_file"].select("file_hash", *counts).rows()] == [(2, 2, 0, 0)] * 3
    late = {**drop, "observed_from_on": FIRST + timedelta(days=1)}
    history.set_corrections(con, declared(late))
    history.fold(con)
    found = tables.intake_tables(con)
    assert [row[1:] for row in found["intake_file"].select("file_hash", *counts).rows()] == [
        (2, 2, 0, 0), (2, 1, 1, 0), (2, 2, 0, 0),
    ]  # fmt: skip
    price_periods = (
        found["price_history"].filter(pl.col("part_code") == "00501").select("valid_from_on", "valid_to_on").rows()
    )
    assert price_periods == [(FIRST, FIRST + timedelta(days=1)), (FIRST + timedelta(days=2), None)]
    assert found["vendor_export"]["row_count"].to_list() == [2, 1, 2]


@pytest.mark.parametrize(
    ("named", "expected"),
    [
        ([{"part_code": "*", "correction_factor": Decimal(3)}, {"part_code": "*", "colour_code": "7"}], "0.1"),
        ([{"colour_code": "7", "correction_factor": Decimal(3)}, {}], "3"),
        ([{"observed_from_on": FIRST - timedelta(days=1), "correction_factor": Decimal(3)}, {}], "0.1"),
    ],
)
def test_of_several_corrections_the_one_that_names_more_holds_then_the_later_one(
    con: duckdb.DuckDBPyConnection, named: list[Any], expected: str
) -> None:
    found = folded(con, declared(*(correction(**changes) for changes in named)), "1.00")
    assert prices(found) == [(expected, "EUR")]


def test_a_currency_is_set_and_a_price_that_could_be_none_is_dropped(con: duckdb.DuckDBPyConnection) -> None:
    wrong = correction(correction_action="set_currency", correction_factor=None, corrected_currency_code="SEK",
                       guard_price_from=None, guard_currency_code="EUR")  # fmt: skip
    assert prices(folded(con, declared(wrong), "1.00")) == [("1", "SEK")]
    history.set_corrections(con, declared(correction(correction_factor=Decimal("0.000001"), guard_price_from=None)))
    history.fold(con)
    found = tables.intake_tables(con)
    assert prices(found) == [("0.000001", "EUR")]
    history.set_corrections(con, declared(correction(correction_factor=Decimal(1_000_000))))
    history.fold(con)
    assert prices(tables.intake_tables(con)) == []
    assert tables.intake_tables(con)["intake_file"]["dropped_row_count"].to_list() == [1]


def test_every_price_period_names_the_row_that_opened_it(con: duckdb.DuckDBPyConnection) -> None:
    found = folded(con, declared(correction()), "1.00", "1.20", "0.12")
    sources = found["offer_source"].join(
        found["price_history"].select("offer_id", "part_code", "valid_from_on"), on="offer_id"
    )
    assert sorted(sources.select("part_code", "valid_from_on", "file_hash", "record_number", "source_line_number").rows()) == [
        ("00501", FIRST, "f0", 1, 2), ("00501", FIRST + timedelta(days=1), "f1", 1, 2), ("other", FIRST, "f0", 2, 3),
    ]  # fmt: skip
