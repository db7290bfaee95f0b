"""A purchase plan by line, portion and offer_id, without the row numbers of any problem.

So plans of different scenarios can be compared: a plan under narrower rules is a plan under wider ones too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl

from pipelines.costing.order_penalties import NO_PENALTIES, OrderPenalties
from pipelines.costing.price_steps import average_price, goods_value
from pipelines.demand.fitting import PORTION_KEY
from pipelines.planner.statement.problem import Solution
from pipelines.planning.candidates import Candidates, Portion
from pipelines.settings import Scenario

PURCHASE_SCHEMA = pl.Schema(
    {
        "offer_id": pl.String(),
        "vendor_code": pl.String(),
        "part_code": pl.String(),
        "colour_code": pl.String(),
        "condition": pl.String(),
        "listing_code": pl.String(),
        "assortment_code": pl.String(),
        "weight_grams": pl.Decimal(18, 6),
        "largest_dimension_mm": pl.Decimal(18, 6),
        "currency_code": pl.String(),
        "last_confirmed_on": pl.Date(),
        "step_from_quantity": pl.Int64(),
        "unit_price": pl.Decimal(18, 6),  # the average where the pieces have different prices
        "quantity": pl.Int64(),
        "goods_value": pl.Decimal(38, 6),  # what all pieces cost as displayed
    }
)
UNFILLED_SCHEMA = pl.Schema({**dict.fromkeys(PORTION_KEY, pl.Int64()), "quantity": pl.Int64()})
ALLOCATION_SCHEMA = pl.Schema(
    {
        **dict.fromkeys(PORTION_KEY, pl.Int64()),
        **dict.fromkeys(("offer_id", "combination_code", "component_part_code", "colour_code"), pl.String()),
        "quantity": pl.Int64(),
    }
)
# A solution's frames, which name portions and offers by a problem's row numbers.
_PURCHASE_NUMBERS = pl.Schema({"offer_index": pl.Int64(), "quantity": pl.Int64()})
_ALLOCATION_NUMBERS = pl.Schema(
    {
        **dict.fromkeys(("portion_index", "offer_index"), pl.Int64()),
        **dict.fromkeys(("combination_code", "component_part_code"), pl.String()),
        "quantity": pl.Int64(),
    }
)
_UNFILLED_NUMBERS = pl.Schema({"portion_index": pl.Int64(), "quantity": pl.Int64()})


@dataclass(frozen=True)
class PurchasePlan:
    """What to buy, and which portion each piece fills.

    Attributes:
        needed: line_number, portion_number, group_code and quantity to buy.
        purchases: PURCHASE_SCHEMA, one row per offer, at the price step its quantity reaches.
        allocations: ALLOCATION_SCHEMA, quantity being pieces of the offer used; sorted.
        unfilled: UNFILLED_SCHEMA, quantity above 0; sorted.
        cost: exact unrounded landed cost in the buyer's currency.
        lower_bound: no plan under the same rules with as few pieces unfilled costs less, once the penalties of its orders beyond
            those of this plan are added; at least 0.
        penalties: of orders; no part of the cost.
        notes: remarks for people.
    """

    needed: pl.DataFrame
    purchases: pl.DataFrame
    allocations: pl.DataFrame
    unfilled: pl.DataFrame
    cost: Fraction
    lower_bound: Fraction
    is_proven: bool
    hit_time_limit: bool = False
    notes: tuple[str, ...] = field(default=())
    penalties: OrderPenalties = NO_PENALTIES

    @cached_property
    def vendor_codes(self) -> frozenset[str]:
        """The order codes of the plan's orders."""
        return frozenset(self.purchases["vendor_code"].to_list())

    @property
    def vendor_count(self) -> int:
        """Number of orders."""
        return len(self.vendor_codes)

    @cached_property
    def spare_count(self) -> int:
        """Pieces bought beyond the need."""
        return int(self.purchases["quantity"].sum()) - int(self.allocations["quantity"].sum())

    @cached_property
    def rank(self) -> tuple[int, Fraction, int, int]:
        """What a plan minimises, in this order: unfilled pieces, cost with the penalties of its orders, orders, spares."""
        cost = self.cost + self.penalties.of_all(self.vendor_codes)
        return int(self.unfilled["quantity"].sum()), cost, self.vendor_count, self.spare_count

    def bounded_like(self, other: PurchasePlan) -> PurchasePlan:
        """This plan with the lower bound of another plan of the same problem."""
        penalties = self.penalties.of_all(other.vendor_codes) - self.penalties.of_all(self.vendor_codes)
        bound = other.lower_bound + penalties if other.lower_bound else Fraction(0)
        return replace(self, lower_bound=max(Fraction(0), min(bound, self.cost)))

    @cached_property
    def pieces_needed(self) -> dict[Portion, int]:
        """Pieces to buy by portion."""
        return _by_portion(self.needed)

    @cached_property
    def pieces_missing(self) -> dict[Portion, int]:
        """Pieces unfilled by portion."""
        return _by_portion(self.unfilled)

    @cached_property
    def pieces_used(self) -> dict[str, int]:
        """Pieces used by offer_id."""
        used: dict[str, int] = {}
        for offer_id, quantity in zip(
            *(self.allocations[name].to_list() for name in ("offer_id", "quantity")), strict=True
        ):
            used[offer_id] = used.get(offer_id, 0) + quantity
        return used

    @cached_property
    def allocation_rows(self) -> list[tuple[int, int, str, str, str, str, int]]:
        """The rows of ``allocations``."""
        return self.allocations.rows()


