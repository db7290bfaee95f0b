"""Which prices stand out, from hand-made histories and markets."""

import math
import statistics
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import polars as pl
import pytest

from pipelines.trends.prices import suspects
from schemas.inputs.price_decisions import CONFIRMED_PRICES
from schemas.inputs.vendors import EXCHANGE_RATES
from schemas.validate import polars_schema

DAY = date(2026, 10, 30)
PARTS = pl.DataFrame({"part_code": ["brick", "frame", "pin"], "part_family": ["bricks", "frames", "pins"]})
RATES = pl.DataFrame({"day": [DAY], "currency_code": ["EUR"], "factor": [1.0]})
SCHEMA: dict[str, Any] = {
    "vendor_code": pl.String, "part_code": pl.String, "colour_code": pl.String, "condition": pl.String,
    "listing_code": pl.String, "step_from_quantity": pl.Int64, "currency_code": pl.String, "valid_from_on": pl.Date,
    "unit_price": pl.Decimal(18, 6), "sold_in_multiples_of": pl.Int64, "own_price": pl.Float64, "next_price_on": pl.Date,
}  # fmt: skip


def price(vendor: str, own: float | None, unit: str, part: str = "brick", **other: Any) -> dict[str, Any]:
    row = {
        "vendor_code": vendor, "part_code": part, "colour_code": "red", "condition": "new", "listing_code": "",
        "step_from_quantity": 1, "currency_code": "EUR", "valid_from_on": DAY, "unit_price": Decimal(unit),
        "sold_in_multiples_of": 1, "own_price": own, "next_price_on": None,
    }  # fmt: skip
    return {**row, **other}


def frame(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=SCHEMA, orient="row")


def usual(count: int, part: str = "brick", rise: float = 1.0) -> list[dict[str, Any]]:
    """Vendors whose prices moved by a little, so that the group knows what is usual."""
    return [
        price(f"other{n}", 0.10 + n / 1000, f"{(0.10 + n / 1000) * rise * (1 + (n % 5 - 2) / 100):.6f}", part)
        for n in range(count)
    ]


def names(found: pl.DataFrame) -> list[str]:
    return sorted(found["vendor_code"])


def candidates(*rows: dict[str, Any], rates: pl.DataFrame = RATES) -> pl.DataFrame:
    """First prices, and changes that stand out, as sql/screens/candidate.sql has them."""
    new = (
        frame(*rows)
        .with_columns(pl.col("unit_price").cast(pl.Float64), price_number=pl.int_range(pl.len(), dtype=pl.Int64))
        .join(PARTS, on="part_code", how="left")
        .join(rates, left_on=["valid_from_on", "currency_code"], right_on=["day", "currency_code"], how="left")
    )
    changes = suspects.standing_out(new.filter(pl.col("own_price").is_not_null()))
    return (
        new.join(changes, on="price_number", how="left")
        .filter(pl.col("own_price").is_null() | pl.col("own_ratio").is_not_null())
        .with_columns(log_price=(pl.col("unit_price") * pl.col("factor")).log())
    )


def flagged(found: pl.DataFrame, *rivals: tuple[str, ...]) -> pl.DataFrame:
    """Rivals are (candidate's vendor, rival's vendor, price in EUR)."""
    quartiles = []
    for vendor in found["vendor_code"]:
        logs = [math.log(float(unit)) for of, _, unit in rivals if of == vendor]
        several = statistics.quantiles(logs, n=4, method="inclusive") if len(logs) > 1 else [None] * 3
        quartiles.append((len(logs), *several))
    names = ("rival_vendor_count", "first_quartile", "median_log_price", "third_quartile")
    schema = dict.fromkeys(names, pl.Float64) | {names[0]: pl.Int64}
    with_market = pl.concat([found, pl.DataFrame(quartiles, schema, orient="row")], how="horizontal")
    kept = suspects.against_market(with_market)
    return kept.join(found.select("price_number", "vendor_code"), on="price_number", maintain_order="left")


def market(of: str, *prices: str) -> list[tuple[str, str, str]]:
    return [(of, f"rival{n}", value) for n, value in enumerate(prices)]


