"""Problems in which vendors take several orders, as the planner gets them."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
from hypothesis import strategies as st

from pipelines.costing.several_orders import orders_of, vendor_of
from pipelines.planner.statement.problem import STEP_SCHEMA, USE_SCHEMA, WHOLE_OFFER_SCHEMA, Problem
from pipelines.planning.candidates import OFFER_KEY, steps_under_terms
from tests.oracle.random_problems import problems


@st.composite
def problems_with_orders(draw: st.DrawFn, rules: bool = True) -> Problem:
    """A tiny problem whose vendors take up to three orders; often so little goes into one that it takes several."""
    problem = draw(problems(rules))
    terms = {
        code: replace(
            each,
            maximum_order_count=draw(st.integers(1, 3)),
            maximum_piece_count=draw(st.sampled_from([each.maximum_piece_count, 2, 3])),
            maximum_element_count=draw(st.sampled_from([each.maximum_element_count, each.maximum_element_count, 1])),
        )
        for code, each in problem.terms.items()
    }
    return replace(problem, terms=terms)


def with_further_orders(problem: Problem) -> Problem:
    """The problem with the offers of vendors' further orders, as candidates have them."""
    steps = steps_under_terms(
        problem.offer_steps.join(problem.offers, on="offer_index").with_columns(
            currency_code=pl.col("vendor_code").replace_strict(
                {code: each.currency_code for code, each in problem.terms.items()}, return_dtype=pl.String
            )
        ),
        [order for each in problem.terms.values() for order in orders_of(each)],
    ).rename({"offer_index": "own_index"})
    offers = steps.unique(OFFER_KEY, keep="first", maintain_order=True).sort(OFFER_KEY).with_row_index("offer_index")
    offers = offers.cast({"offer_index": pl.Int64})
    numbers = offers.select(*OFFER_KEY, "offer_index")
    return replace(
        problem,
        offers=offers.select(WHOLE_OFFER_SCHEMA.names()),
        offer_steps=steps.join(numbers, on=OFFER_KEY).select(STEP_SCHEMA.names()).sort(STEP_SCHEMA.names()[:2]),
        uses=problem.uses.rename({"offer_index": "own_index"})
        .join(offers.select("own_index", "offer_index"), on="own_index")
        .select(USE_SCHEMA.names()),
        terms={order.vendor_code: order for each in problem.terms.values() for order in orders_of(each)},
    )


def bought_of_listings(problem: Problem, purchases: pl.DataFrame) -> dict[tuple[str, str], int]:
    """Pieces bought by vendor and listing, all orders together."""
    found: dict[tuple[str, str], int] = {}
    rows = purchases.join(problem.offers, on="offer_index").select("vendor_code", "listing_code", "quantity")
    for code, listing, quantity in rows.iter_rows():
        key = vendor_of(code), listing
        found[key] = found.get(key, 0) + quantity
    return found