def plan_of(candidates: Candidates, solution: Solution) -> PurchasePlan:
    """A solution of a problem of these candidates as a plan."""
    portions, offer_ids = list(candidates.portion_numbers), list(candidates.offer_numbers)
    colours = candidates.offers["colour_code"].to_list()
    allocations = (
        (*portions[portion], offer_ids[offer], combination, component, colours[offer], quantity)
        for portion, offer, combination, component, quantity in solution.allocations.select(
            _ALLOCATION_NUMBERS.names()
        ).iter_rows()
    )
    unfilled = (
        (*portions[portion], quantity)
        for portion, quantity in solution.unfilled.select(_UNFILLED_NUMBERS.names()).iter_rows()
    )
    return PurchasePlan(
        needed=candidates.portions.select(*PORTION_KEY, "group_code", "quantity"),
        purchases=_purchases(candidates, solution),
        allocations=_frame(sorted(allocations), ALLOCATION_SCHEMA),
        unfilled=_frame(sorted(unfilled), UNFILLED_SCHEMA),
        cost=solution.cost,
        lower_bound=min(solution.lower_bound, solution.cost),
        is_proven=solution.is_proven,
        hit_time_limit=solution.hit_time_limit,
        notes=solution.notes,
        penalties=solution.penalties,
    )


def _purchases(candidates: Candidates, solution: Solution) -> pl.DataFrame:
    """PURCHASE_SCHEMA, in the order of the offers; a quantity below an offer's first step is left out."""
    step_offers, starts = (candidates.steps[name].to_numpy() for name in ("offer_index", "step_from_quantity"))
    found = []
    for offer, quantity in sorted(solution.purchases.select(_PURCHASE_NUMBERS.names()).iter_rows()):
        first, end = np.searchsorted(step_offers, (offer, offer + 1))
        reached = int(np.searchsorted(starts[first:end], quantity, side="right"))
        if reached:
            found.append((offer, first + reached - 1, quantity))
    offers, steps, quantities = np.array(found, dtype=np.int64).reshape(-1, 3).T
    facts, priced = candidates.offers[offers], candidates.steps[steps]
    prices, values = priced["unit_price"].to_list(), []
    for row, (offer, _, quantity) in enumerate(found):
        values.append(prices[row] * quantity)
        if facts["step_kind"][row] == "incremental":
            first, end = np.searchsorted(step_offers, (offer, offer + 1))
            own_steps = candidates.steps[first:end].select("step_from_quantity", "unit_price").rows()
            values[row] = goods_value(own_steps, "incremental", quantity)
            prices[row] = average_price(values[row], quantity)
    own = (
        pl.Series("quantity", quantities, dtype=pl.Int64),
        pl.Series("unit_price", prices, dtype=PURCHASE_SCHEMA["unit_price"]),
        pl.Series("goods_value", values, dtype=PURCHASE_SCHEMA["goods_value"]),
    )
    columns = {series.name: series for series in (*priced, *facts, *own)}
    return pl.DataFrame([columns[name] for name in PURCHASE_SCHEMA.names()])


def _by_portion(frame: pl.DataFrame) -> dict[Portion, int]:
    found: dict[Portion, int] = {}
    for line, number, quantity in zip(*(frame[name].to_list() for name in (*PORTION_KEY, "quantity")), strict=True):
        found[line, number] = found.get((line, number), 0) + quantity
    return found


def _frame(rows: Sequence[tuple[Any, ...]], schema: pl.Schema) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=schema, orient="row")