def test_a_change_unlike_those_of_its_family_is_a_candidate_and_a_common_rise_is_not() -> None:
    found = candidates(*usual(30), price("odd", 0.10, "1.00"), *usual(30, "frame", 1.35))
    assert names(found) == ["odd"]
    assert found["own_ratio"].to_list() == pytest.approx([10])
    alone = candidates(*usual(30), price("odd", 0.10, "0.135", "frame"))
    assert names(alone) == ["odd"], "alone in its family it is compared with the whole date"


def test_a_doubling_of_a_cheap_piece_by_rounding_passes() -> None:
    dear = [price(f"dear{n}", 4.0, f"{4 * (1 + (n % 9 - 4) / 40):.2f}") for n in range(40)]
    assert names(candidates(*dear, price("cheap", 0.01, "0.02"))) == []
    assert names(candidates(*dear, price("costly", 4.0, "8.00"))) == ["costly"]


def test_on_a_quiet_night_fixed_limits_hold() -> None:
    found = candidates(price("same", 0.10, "0.12"), price("crash", 0.10, "0.01"))
    assert names(found) == ["crash"]


def test_the_market_must_agree() -> None:
    found = candidates(*usual(30), price("odd", 0.10, "1.00"), price("back", 1.00, "0.10"))
    assert names(found) == ["back", "odd"]
    prices = ("0.09", "0.10", "0.11", "0.12")
    kept = flagged(found, *market("odd", *prices), *market("back", *prices))
    assert names(kept) == ["odd"], "a price that returns to the market's level is right"
    row = kept.row(0, named=True)
    assert row["market_ratio"] == pytest.approx(1 / (0.10 * 0.11) ** 0.5)
    assert row["market_price"] == pytest.approx((0.10 * 0.11) ** 0.5)
    assert row["rival_vendor_count"] == 4


def test_a_market_that_agrees_on_nothing_flags_nothing() -> None:
    found = candidates(price("first", None, "0.40"))
    assert names(flagged(found, *market("first", "0.05", "0.10", "0.30", "0.60"))) == []
    assert names(flagged(found, *market("first", "0.09", "0.10", "0.10", "0.11"))) == ["first"]


def test_with_one_witness_it_takes_twice_or_half_the_price() -> None:
    alone = candidates(*usual(30), price("up", 0.10, "0.17"), price("far", 0.10, "0.21"), price("low", 0.10, "0.049"))
    assert names(flagged(alone)) == ["far", "low"], "no market"
    first = candidates(price("first", None, "0.19"))
    assert names(flagged(first, *market("first", "0.1", "0.1", "0.1"))) == []
    first = candidates(price("first", None, "0.21"))
    assert names(flagged(first, *market("first", "0.1", "0.1", "0.1"))) == ["first"]
    assert names(flagged(first, *market("first", "0.1", "0.1"))) == [], "two others are no market"


def test_prices_in_other_currencies_are_compared_at_the_days_rate() -> None:
    table = pl.DataFrame(
        {"rate_on": [date(2026, 10, 27)], "from_currency_code": ["SEK"], "to_currency_code": ["EUR"],
         "exchange_rate": [Decimal("0.1")]},
        schema=polars_schema(EXCHANGE_RATES),
    )  # fmt: skip
    rows = price("north", None, "1.00", currency_code="SEK"), price("coast", None, "1.00")
    rates = suspects.common_rates([DAY], ["EUR", "GBP", "SEK"], table, "EUR")
    assert rates.sort("currency_code").rows() == [(DAY, "EUR", 1.0), (DAY, "SEK", 0.1)]
    found = candidates(*rows, rates=rates)
    prices = ("0.09", "0.10", "0.11")
    kept = flagged(found, *market("north", *prices), *market("coast", *prices))
    assert names(kept) == ["coast"]
    unknown = candidates(*rows, rates=rates.filter(pl.col("currency_code") == "EUR"))
    assert names(flagged(unknown, *market("north", "9", "9", "9"))) == [], "without a rate there is no market"


