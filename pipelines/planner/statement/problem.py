"""The purchase problem as frames, and the solution that the planner returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

import polars as pl

from pipelines.costing.order_penalties import NO_PENALTIES, OrderPenalties
from pipelines.costing.price_steps import STEP_KINDS
from pipelines.costing.terms import VendorTerms

PORTION_SCHEMA = pl.Schema(
    {
        "portion_index": pl.Int64(),  # 0..n-1, in row order
        "line_number": pl.Int64(),
        "portion_number": pl.Int64(),
        "quantity": pl.Int64(),  # pieces still to buy, at least 1
        "group_code": pl.String(),  # portions of one group end up in one colour; "" for none
    }
)
OFFER_SCHEMA = pl.Schema(
    {
        "offer_index": pl.Int64(),  # 0..n-1, in row order
        "offer_id": pl.String(),
        "vendor_code": pl.String(),
        "part_code": pl.String(),
        "colour_code": pl.String(),
        "condition": pl.String(),
        "listing_code": pl.String(),
        "assortment_code": pl.String(),
        "quantity_available": pl.Int64(),  # pieces, at least 1; shared by all portions and price steps
        "sold_in_multiples_of": pl.Int64(),
        "maximum_per_order": pl.Int64(),  # null for no limit
        "weight_grams": pl.Decimal(18, 6),  # of one piece; the assumed weight where unknown
        "largest_dimension_mm": pl.Decimal(18, 6),
    }
)
WHOLE_OFFER_SCHEMA = pl.Schema({**OFFER_SCHEMA, "step_kind": pl.String()})
"""With step_kind, one of STEP_KINDS; all_units where an offer frame comes without it."""
STEP_SCHEMA = pl.Schema(
    {
        "offer_index": pl.Int64(),
        "step_from_quantity": pl.Int64(),  # from so many pieces on, the price is for all (all_units) or for these on (incremental)
        "unit_price": pl.Decimal(18, 6),  # in the vendor's currency
    }
)
USE_SCHEMA = pl.Schema(
    {
        "portion_index": pl.Int64(),
        "offer_index": pl.Int64(),
        "colour_code": pl.String(),  # colour the portion gets
        "combination_code": pl.String(),  # "" when the offer's piece itself serves the portion
        "component_part_code": pl.String(),  # "" likewise; else the component this offer supplies
        "component_count": pl.Int64(),  # components in one piece of the portion; 1 without a combination
    }
)


@dataclass(frozen=True)
class Problem:
    """What to buy, from which offers, under which terms.

    A portion is filled piece by piece. A piece is one piece of an offer with a direct use, or a whole combination: for one
    (portion, colour, combination) all its components in their counts. Several uses may share one offer's stock.

    Attributes:
        portions, offers, offer_steps, uses: PORTION_SCHEMA, OFFER_SCHEMA or WHOLE_OFFER_SCHEMA, STEP_SCHEMA, USE_SCHEMA.
        terms: by vendor code.
        allow_spares: whether more may be bought than is used, beyond what multiples and steps make unavoidable.
        maximum_vendor_count: most orders in the plan; None for no limit.
        forced_vendors: a plan uses at least one piece of each of them.
        penalties: of the orders; they count when plans are compared and bounded, but are no part of the landed cost.
    """

    portions: pl.DataFrame
    offers: pl.DataFrame
    offer_steps: pl.DataFrame
    uses: pl.DataFrame
    terms: Mapping[str, VendorTerms]
    allow_spares: bool = True
    maximum_vendor_count: int | None = None
    forced_vendors: frozenset[str] = frozenset()
    penalties: OrderPenalties = NO_PENALTIES

    def __post_init__(self) -> None:
        if "step_kind" not in self.offers.columns:
            object.__setattr__(self, "offers", self.offers.with_columns(step_kind=pl.lit("all_units")))
        for frame, schema in (
            (self.portions, PORTION_SCHEMA),
            (self.offers, WHOLE_OFFER_SCHEMA),
            (self.offer_steps, STEP_SCHEMA),
            (self.uses, USE_SCHEMA),
        ):
            if frame.schema != schema:
                raise TypeError(f"expected the columns {schema}, got {frame.schema}")
        if unknown := sorted(set(self.offers["step_kind"].to_list()) - set(STEP_KINDS), key=str):
            raise ValueError(f"step_kind is one of {', '.join(STEP_KINDS)}, not {unknown[0]!r}")

    def of_offers(self, rows: pl.Series) -> Problem:
        """The problem with some of the offers alone, given by their rows in rising order; they get new numbers."""
        numbers = pl.DataFrame({"offer_index": rows, "_new": pl.int_range(len(rows), dtype=pl.Int64, eager=True)})

        def kept(frame: pl.DataFrame) -> pl.DataFrame:
            found = frame.join(numbers, on="offer_index", maintain_order="left")
            return found.with_columns(pl.col("_new").alias("offer_index")).drop("_new")

        return replace(self, offers=kept(self.offers), offer_steps=kept(self.offer_steps), uses=kept(self.uses))


@dataclass(frozen=True)
class Solution:
    """A plan, its cost, and a lower bound.

    Attributes:
        purchases: offer_index, quantity (pieces bought, above 0).
        allocations: portion_index, offer_index, combination_code, component_part_code, quantity (pieces of the offer used).
        unfilled: portion_index, quantity (pieces not bought, above 0).
        cost: exact unrounded landed cost in the buyer's currency.
        lower_bound: no plan with as few unfilled pieces costs less, once the penalties of its orders beyond those of this plan
            are added; at most ``cost``, at least 0.
        is_proven: no plan with as few unfilled pieces is cheaper by more than a millionth of the cost, and none has fewer.
        hit_time_limit: the safety limit on time was met; such a plan is never kept.
        penalties: the problem's.
    """

    purchases: pl.DataFrame
    allocations: pl.DataFrame
    unfilled: pl.DataFrame
    cost: Fraction
    lower_bound: Fraction
    is_proven: bool
    hit_time_limit: bool = False
    notes: tuple[str, ...] = field(default=())
    penalties: OrderPenalties = NO_PENALTIES
