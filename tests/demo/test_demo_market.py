"""The invented market has the properties its constants plan, and the planned size and variety."""

import math
from typing import Any

import numpy as np
import polars as pl
import pytest

from demo_inputs import market as truth
from demo_inputs import mishaps
from demo_inputs.catalogue import NOWHERE, OPEN_FORMS, USED_ONLY
from demo_inputs.make_exports import SEED
from demo_inputs.vendor_list import MAKER, VENDORS

KEY = ["vendor_code", "part_code", "colour_code", "condition", "listing", "step"]
LAST = truth.MONTH_COUNT


@pytest.fixture(scope="module")
def market() -> Any:
    return truth.build(SEED)


@pytest.fixture(scope="module")
def months(market: Any) -> Any:
    return [market.month(index) for index in range(LAST)] + [market.night(truth.NIGHT_COUNT)]


def mean_log_change(before: pl.DataFrame, after: pl.DataFrame, condition: pl.Expr) -> float:
    """Of the same offers at two times, from prices as they are shown."""
    both = before.filter(condition).join(after.select(*KEY, pl.col("price_e4").alias("later")), on=KEY)
    assert both.height > 200
    return float(np.log(both["later"].to_numpy() / both["price_e4"].to_numpy()).mean())


FRAMES = pl.col("family") == truth.SHOCK_FAMILY


def test_prices_drift_by_the_planted_rate(months: Any) -> None:
    for start in (0, 12):
        change = mean_log_change(months[start], months[start + 12], ~FRAMES)
        assert change == pytest.approx(truth.DRIFT_PER_YEAR, abs=0.004)


def test_december_is_dear_and_june_cheap(months: Any) -> None:
    by_month = {f"{end:%Y-%m}": rows for end, rows in zip(truth.MONTH_ENDS, months, strict=True)}
    half_a_year = mean_log_change(by_month["2025-12"], by_month["2026-06"], ~FRAMES)
    assert half_a_year == pytest.approx(truth.DRIFT_PER_YEAR / 2 - 2 * truth.SEASON_AMPLITUDE, abs=0.004)
    other_half = mean_log_change(by_month["2025-06"], by_month["2025-12"], ~FRAMES)
    assert other_half == pytest.approx(truth.DRIFT_PER_YEAR / 2 + 2 * truth.SEASON_AMPLITUDE, abs=0.004)


def test_the_shock_is_in_one_month_and_one_family(months: Any) -> None:
    at = next(n for n, end in enumerate(truth.MONTH_ENDS) if f"{end:%Y-%m}" == truth.SHOCK_MONTH)
    usual = truth.trend(truth.MONTH_ENDS[at], "bricks") - truth.trend(truth.MONTH_ENDS[at - 1], "bricks")
    after = truth.trend(truth.MONTH_ENDS[at + 1], "bricks") - truth.trend(truth.MONTH_ENDS[at], "bricks")
    assert mean_log_change(months[at - 1], months[at], FRAMES) == pytest.approx(usual + truth.SHOCK_LOG, abs=0.006)
    assert mean_log_change(months[at], months[at + 1], FRAMES) == pytest.approx(after - truth.SHOCK_LOG, abs=0.006)
    assert mean_log_change(months[at - 1], months[at], ~FRAMES) == pytest.approx(usual, abs=0.004)


def test_every_month_follows_the_trend(months: Any) -> None:
    for m in range(1, LAST + 1):
        expected = truth.trend(truth.MONTH_ENDS[m], "bricks") - truth.trend(truth.MONTH_ENDS[m - 1], "bricks")
        assert mean_log_change(months[m - 1], months[m], ~FRAMES) == pytest.approx(expected, abs=0.004)


def test_between_nights_about_one_offer_in_twenty_changes(market: Any) -> None:
    columns = ["price_e4", "quantity"]
    shares = []
    for number in range(2, truth.NIGHT_COUNT + 1):
        before, after = market.night(number - 1), market.night(number)
        same = after.join(before, on=[*KEY, *columns], how="semi").height
        shares.append(1 - same / after.height)
    assert 0.035 <= sum(shares) / len(shares) <= 0.065
    assert max(shares) < 0.09