def plan_from_tables(candidates: Candidates, tables: Mapping[str, pl.DataFrame]) -> PurchasePlan | None:
    """The plan of some published rows, all of one key; None where its offers are not among the candidates.

    Args:
        candidates: of the scenario the plan was made under.
        tables: plan_purchase, plan_line and unfilled_line of the plan. The caller sets its cost and bound.
    """
    offers = candidates.offers.select("offer_index", "offer_id")
    portions = candidates.portions.select("portion_index", *PORTION_KEY)
    bought = tables["plan_purchase"].join(offers, on="offer_id")
    lines = tables["plan_line"].filter(pl.col("vendor_code") != "")
    served = lines.join(offers, on="offer_id").join(portions, on=PORTION_KEY)
    if bought.height < tables["plan_purchase"].height or served.height < lines.height:
        return None
    component = pl.when(pl.col("combination_code") == "").then(pl.lit("")).otherwise("part_code")
    solution = Solution(
        bought.select("offer_index", pl.col("bought_piece_count").alias("quantity")),
        served.select(
            "portion_index", "offer_index", "combination_code", component.alias("component_part_code"), "quantity"
        ),
        tables["unfilled_line"]
        .join(portions, on=PORTION_KEY)
        .select("portion_index", pl.col("unfilled_piece_count").alias("quantity")),
        Fraction(0),
        Fraction(0),
        is_proven=False,
    )
    return plan_of(candidates, solution)


def nothing_bought(candidates: Candidates) -> PurchasePlan:
    """The plan that leaves every portion unfilled; the best one where nothing is on offer."""
    unfilled = candidates.portions.select(_UNFILLED_NUMBERS.names())
    zero = Fraction(0)
    purchases, allocations = _frame([], _PURCHASE_NUMBERS), _frame([], _ALLOCATION_NUMBERS)
    return plan_of(candidates, Solution(purchases, allocations, unfilled, zero, zero, is_proven=True))


def joined(first: PurchasePlan, second: PurchasePlan, needed: pl.DataFrame) -> PurchasePlan:
    """Two plans from different vendors as one; what ``second`` leaves unfilled is unfilled.

    The bounds add up: each holds for its own stage, and the second stage fills what the first left.
    """
    return PurchasePlan(
        needed=needed.select(*PORTION_KEY, "group_code", "quantity"),
        purchases=pl.concat([first.purchases, second.purchases]).sort(
            "vendor_code", "part_code", "colour_code", "condition", "listing_code"
        ),
        allocations=_frame(sorted([*first.allocation_rows, *second.allocation_rows]), ALLOCATION_SCHEMA),
        unfilled=second.unfilled,
        cost=first.cost + second.cost,
        lower_bound=first.lower_bound + second.lower_bound,
        is_proven=first.is_proven and second.is_proven,
        hit_time_limit=first.hit_time_limit or second.hit_time_limit,
        notes=(*first.notes, *second.notes),
        penalties=first.penalties,
    )


def as_solution(plan: PurchasePlan, candidates: Candidates, scenario: Scenario) -> Solution | None:
    """The plan as a solution of another scenario's problem; None where that scenario's rules don't allow it.

    Buyer and date must be the same, so that the cost is the same.
    """
    if plan.vendor_count > (scenario.maximum_vendor_count or plan.vendor_count):
        return None
    used = {
        code
        for offer_id, code in plan.purchases.select("offer_id", "vendor_code").iter_rows()
        if offer_id in plan.pieces_used
    }
    if not set(scenario.forced_vendors) <= used:
        return None
    if (plan.spare_count and not scenario.allow_spares) or plan.pieces_needed != candidates.needed:
        return None
    bought = plan.purchases.select("offer_id", "quantity").rows()
    if any(offer_id not in candidates.offer_numbers for offer_id, _ in bought):
        return None
    groups = candidates.portions["group_code"].to_list()
    colours: dict[str, str] = {}
    allocations = []
    for line, number, offer_id, combination, component, colour, quantity in plan.allocation_rows:
        portion = candidates.portion_numbers[line, number]
        use = (portion, candidates.offer_numbers.get(offer_id, -1), combination, component)
        if use not in candidates.component_counts:
            return None
        if groups[portion] and colours.setdefault(groups[portion], colour) != colour:
            return None
        allocations.append((*use, quantity))
    return Solution(
        purchases=_frame(sorted((candidates.offer_numbers[offer_id], n) for offer_id, n in bought), _PURCHASE_NUMBERS),
        allocations=_frame(sorted(allocations), _ALLOCATION_NUMBERS),
        unfilled=_frame(
            sorted((candidates.portion_numbers[portion], n) for portion, n in plan.pieces_missing.items()),
            _UNFILLED_NUMBERS,
        ),
        cost=plan.cost,
        lower_bound=Fraction(0),
        is_proven=False,
    )
