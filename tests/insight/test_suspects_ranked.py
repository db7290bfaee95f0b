"""What suspicious prices could cost, and what plans that trust them cost."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

import polars as pl
import pytest

from pipelines.insight.what_if.suspect_prices import ranked_suspects
from pipelines.planning.scenarios import plan_model
from schemas.published.price_history import SUSPECT_PRICE
from schemas.published.what_if import PLAN_VARIANT
from schemas.validate import polars_schema
from tests.builders.markets import BUYER, DAY, line, make_inputs, make_market, make_model, make_summaries, offer, terms

TERMS = [terms("a", shipping_charge="5"), terms("b", shipping_charge="5"), terms("c", shipping_charge="5")]
MODEL = make_model([line(1, "brick", "red", 10), line(2, "plate", "grey", 10)])


def suspect(of: dict[str, Any], own: str = "0.30", **changes: Any) -> Any:
    row = dict.fromkeys(SUSPECT_PRICE.columns) | {name: of[name] for name in SUSPECT_PRICE.columns if name in of}
    row |= {
        "price_from_on": of["valid_from_on"],
        "own_price": Decimal(own),
        "rival_vendor_count": 0,
        "suspicion": "stands_out",
    }
    row["own_ratio"] = float(of["unit_price"]) / float(own)
    weight = ("servable_piece_count", "cost_influence", "influence_rank")
    return {name: value for name, value in (row | changes).items() if name not in weight}


def ranked_with(*offers: Any, doubted: Sequence[Any] = (), model: Any = MODEL) -> Any:
    market = make_market(*offers)
    inputs = make_inputs((model,), (BUYER,), vendor_terms=TERMS)
    plans = plan_model(inputs, model, DAY, BUYER, market, market, make_summaries(), "standard").tables
    schema = {
        k: v
        for k, v in polars_schema(SUSPECT_PRICE).items()
        if k not in ("servable_piece_count", "cost_influence", "influence_rank")
    }
    rows = [suspect(make_market(row).row(0, named=True), own) for row, own in doubted]
    return ranked_suspects(inputs, market, plans, pl.DataFrame(rows, schema=schema, orient="row"), DAY)


USUAL = (offer("a", "brick", "red", "0.30"), offer("a", "plate", "grey", "0.30"), offer("b", "brick", "red", "0.32"))


def test_a_price_far_too_low_would_change_the_plan() -> None:
    cheap = offer("c", "brick", "red", "0.03", is_suspect=True)
    dear = offer("b", "plate", "grey", "3", is_suspect=True)
    lone = make_model([line(1, "brick", "red", 100)])
    ranked, variants = ranked_with(*USUAL, cheap, dear, doubted=((cheap, "0.30"), (dear, "0.30")), model=lone)
    assert ranked.sort("influence_rank").select("vendor_code", "servable_piece_count", "cost_influence").rows() == [
        ("c", 100, Decimal("27")), ("b", 0, Decimal("0")),
    ]  # fmt: skip
    # 100 bricks from a cost 30 + 5; from c 3 + 5.
    assert variants.select("variant_kind", "landed_cost", "variant_vendor_codes").rows() == [
        ("suspects_trusted", Decimal(8), "c")
    ]


def test_a_price_far_too_high_changes_nothing() -> None:
    dear = offer("c", "brick", "red", "3", is_suspect=True)
    ranked, variants = ranked_with(*USUAL, dear, doubted=((dear, "0.30"),))
    assert ranked.select("servable_piece_count", "cost_influence", "influence_rank").rows() == [(10, Decimal("27"), 1)]
    assert variants.select("landed_cost", "variant_vendor_codes").rows() == [(Decimal(11), "a")]


def test_it_may_be_the_only_one_there_is() -> None:
    dear = offer("a", "plate", "grey", "3", is_suspect=True)
    ranked, variants = ranked_with(offer("a", "brick", "red", "0.30"), dear, doubted=((dear, "0.30"),))
    assert ranked["influence_rank"].to_list() == [1]
    assert variants.select("landed_cost", "unfilled_piece_count").rows() == [(Decimal(38), 0)]


def test_what_no_model_wants_has_no_variant_and_what_is_gone_no_rank() -> None:
    other = offer("c", "tile", "red", "3", is_suspect=True)
    gone = offer("c", "brick", "red", "3")
    ranked, variants = ranked_with(*USUAL, other, doubted=((other, "0.30"), (gone, "0.30")))
    assert dict(ranked.select("part_code", "influence_rank").iter_rows()) == {"tile": 1, "brick": None}
    assert variants.height == 0 and variants.schema == polars_schema(PLAN_VARIANT)


@pytest.mark.parametrize("offers", [(), USUAL])
def test_without_suspects_there_is_nothing_to_rank(offers: Any) -> None:
    ranked, variants = ranked_with(*offers)
    assert ranked.height == variants.height == 0 and ranked.schema == polars_schema(SUSPECT_PRICE)