@pytest.mark.parametrize(
    ("own", "unit", "multiple", "pack", "suspicion"),
    [
        (0.10, "1.00", 10, 10, "price_per_pack"),
        (0.10, "1.00", 1, 10, "decimal_point"),
        (0.10, "0.51", 1, 5, "price_per_pack"),
        (0.10, "0.01", 10, 10, "price_divided"),
        (0.10, "0.001", 1, 100, "decimal_point"),
        (0.30, "0.051", 5, 6, "price_divided"),
        (0.10, "0.245", 1, None, "stands_out"),
        (0.10, "1.50", 1, None, "stands_out"),
    ],
)
def test_a_ratio_near_a_small_whole_number_is_reported(
    own: float, unit: str, multiple: int, pack: int | None, suspicion: str
) -> None:
    kept = flagged(candidates(*usual(30), price("odd", own, unit, sold_in_multiples_of=multiple)))
    assert kept.select("pack_size", "suspicion").rows() == [(pack, suspicion)]


def confirmed(**changes: Any) -> pl.DataFrame:
    row = {"vendor_code": "odd", "part_code": "brick", "colour_code": "red", "condition": "new", "listing_code": "",
           "unit_price": Decimal("1"), "valid_from_on": DAY, "reason": ""}  # fmt: skip
    return pl.DataFrame([{**row, **changes}], schema=polars_schema(CONFIRMED_PRICES), orient="row")


@pytest.mark.parametrize(
    ("changes", "since"),
    [
        ({}, DAY),
        ({"unit_price": Decimal("0.80")}, DAY),
        ({"unit_price": Decimal("0.70")}, None),
        ({"colour_code": "blue"}, None),
        ({"listing_code": "lot-2"}, None),
        ({"valid_from_on": date(1900, 1, 1)}, date(1900, 1, 1)),
    ],
)
def test_a_confirmation_is_about_an_offer_near_a_price(changes: dict[str, Any], since: date | None) -> None:
    found = frame(price("odd", 0.10, "1.00"), price("else", 0.10, "1.00"))
    cleared = suspects.cleared(found, confirmed(**changes))
    assert dict(cleared.select("vendor_code", "cleared_from_on").iter_rows()) == {"odd": since, "else": None}


def test_no_prices_give_no_suspects() -> None:
    found = candidates()
    assert found.height == 0 and flagged(found).height == 0


def period(step: int, day: int, unit: float, other: int = 0) -> tuple[Any, ...]:
    return 1000 * step + day, step, other, DAY + timedelta(days=day), unit


def new_prices(*rows: tuple[Any, ...], since: int = 0) -> list[tuple[Any, ...]]:
    names = {
        "price_number": pl.Int64, "step_hash": pl.UInt64, "other_hash": pl.UInt64, "valid_from_on": pl.Date,
        "unit_price": pl.Float64,
    }  # fmt: skip
    found = suspects.new_prices(pl.DataFrame(list(rows), names, orient="row"), DAY + timedelta(days=since))
    return sorted(found.select("price_number", "own_price").rows())


def test_a_new_price_is_compared_with_the_last_five_before_it() -> None:
    prices = (0.1, 0.3, 0.3, 0.2, 0.5, 0.4, 0.9, 0.6)
    rows = [period(1, day, unit) for day, unit in enumerate(prices)]
    expected = [
        (1000, None), (1001, 0.1), (1003, pytest.approx(0.2)), (1004, 0.2), (1005, 0.25), (1006, 0.3), (1007, 0.4),
    ]  # fmt: skip
    assert new_prices(*rows) == expected, "another stock at the same price is no new price"
    assert new_prices(*reversed(rows), period(2, 3, 7.0)) == [*expected, (2003, None)], "in any order"
    assert new_prices(*rows, since=5) == expected[4:], "earlier ones count still"
    assert new_prices(*rows, since=9) == new_prices() == []


def test_steps_that_share_a_hash_are_two() -> None:
    mixed = [period(1, 0, 1.0, 7), period(1, 1, 5.0, 8), period(1, 2, 1.5, 7), period(1, 3, 5.0, 8)]
    assert new_prices(*mixed) == [(1000, None), (1001, None), (1002, 1.0)]
