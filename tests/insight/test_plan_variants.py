"""What the cheapest mix would cost without a vendor, in fewer parcels, with other shipping; and who else sells its parts."""

from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.insight.what_if.plan_variants import plan_variants
from pipelines.planning.scenarios import plan_model
from schemas.published.plans import SECOND_SOURCE
from schemas.published.what_if import PLAN_VARIANT
from schemas.validate import polars_schema
from tests.builders.markets import (
    BUYER,
    DAY,
    flexibility,
    line,
    make_inputs,
    make_market,
    make_model,
    make_summaries,
    offer,
    terms,
    vendor,
)  # fmt: skip

TERMS = [terms("a", shipping_charge="5"), terms("b", shipping_charge="3"), terms("c", shipping_charge="2")]
FREE = [terms(code) for code in "abc"]
MODEL = make_model([line(1, "brick", "red", 10), line(2, "plate", "grey", 10)])
# Both from a: 1 + 2 + 5 = 8. Without a: bricks from b, 3 + 3, plates from c, 4 + 2 = 12.
MARKET = make_market(
    offer("a", "brick", "red", "0.10"), offer("b", "brick", "red", "0.30"),
    offer("a", "plate", "grey", "0.20"), offer("c", "plate", "grey", "0.40"),
)  # fmt: skip


def variants(model: Any = MODEL, market: Any = MARKET, vendor_terms: Any = TERMS, **tables: Any) -> Any:
    inputs = make_inputs((model,), (BUYER,), vendor_terms=vendor_terms, **tables)
    plans = plan_model(inputs, model, DAY, BUYER, market, market, make_summaries(), "standard").tables
    found = plan_variants(inputs, market, plans, DAY)
    for contract in (PLAN_VARIANT, SECOND_SOURCE):
        assert found[contract.name].schema == polars_schema(contract)
        assert set(found[contract.name]["scenario_code"]) <= {"cheapest"}
    return found


def of(found: Any, kind: Any) -> Any:
    rows = found["plan_variant"].filter(pl.col("variant_kind") == kind)
    named = ("variant_value", "landed_cost", "unfilled_piece_count", "variant_vendor_codes")
    return {value: rest for value, *rest in rows.select(named).iter_rows()}


def test_leaving_the_vendor_out_costs_what_the_others_charge() -> None:
    found = variants()
    assert of(found, "without_vendor") == {"a": [Decimal(12), 0, "b;c"]}
    assert of(found, "at_most_vendors") == {}


def test_fewer_parcels_may_lack_pieces() -> None:
    market = make_market(offer("a", "brick", "red", "0.10"), offer("c", "plate", "grey", "0.40"))
    found = variants(market=market)
    assert of(found, "at_most_vendors") == {"1": [Decimal(6), 10, "a"]} or of(found, "at_most_vendors") == {
        "1": [Decimal(6), 10, "c"]
    }
    assert of(found, "without_vendor") == {"a": [Decimal(6), 10, "c"], "c": [Decimal(6), 10, "a"]}


def test_fewer_parcels_cost_more() -> None:
    market = make_market(
        offer("a", "brick", "red", "0.10"), offer("a", "plate", "grey", "2"), offer("c", "plate", "grey", "0.40")
    )
    # a and c: 1 + 5 + 4 + 2 = 12; a alone: 1 + 20 + 5 = 26.
    assert of(variants(market=market), "at_most_vendors") == {"1": [Decimal(26), 0, "a"]}


def test_other_shipping_charges_change_the_vendors() -> None:
    """With dear parcels the two small orders become one."""
    market = make_market(
        offer("a", "brick", "red", "0.10"), offer("b", "brick", "red", "0.95"), offer("b", "plate", "grey", "0.20")
    )
    # a and b: 1 + 2 + two parcels; b alone: 9.50 + 2 + one parcel: dearer by 8.50 less a parcel.
    assert of(variants(market=market), "flat_shipping") == {
        "4": [Decimal(11), 0, "a;b"],
        "8": [Decimal(19), 0, "a;b"],
        "12": [Decimal("23.50"), 0, "b"],
    }


def test_vendors_without_a_flat_charge_keep_shipping_free() -> None:
    found = variants(vendor_terms=FREE)
    assert {cost for cost, *_ in of(found, "flat_shipping").values()} == {Decimal(3)}


def test_second_sources() -> None:
    rows = variants()["second_source"].drop("priced_on", "model_code", "scenario_code", "buyer_code").rows(named=True)
    assert [list(row.values()) for row in rows] == [
        [1, 1, 10, "a", Decimal("0.1"), 2, 1, "b", Decimal("0.3"), False],
        [2, 1, 10, "a", Decimal("0.2"), 2, 1, "c", Decimal("0.4"), False],
    ]


def test_a_more_robust_plan_leaves_no_line_to_a_single_vendor() -> None:
    """Both others must come in: 9 bricks from a and 1 from b (0.30), plates likewise from c: 0.90 + 1.80 + 0.30 + 0.40 + 10."""
    assert of(variants(), "sources_in_plan") == {"2": [Decimal("13.4"), 0, "a;b;c"]}


