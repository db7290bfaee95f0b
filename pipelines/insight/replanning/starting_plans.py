"""Plans to start the planner from, cut from orders known already."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import polars as pl

from pipelines.costing.order_penalties import OrderPenalties, penalties_under
from pipelines.insight.replanning.minimum_orders import topped_up
from pipelines.insight.replanning.offers import Offer, Pieces, is_beyond_stock
from pipelines.insight.replanning.order_pricing import OrderPricing
from pipelines.insight.replanning.placed_orders import PlacedOrders, Served
from pipelines.planner.statement.problem import Solution
from pipelines.planning.candidates import Candidates, Portion
from pipelines.planning.purchase_plan import PurchasePlan, plan_of


@dataclass(frozen=True)
class Start:
    """Known orders cut to what is needed and on offer now, priced.

    Attributes:
        bought, served, unfilled: pieces by offer_id, what serves which portion, pieces by portion.
        cost: exact, in the buyer's currency.
        rank: that of the plan.
    """

    bought: Pieces
    served: Sequence[Served]
    unfilled: Mapping[Portion, int]
    cost: Fraction
    penalties: OrderPenalties
    rank: tuple[int, Fraction, int, int]

    def plan(self, found: Candidates) -> PurchasePlan:
        """The plan of these candidates; no bound is known."""
        purchases = [(found.offer_numbers[offer_id], quantity) for offer_id, quantity in sorted(self.bought.items())]
        numbered = [
            (found.portion_numbers[row[:2]], found.offer_numbers[row[2]], row[3], row[4], row[6]) for row in self.served
        ]
        unfilled = [(found.portion_numbers[portion], n) for portion, n in sorted(self.unfilled.items())]
        return plan_of(
            found,
            Solution(
                pl.DataFrame(purchases, schema={"offer_index": pl.Int64, "quantity": pl.Int64}, orient="row"),
                pl.DataFrame(numbered, schema=_NUMBERED, orient="row")
                .group_by([name for name in _NUMBERED if name != "quantity"], maintain_order=True)
                .agg(pl.col("quantity").sum()),
                pl.DataFrame(unfilled, schema={"portion_index": pl.Int64, "quantity": pl.Int64}, orient="row"),
                self.cost,
                Fraction(0),
                is_proven=False,
                penalties=self.penalties,
            ),
        )


def start_from_orders(
    known: PlacedOrders, found: Candidates, offers: Mapping[str, Offer], pricing: OrderPricing
) -> Start | None:
    """Known orders cut to what is needed and on offer now, as one plan; None where vendors would not accept it.

    Combinations are kept whole or not at all. Pieces bought beyond the need stay bought where that is allowed, because a
    minimum or a waiver may need them.

    Args:
        known: the orders.
        found: what is needed, and what may fill it.
        offers: those of ``found``.
        pricing: of a market that has these offers.
    """
    group_of = dict(zip(found.needed, found.portions["group_code"].to_list(), strict=True))
    left, used, rows, colours = dict(found.needed), Pieces(), list[Served](), dict[str, str]()
    for block in _blocks(known.served):
        portion, colour, is_direct = block[0][:2], block[0][5], not block[0][3]
        left_of = [offers[row[2]].most - used.get(row[2], 0) if row[2] in offers else 0 for row in block]
        counts = [found.component_counts.get(_use_of(found, row), 0) if portion in left else 0 for row in block]
        if not all(counts) or (group_of[portion] and colours.setdefault(group_of[portion], colour) != colour):
            continue
        if is_direct:
            taken = [min(block[0][-1], left[portion], left_of[0])]
            pieces = taken[0]
        else:
            taken = [row[-1] for row in block]
            first = block[0][4]
            pieces = sum(row[-1] for row in block if row[4] == first) // counts[0]
        if pieces <= 0 or pieces > left[portion] or any(n > most for n, most in zip(taken, left_of, strict=True)):
            continue
        left[portion] -= pieces
        for row, quantity in zip(block, taken, strict=True):
            used[row[2]] = used.get(row[2], 0) + quantity
            rows.append((*row[:6], quantity))
    return _accepted(pricing, offers, used, known.bought, rows, {p: n for p, n in left.items() if n})


def _accepted(
    pricing: OrderPricing,
    offers: Mapping[str, Offer],
    used: Pieces,
    before: Mapping[str, int],
    rows: Sequence[Served],
    unfilled: Mapping[Portion, int],
) -> Start | None:
    """The cheaper plan that vendors accept, of one that keeps spares and one that does not."""
    needed = {offer_id: offers[offer_id].quantity_for(quantity) for offer_id, quantity in used.items()}
    starts, tried = list[Start](), list[Pieces]()
    for keeps in (True, False) if pricing.scenario.allow_spares else (False,):
        bought: Pieces = {}
        for offer_id, quantity in needed.items():
            if quantity is None:
                return None
            kept = (
                min(before.get(offer_id, 0), offers[offer_id].most)
                // offers[offer_id].multiple
                * offers[offer_id].multiple
            )
            bought[offer_id] = max(quantity, kept) if keeps else quantity
        if bought in tried:
            continue
        tried.append(bought)
        landed_costs = pricing.landed_costs(_by_vendor(pricing, bought))
        if any(landed_cost.broken_rules for landed_cost in landed_costs) and pricing.scenario.allow_spares:
            bought = topped_up(bought, landed_costs, offers, pricing.book.vendors)
            landed_costs = pricing.landed_costs(_by_vendor(pricing, bought))
        if any(landed_cost.broken_rules for landed_cost in landed_costs) or is_beyond_stock(bought, offers):
            continue
        cost = sum((landed_cost.exact.total for landed_cost in landed_costs), Fraction(0))
        penalties = penalties_under(pricing.scenario)
        rank = (
            sum(unfilled.values()),
            cost + penalties.of_all({landed_cost.vendor_code for landed_cost in landed_costs}),
            len(landed_costs),
            sum(bought.values()) - sum(row[-1] for row in rows),
        )
        starts.append(Start(bought, rows, unfilled, cost, penalties, rank))
    return min(starts, key=lambda start: start.rank, default=None)


def _by_vendor(pricing: OrderPricing, pieces: Mapping[str, int]) -> list[tuple[str, Pieces]]:
    orders: dict[str, Pieces] = {}
    for offer_id, quantity in sorted(pieces.items()):
        orders.setdefault(pricing.offers[offer_id].vendor_code, {})[offer_id] = quantity
    return sorted(orders.items())


_NUMBERED = {
    "portion_index": pl.Int64, "offer_index": pl.Int64, "combination_code": pl.String, "component_part_code": pl.String,
    "quantity": pl.Int64,
}  # fmt: skip


def _blocks(served: Iterable[Served]) -> list[list[Served]]:
    """Rows that are kept or dropped together: a direct one by itself, those of one combination in one colour together."""
    blocks: dict[tuple[object, ...], list[Served]] = {}
    for at, row in enumerate(served):
        blocks.setdefault((*row[:2], row[3], row[5]) if row[3] else (at,), []).append(row)
    return list(blocks.values())


def _use_of(found: Candidates, row: Served) -> tuple[int, int, str, str]:
    portion = found.portion_numbers.get(row[:2], -1)
    return portion, found.offer_numbers.get(row[2], -1), row[3], row[4]