def test_vendors_lists_have_the_sizes_that_the_readme_states(months: Any) -> None:
    sizes = dict(months[LAST]["vendor_code"].value_counts().iter_rows())
    assert all(100 <= size <= 800 for size in sizes.values()), sizes
    assert 250 <= sum(sizes.values()) / len(sizes) <= 400
    closed = {vendor.code for vendor in VENDORS if vendor.closes}
    assert set(sizes) == {vendor.code for vendor in VENDORS} - closed


def test_vendors_come_and_go_and_miss_a_month(months: Any) -> None:
    seen = {f"{end:%Y-%m}": set(rows["vendor_code"]) for end, rows in zip(truth.MONTH_ENDS, months, strict=True)}
    for vendor in VENDORS:
        for month, listed in seen.items():
            is_open = (not vendor.opens or vendor.opens <= month) and (not vendor.closes or month <= vendor.closes)
            assert (vendor.code in listed) == (is_open and (vendor.code, month) not in truth.MISSED)
    assert sum(bool(vendor.opens) for vendor in VENDORS) >= 3 and sum(bool(vendor.closes) for vendor in VENDORS) >= 3


def test_models_can_be_bought_but_for_the_planned_lines(months: Any) -> None:
    stock = (
        months[LAST]
        .filter((pl.col("condition") == "new") & (pl.col("step") == 1) & (pl.col("vendor_code") != MAKER))
        .group_by("part_code", "colour_code")
        .agg(pl.col("quantity").sum(), pl.len().alias("vendors"))
    )
    have = {(part, colour): quantity for part, colour, quantity, _ in stock.iter_rows()}
    forms = {code: [form for form, *_ in resolved] for code, _, _, resolved in OPEN_FORMS}
    short = {
        key
        for key, quantity in truth.needed_pieces().items()
        if sum(have.get((part, key[1]), 0) for part in [key[0], *forms.get(key[0], [])]) < quantity
    }
    assert short == {NOWHERE, *USED_ONLY}


def test_the_planned_gaps_are_there_on_every_date(months: Any) -> None:
    for rows in months:
        special = rows.filter(
            pl.struct("part_code", "colour_code").is_in(
                [{"part_code": part, "colour_code": colour} for part, colour in (NOWHERE, *USED_ONLY)]
            )
        )
        assert set(special["condition"]) == {"used"}
        assert special.filter((pl.col("part_code") == NOWHERE[0]) & (pl.col("colour_code") == NOWHERE[1])).height == 0


def test_droughts_leave_elements_of_models_without_a_seller_for_a_while(months: Any) -> None:
    for part, colour, first, last in truth.DROUGHTS:
        assert (part, colour) in truth.needed_pieces()
        element = (pl.col("part_code") == part) & (pl.col("colour_code") == colour)
        without = {
            f"{end:%Y-%m}"
            for end, rows in zip(truth.MONTH_ENDS, months, strict=True)
            if not rows.filter(element).height
        }
        assert without == {f"{end:%Y-%m}" for end in truth.MONTH_ENDS if first <= f"{end:%Y-%m}" <= last}


def test_offers_have_every_peculiarity(months: Any) -> None:
    rows = months[LAST]
    assert rows.filter(pl.col("step") > 1)["vendor_code"].n_unique() >= 3
    assert set(rows["multiple"]) == {1, 5, 10}
    assert rows.filter("is_open").height >= 10
    assert rows.filter(pl.col("listing") != "").height >= 30
    assert 0.04 < rows.filter(pl.col("condition") == "used").height / rows.height < 0.15
    maker = rows.filter(pl.col("vendor_code") == MAKER)
    assert set(maker["assortment"]) == {"stockroom", "workshop"}
    assert rows["quantity"].max() > 1000