def test_the_cheapest_vendors_make_a_plan_robust() -> None:
    """d sells both for one parcel of 4; b and c would be two parcels of 5. The wheel has one source, which is no matter."""
    market = make_market(
        offer("a", "brick", "red", "0.10"), offer("b", "brick", "red", "0.30"), offer("d", "brick", "red", "0.90"),
        offer("a", "plate", "grey", "0.20"), offer("c", "plate", "grey", "0.40"), offer("d", "plate", "grey", "0.90"),
        offer("a", "wheel", "red", "1"),
    )  # fmt: skip
    model = make_model([line(1, "brick", "red", 10), line(2, "plate", "grey", 10), line(3, "wheel", "red", 1)])
    charges = {"a": "5", "b": "3", "c": "2", "d": "4"}
    shipping = [terms(code, shipping_charge=charge) for code, charge in charges.items()]
    found = variants(model, market, shipping, vendors=[vendor(code) for code in charges])
    ((cost, missing, vendors),) = of(found, "sources_in_plan").values()
    assert (missing, vendors) == (0, "a;d")
    assert cost == Decimal("0.10") * 10 + Decimal("0.20") * 9 + Decimal("0.90") + 1 + 9  # the plate gives least away
    in_plan = dict(found["second_source"].select("line_number", "source_in_plan_count").iter_rows())
    assert in_plan == {1: 1, 2: 1, 3: 1}


def test_a_plan_that_is_robust_already_has_no_more_robust_one() -> None:
    market = make_market(
        offer("a", "brick", "red", "0.10"), offer("b", "brick", "red", "0.30"), offer("b", "plate", "grey", "0.01"),
        offer("a", "plate", "grey", "9"),
    )  # fmt: skip
    found = variants(market=market, vendor_terms=FREE)
    assert set(found["second_source"]["source_in_plan_count"]) == {2}
    assert of(found, "sources_in_plan") == {}


def test_sources_are_compared_with_the_tax_that_comes_on_top() -> None:
    """b shows 0.21 and adds 20 %, c shows 0.24 with its tax in it: c is the cheaper one, and a piece of a costs 0.12."""
    taxed = [
        terms("a", tax_rate_pct="20"),
        terms("b", tax_rate_pct="20", tax_on="goods_and_shipping"),
        terms("c", tax_rate_pct="20", tax_on="included"),
    ]
    market = make_market(
        *(offer(code, "brick", "red", price) for code, price in (("a", "0.10"), ("b", "0.21"), ("c", "0.24")))
    )
    (row,) = variants(make_model([line(1, "brick", "red", 10)]), market, taxed)["second_source"].rows(named=True)
    assert (row["source_vendor_codes"], row["paid_unit_price"]) == ("a", Decimal("0.12"))
    assert (row["second_vendor_code"], row["second_unit_price"]) == ("c", Decimal("0.24"))


def test_a_source_must_have_all_the_pieces_and_a_flexibility_widens_the_choice() -> None:
    model = make_model([line(1, "brick", "red", 10)], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.10"), offer("b", "brick", "red", "0.11", 9), offer("b", "brick", "blue", "0.30"),
        offer("c", "plate", "grey", "0.01"),
    )  # fmt: skip
    (row,) = variants(model, market, FREE)["second_source"].rows(named=True)
    assert (row["source_count"], row["second_vendor_code"], row["second_unit_price"]) == (2, "b", Decimal("0.3"))
    alone = make_market(offer("a", "brick", "red", "0.10"), offer("b", "brick", "red", "0.11", 9))
    (row,) = variants(model, alone, FREE)["second_source"].rows(named=True)
    assert (row["source_count"], row["second_vendor_code"], row["second_unit_price"]) == (1, "", None)


def test_a_plan_that_buys_nothing_has_no_variants() -> None:
    found = variants(market=make_market(offer("c", "wheel", "black", "1")))
    assert found["plan_variant"].height == found["second_source"].height == 0


def test_variants_of_a_plan_with_several_orders_at_a_vendor() -> None:
    """Twenty pieces from a in two orders: 1 + 2 + 2 x 5 = 13. Without a: 12, so the plan is that one; at 1 of shipping a's is 5."""
    limits = {"maximum_piece_count": "10", "maximum_order_count": "2"}
    cheap = [
        terms("a", shipping_charge="1", **limits),
        terms("b", shipping_charge="3"),
        terms("c", shipping_charge="2"),
    ]
    found = variants(vendor_terms=cheap)
    variant = found["plan_variant"]
    without = variant.filter(pl.col("variant_kind") == "without_vendor").select("variant_value", "landed_cost").rows()
    assert without == [("a", 12)]
    fewer = variant.filter(pl.col("variant_kind") == "at_most_vendors")
    assert fewer["variant_value"].to_list() == ["1"]
    assert fewer["unfilled_piece_count"].to_list() == [10]
    dear = variant.filter((pl.col("variant_kind") == "flat_shipping") & (pl.col("variant_value") == "4"))
    assert dear.select("vendor_count", "variant_vendor_codes").rows() == [(2, "a")]
    sources = found["second_source"].select("source_vendor_codes", "source_in_plan_count", "second_vendor_code")
    assert sources.rows() == [("a", 1, "b"), ("a", 1, "c")]
