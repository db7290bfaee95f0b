"""Availability: what is planted in small markets is what the tables say."""

from datetime import date
from typing import Any

import polars as pl
import pytest

from pipelines.costing.goods_factors import goods_factors
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.trends.outlook.availability import availability
from schemas.inputs.catalogue import ELEMENT_STATUS
from schemas.inputs.price_files import PRICE_SUMMARY
from tests.builders.trend_markets import ABROAD, HOME, inputs, market, model, month_ends, offer, table

DAYS = month_ends(date(2025, 1, 1), 13)
NOW = DAYS[-1]
NO_SUMMARIES = table(PRICE_SUMMARY, []).with_columns(observed_on=pl.lit(None, pl.Date()))


def night(*models: Model, statuses: Any = (), **given: Any) -> WorkspaceInputs:
    made = inputs(**given)
    tables = made.tables | {"element_status": table(ELEMENT_STATUS, list(statuses))}
    return WorkspaceInputs(made.settings, tables, models, made.input_files)


def looked_up(
    night_inputs: WorkspaceInputs,
    markets: dict[date, pl.DataFrame],
    last_seen: pl.DataFrame | None = None,
    summaries: pl.DataFrame = NO_SUMMARIES,
) -> tuple[dict[tuple[str, str], dict[str, Any]], dict[tuple[str, str], dict[str, Any]]]:
    found = availability(
        night_inputs,
        markets,
        last_seen if last_seen is not None else markets[max(markets)],
        summaries,
        goods_factors(night_inputs, markets),
    )
    rows = {(r["buyer_code"], r["part_code"]): r for r in found.elements.to_dicts()}
    months = {(r["buyer_code"], r["month"]): r for r in found.models.to_dicts()}
    return rows, months


def test_pieces_vendors_and_copies_of_a_plain_market() -> None:
    tower = model(("a", "red", 10), ("b", "red", 4), ("c", "red", 6))
    on_offer = market(
        offer("a", 1, 25), offer("a", 2, 10, "v2"), offer("b", 1, 3), offer("a", 1, 900, "v3", condition="used")
    )
    rows, months = looked_up(night(tower), {NOW: on_offer})
    a, b, c = (rows["home", part] for part in "abc")
    assert (a["buyable_piece_count"], a["market_vendor_count"], a["fillable_share"], a["copies_on_offer"]) == (
        35,
        2,
        1.0,
        3,
    )
    assert (b["buyable_piece_count"], b["fillable_share"], b["copies_on_offer"]) == (3, 0.75, 0)
    assert (c["buyable_piece_count"], c["market_vendor_count"], c["last_seen_on"], c["days_since_seen"]) == (
        0,
        0,
        None,
        None,
    )
    assert [rows["home", part]["weakness_rank"] for part in "cba"] == [1, 2, 3]
    month = months["home", "2026-01"]
    assert month["buildable_copy_count"] == 0 and month["needed_piece_count"] == 20
    assert month["available_element_count"] == 1 and month["single_vendor_element_count"] == 1
    assert month["fillable_share"] == pytest.approx((10 + 3 + 0) / 20)


def test_copies_are_whole_models_even_when_several_are_bought() -> None:
    pair = model(("a", "red", 10), copy_count=2)
    rows, months = looked_up(night(pair), {NOW: market(offer("a", 1, 35))})
    assert rows["home", "a"]["needed_piece_count"] == 20 and rows["home", "a"]["copies_on_offer"] == 3
    assert months["home", "2026-01"]["buildable_copy_count"] == 3


def test_limits_per_order_regions_and_open_forms_count_as_a_buyer_would_meet_them() -> None:
    tower = model(("a", "red", 10))
    on_offer = market(
        offer("a", 1, 500, maximum_per_order=4),
        offer("a", 1, 500, "v2"),
        offer("a", 1, 500, "v3", form_certainty="open"),
    )
    served = [
        {"vendor_code": "v1", "buyer_region_code": "north"},
        {"vendor_code": "v2", "buyer_region_code": "south"},
        "v3",
    ]
    rows, _ = looked_up(
        night(tower, terms=served, buyers=(HOME, ABROAD), rates=[(NOW, "EUR", "USD", "1.1")]), {NOW: on_offer}
    )
    assert rows["home", "a"]["buyable_piece_count"] == 4 and rows["abroad", "a"]["buyable_piece_count"] == 500
    assert rows["home", "a"]["last_seen_on"] == NOW