def test_stock_and_steps_can_be_sold(months: Any) -> None:
    for rows in months:
        assert rows.filter((pl.col("quantity") < pl.col("multiple")) | (pl.col("price_e4") <= 0)).height == 0
        assert rows.filter(pl.col("step") > pl.col("quantity")).height == 0
        assert rows.select(pl.struct(KEY).is_unique().all()).item()
        cheaper = rows.sort(*KEY).filter(pl.col("price_e4") > pl.col("price_e4").shift().over(KEY[:-1]))
        assert cheaper.height == 0, "a larger step never costs more"


def test_rare_colours_are_dearer_than_common_ones(months: Any) -> None:
    rows = months[LAST].filter((pl.col("condition") == "new") & (pl.col("currency") == "EUR") & (pl.col("step") == 1))
    common, rare = (
        rows.filter(pl.col("colour_code").is_in(codes))
        for codes in (["SOO", "PEB", "ANV"], ["VDG", "LCH", "THN", "LAG"])
    )
    usual = [frame.group_by("part_code").agg(pl.col("price_e4").log().mean().alias("log")) for frame in (common, rare)]
    both = usual[0].join(usual[1], on="part_code")
    assert both.height > 25
    assert math.exp((both["log_right"] - both["log"]).mean()) > 1.6


def test_prices_of_one_element_are_spread_like_a_lognormal(months: Any) -> None:
    """The spread around each element's mean log price is the vendors' levels and the offers' own, no more and no less."""
    rows = months[LAST].filter((pl.col("condition") == "new") & (pl.col("currency") == "EUR") & (pl.col("step") == 1))
    logs = rows.filter(pl.len().over("part_code", "colour_code") >= 5).with_columns(
        pl.col("price_e4").log().alias("log")
    )
    spread = logs.select((pl.col("log") - pl.col("log").mean().over("part_code", "colour_code")).std()).item()
    levels = np.std([vendor.level for vendor in VENDORS if vendor.currency == "EUR"])
    assert spread == pytest.approx(math.hypot(truth.OFFER_SPREAD, levels, truth.WOBBLE), rel=0.2)


def test_mishaps_change_what_they_name_and_nothing_else(market: Any) -> None:
    day = mishaps.SLIPS[0][1]
    rows = market.night(truth.NIGHT_COUNT)
    slipped = mishaps.slipped(rows, day)
    changed = slipped.filter(slipped["price_e4"] != rows["price_e4"])
    wrong = (*mishaps.SLIPS, *mishaps.PACKS)
    assert sorted(changed["vendor_code"].unique()) == sorted(vendor for vendor, on, _ in wrong if on == day)
    assert changed.select(pl.struct("vendor_code", "part_code", "colour_code").n_unique()).item() == 4
    for vendor, on, power in mishaps.PACKS:
        row = rows.join(changed, on=[*KEY, "multiple"], suffix="_wrong").filter(pl.col("vendor_code") == vendor)
        assert on == day and row.height == 1 and row["multiple"].item() > 1
        ratio = row["price_e4_wrong"].item() / row["price_e4"].item()
        assert ratio == pytest.approx(row["multiple"].item() ** power, rel=0.08), "but for the vendor's decimals"
    vendor, on, factor = mishaps.CORRECTION
    month = market.month(truth.MONTH_ENDS.index(on))
    mistaken = mishaps.with_the_mistake(month)
    wrongly = mistaken.filter(mistaken["price_e4"] != month["price_e4"])
    assert set(wrongly["vendor_code"]) == {vendor} and wrongly.height == mishaps.to_be_corrected(month).height == 12
    taken = mishaps.shortened(rows.with_columns(observed_on=pl.lit(mishaps.STOCKTAKING[1])), mishaps.STOCKTAKING[1])
    lost = rows["vendor_code"].value_counts().join(taken["vendor_code"].value_counts(), on="vendor_code")
    lost = lost.filter(pl.col("count") != pl.col("count_right"))
    assert set(lost["vendor_code"]) == {mishaps.STOCKTAKING[0]}
    assert (lost["count_right"] / lost["count"]).item() < 0.5
