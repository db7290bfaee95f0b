"""What the screen of suspicious prices asks the history, and that markets know its findings."""

from datetime import date
from decimal import Decimal
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, market, screening
from schemas.inputs.catalogue import PARTS
from schemas.inputs.vendors import EXCHANGE_RATES
from schemas.validate import empty_frame
from tests.builders.taken_files import NOW, taken


def take(con: duckdb.DuckDBPyConnection, file_hash: Any, day: Any, *offers: Any) -> None:
    rows = [{**offer, "observed_on": date(2026, 1, day), "coverage": "partial"} for offer in offers]
    load.load_file(con, taken(file_hash, rows), NOW)
    history.fold(con)


def at(price: Any, **other: Any) -> Any:
    return {"unit_price": Decimal(price), **other}


ALL = date(2026, 1, 1)


def steps(con: duckdb.DuckDBPyConnection, since: date = ALL) -> list[list[Any]]:
    """The price periods of each step that are read for new prices of a day and later: day and price."""
    found = pl.concat(screening.step_periods(con, since))
    groups = found.sort("valid_from_on").partition_by("step_hash", "other_hash", maintain_order=True)
    return sorted(list(zip(rows["valid_from_on"].dt.day(), rows["unit_price"], strict=True)) for rows in groups)


def test_the_periods_of_each_step_and_currency_are_read_if_it_changed(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", 1, at("0.10"), at("0.09", step_from_quantity=10))
    take(con, "b", 2, at("1.00", currency_code="SEK"), at("0.90", step_from_quantity=10, currency_code="SEK"))
    take(con, "c", 3, at("0.12"), at("0.08", step_from_quantity=10))
    take(con, "d", 4, at("0.12", quantity_available=3), at("0.3", vendor_code="birch"))
    assert steps(con) == [
        [(1, 0.09), (3, 0.08)], [(1, 0.1), (3, 0.12), (4, 0.12)], [(2, 0.9)], [(2, 1.0)], [(4, 0.3)],
    ]  # fmt: skip
    assert steps(con, date(2026, 1, 4)) == [[(1, 0.1), (3, 0.12), (4, 0.12)], [(4, 0.3)]]


def test_pieces_have_whole_steps_and_whole_days(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(screening, "PIECE", 3)
    for day in range(1, 5):
        take(con, f"f{day}", day, *(at(f"0.{day}{n}", colour_code=str(n)) for n in range(1, 6)))
    pieces = list(screening.step_periods(con, ALL))
    assert len(pieces) == 7 and sum(piece.height for piece in pieces) == 20
    assert sum(piece["step_hash"].n_unique() for piece in pieces) == 5
    with screening.screen(con, empty_frame(PARTS), empty_frame(EXCHANGE_RATES)):
        rows = pl.concat(pieces).with_columns(own_price=pl.when(pl.col("valid_from_on") > ALL).then(1.0))
        new = rows.select("price_number", "valid_from_on", "unit_price", "own_price")
        days, codes = screening.set_new_prices(con, [new])
        assert ([day.day for day in days], codes) == ([1, 2, 3, 4], ["EUR"])
        screening.set_rates(con, pl.DataFrame({"day": days, "currency_code": ["EUR"] * 4, "factor": [1.0] * 4}))
        changes = [piece["valid_from_on"].dt.day().to_list() for piece in screening.price_changes(con)]
    assert changes == [[2] * 5, [3] * 5, [4] * 5], "first prices are no changes"


def market_of(con: duckdb.DuckDBPyConnection, day: int) -> dict[str, tuple[Any, ...]]:
    """Other vendors and their quartiles (as prices), for each vendor's first price of the element on a day, from 1 on."""
    with screening.screen(con, empty_frame(PARTS), empty_frame(EXCHANGE_RATES)):
        number = "rowid as price_number, valid_from_on, unit_price::double as unit_price, null::double as own_price"
        new = connect.frame_of(con, f"select {number} from price_period where colour_code = '7' and condition = 'new'")
        days, codes = screening.set_new_prices(con, [new.filter(pl.col("valid_from_on").dt.day() == day)])
        rates = [(each, code, {"EUR": 1.0, "SEK": 0.1}[code]) for each in days for code in codes if code != "GBP"]
        names = {"day": pl.Date, "currency_code": pl.String, "factor": pl.Float64}
        screening.set_rates(con, pl.DataFrame(rates, names, orient="row"))
        found = pl.concat(screening.candidates_with_market(con, []))
    vendors = dict(con.execute("select rowid, vendor_code from price_period").fetchall())
    quartiles = pl.col("first_quartile", "median_log_price", "third_quartile").exp()
    return {
        vendors[row[0]]: row[1:] for row in found.select("price_number", "rival_vendor_count", quartiles).rows()
    }  # fmt: skip


def test_rivals_are_others_lowest_offers_of_the_element_on_the_day(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", 1, at("0.50", vendor_code="birch"), at("0.45", vendor_code="birch", step_from_quantity=20))
    take(con, "b", 2, at("0.60", vendor_code="birch", listing_code="lot-2"), at("0.70", vendor_code="cedar"))
    take(con, "c", 3, at("8.00", vendor_code="cedar", currency_code="SEK"))
    take(
        con, "d", 3, at("0.20", vendor_code="elm", condition="used"), at("0.01", vendor_code="oak", currency_code="GBP")
    )
    take(
        con,
        "e",
        3,
        at("0.02", vendor_code="fir", step_from_quantity=9),
        at("0.9", vendor_code="fir", step_from_quantity=4),
    )
    take(con, "f", 4, at("0.10", vendor_code="acorn"), at("9.00", vendor_code="fir", colour_code="8"))
    approx = pytest.approx
    # birch 0.50, cedar 0.80, fir 0.90; quartiles between logarithms
    low, high = (0.5 * 0.8) ** 0.5, (0.8 * 0.9) ** 0.5
    assert market_of(con, 4) == {"acorn": (3, approx(low), approx(0.8), approx(high))}
    third = market_of(con, 3)
    assert third["cedar"] == (2, approx((0.5**3 * 0.9) ** 0.25), approx(0.45**0.5), approx((0.5 * 0.9**3) ** 0.25))
    assert third["oak"][0] == 3 and third["fir"][0] == 2
    assert market_of(con, 2)["cedar"][0] == 1, "as it was on that day"


def flags(con: duckdb.DuckDBPyConnection, day: Any) -> Any:
    frame = market.market_on(con, date(2026, 1, day), 30)
    return frame.select("unit_price", "is_suspect").rows()


def test_a_flag_lasts_as_long_as_the_price_and_clears_when_confirmed(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", 1, at("0.10"))
    take(con, "b", 5, at("1.00"))
    take(con, "c", 7, at("1.00", quantity_available=3))
    take(con, "d", 9, at("0.11"))
    (number,) = con.execute("select rowid from price_period where valid_from_on = '2026-01-05'").fetchall()[0]
    flagged = pl.DataFrame(
        {"price_number": [number], "own_price": [0.1], "own_ratio": [10.0], "market_price": [None], "market_ratio": [None],
         "rival_vendor_count": [0], "pack_size": [10], "suspicion": ["decimal_point"]}
    )  # fmt: skip
    with screening.screen(con, empty_frame(PARTS), empty_frame(EXCHANGE_RATES)):
        assert screening.first_changed_day(con, "rules") == date(1, 1, 1)
        screening.keep_flagged(con, [flagged], ALL)
        assert screening.first_changed_day(con, "rules") is None
    price_periods = screening.suspect_price_periods(con).sort("valid_from_on")
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