def test_a_status_holds_from_its_date_and_unknown_is_said() -> None:
    tower = model(("a", "red", 1), ("b", "red", 1))
    statuses = [
        {"part_code": "a", "colour_code": "red", "element_status": "current"},
        {"part_code": "a", "colour_code": "red", "element_status": "retired", "valid_from_on": "2025-06-01"},
        {"part_code": "a", "colour_code": "red", "element_status": "never_made", "valid_from_on": "2030-01-01"},
    ]
    rows, _ = looked_up(night(tower, statuses=statuses), {NOW: market(offer("a", 1), offer("b", 1))})
    assert rows["home", "a"]["element_status"] == "retired" and rows["home", "b"]["element_status"] == "unknown"


def test_days_since_last_seen_and_summaries_stand_beside() -> None:
    tower = model(("a", "red", 5))
    seen = market(offer("a", 1, day=date(2025, 12, 1)), offer("a", 1, vendor="v2", day=date(2025, 12, 20)))
    summaries = table(
        PRICE_SUMMARY,
        [
            {"source_code": s, "part_code": "a", "colour_code": "red", "condition": "new", "observed_on": on,
             "currency_code": "EUR", "average_price": "1", "quantity_available": n}
            for s, on, n in (("old", "2025-11-30", 900), ("one", "2025-12-31", 40), ("two", "2025-12-31", 70))
        ],
    )  # fmt: skip
    rows, _ = looked_up(night(tower), {NOW: market(offer("b", 1))}, seen, summaries)
    a = rows["home", "a"]
    assert a["last_seen_on"] == date(2025, 12, 20) and a["days_since_seen"] == (NOW - date(2025, 12, 20)).days
    assert a["summary_on"] == date(2025, 12, 31) and a["summary_piece_count"] == 70
    assert a["buyable_piece_count"] == 0, "nobody can buy from a summary"


def stocks(**paths: Any) -> dict[date, pl.DataFrame]:
    """Markets in which the pieces of each part follow a path over the last 13 month ends."""
    return {
        day: market(*(offer(part, 1, path(n), day=day) for part, path in paths.items() if path(n) > 0))
        for n, day in enumerate(DAYS)
    }


def test_an_element_that_sells_out_is_seen_coming_and_one_that_wavers_is_not() -> None:
    """A stock that falls by a fifth a month from 1,000: 69 left after a year, 20 needed, so about 5.5 months to go."""
    markets = stocks(
        falling=lambda n: round(1000 * 0.8**n),
        steady=lambda n: 70 + (-1) ** n * 20,
        plenty=lambda n: round(900_000 * 0.8**n),
        growing=lambda n: 30 + 5 * n,
    )
    tower = model(*((part, "red", 20) for part in ("falling", "steady", "plenty", "growing")))
    rows, _ = looked_up(night(tower), markets)
    falling = rows["home", "falling"]
    assert falling["is_running_out"]
    assert falling["piece_trend_pct"] == pytest.approx(-20, abs=0.5)
    assert falling["months_left"] == pytest.approx(5.5, abs=0.3)
    assert falling["months_left_low"] <= falling["months_left"] <= falling["months_left_high"]
    others = {part: rows["home", part] for part in ("steady", "plenty", "growing")}
    assert not any(row["is_running_out"] for row in others.values())
    assert others["plenty"]["months_left"] > 6 and others["growing"]["months_left"] is None


def test_a_short_history_has_no_trend_and_an_element_that_is_gone_is_not_running_out() -> None:
    markets = stocks(a=lambda n: max(0, 120 - 10 * n), b=lambda n: 100)
    rows, _ = looked_up(night(model(("a", "red", 5), ("b", "red", 5))), markets)
    assert rows["home", "a"]["buyable_piece_count"] == 0 and not rows["home", "a"]["is_running_out"]
    short = {day: markets[day] for day in DAYS[-5:]}
    rows, _ = looked_up(night(model(("b", "red", 5))), short)
    assert rows["home", "b"]["piece_trend_pct"] is None and not rows["home", "b"]["is_running_out"]


def test_no_market_and_no_model_give_empty_tables() -> None:
    assert availability(
        night(), {NOW: market(offer("a", 1))}, market(), NO_SUMMARIES, goods_factors(night(), [NOW])
    ).elements.is_empty()
    assert availability(
        night(model(("a", "red", 1))), {}, market(), NO_SUMMARIES, goods_factors(night(), ())
    ).models.is_empty()


def test_a_month_before_the_history_begins_is_unknown_and_not_sold_out() -> None:
    """Ten months without any offer, then three with plenty: no rise from nothing, no months of nothing."""
    markets = {day: market(*([offer("a", 1, 100, day=day)] if n >= 10 else [])) for n, day in enumerate(DAYS)}
    rows, months = looked_up(night(model(("a", "red", 5))), markets)
    assert [month for _, month in months] == ["2025-11", "2025-12", "2026-01"]
    assert rows["home", "a"]["piece_trend_pct"] is None
