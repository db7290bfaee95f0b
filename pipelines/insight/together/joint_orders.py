"""Several models bought together: what shared parcels save, each model's fair share, and which model to buy first.

Three ways are compared by complete cost, all with the same stock on hand:

- separate: each model as if nobody else bought. Several models may count on the same stock.
- one after the other: each model from what those before it left, their spares first. Up to 4 models in every sequence; of
  more, each model once in front and the others following by cost.
- together: one plan for all, or the best sequence with its orders put together, whichever is better. So it never costs more
  than a sequence at equal fill. It may cost more than the separate plans, because stock can be bought only once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import combinations, permutations
from typing import Any

import polars as pl

from pipelines.costing.order_penalties import penalties_under
from pipelines.costing.several_orders import with_order_codes
from pipelines.demand.fitting import parts_in_reach
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.replanning.complete_costs import CompleteCosts
from pipelines.insight.replanning.fair_share import proportional_shares, shapley_shares
from pipelines.insight.replanning.placed_orders import NOTHING_BOUGHT, PlacedOrders
from pipelines.insight.replanning.published_plans import EFFORT
from pipelines.insight.replanning.shared_market import SharedMarket
from pipelines.insight.together.joint_tables import JointResult, Position, joint_rows
from pipelines.money import currency_digits, round_down, rounded_together
from pipelines.planning.estimates import known_prices
from pipelines.planning.plan_tables import gap_pct
from pipelines.settings import JointOrder

FAIR_UP_TO = 8
"""Models whose shares are worked out from the cost of every set of them."""
ALL_SEQUENCES_UP_TO = 4
SETS_AT_FULL_EFFORT_UP_TO = 3
"""Models up to which sets get the order's effort; each further model doubles the sets (8 have 246), so these get little."""


@dataclass(frozen=True)
class JointTask:
    """One joint order with the prices of the parts its models could use."""

    order: JointOrder
    models: tuple[Model, ...]
    day: date
    market: pl.DataFrame
    last_seen: pl.DataFrame
    summaries: pl.DataFrame
    published: Mapping[str, pl.DataFrame]


def joint_tasks(
    inputs: WorkspaceInputs,
    market: pl.DataFrame,
    last_seen: pl.DataFrame,
    summaries: pl.DataFrame,
    plans: Mapping[str, pl.DataFrame],
    day: date,
) -> list[JointTask]:
    """The joint orders of the settings on a date.

    A model without a parts list on the date is left out of its orders; an order for fewer than two models is left out.

    Args:
        inputs: the workspace.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the date.
        last_seen: PRICE_HISTORY columns: the latest price of every offer, for estimates.
        summaries: PRICE_SUMMARY, for estimates.
        plans: the tables of plan_night, from which planning starts.
        day: the priced date.
    """
    by_code = {model.model_code: model for model in inputs.models}
    tasks = []
    for order in inputs.settings.joint_order:
        models = tuple(
            by_code[code] for code in order.model_codes if by_code[code].settings.version_on(day) is not None
        )
        if len(models) < 2:
            continue
        listed = pl.concat([model.parts_list["part_code"] for model in models]).unique()
        added = pl.concat([model.amendments["part_code"].drop_nulls() for model in models]).unique()
        parts = parts_in_reach(pl.concat([listed, added]).unique(), inputs.tables).to_list()
        of_order = (
            (pl.col("priced_on") == day)
            & pl.col("model_code").is_in(order.model_codes)
            & (pl.col("buyer_code") == order.buyer_code)
            & (pl.col("scenario_code") == order.scenario_code)
        )
        published = {name: with_order_codes(plans[name].filter(of_order)) for name in ("plan_purchase", "plan_line")}
        is_near = pl.col("part_code").is_in(parts)
        offered, seen, known = (frame.filter(is_near) for frame in (market, last_seen, summaries))
        tasks.append(JointTask(order, models, day, offered, seen, known, published))
    return tasks


def rows_of_order(inputs: WorkspaceInputs, task: JointTask) -> dict[str, list[dict[str, Any]]]:
    """Rows of JOINT_CONTRACTS by table name, of one joint order."""
    return joint_rows(JointBuying(inputs, task).result())


class JointBuying:
    """Plans one joint order: every set of its models, every sequence, and the shares."""

    def __init__(self, inputs: WorkspaceInputs, task: JointTask) -> None:
        buyer = next(each for each in inputs.settings.buyer if each.buyer_code == task.order.buyer_code)
        scenario = next(s for s in inputs.settings.scenarios if s.scenario_code == task.order.scenario_code)
        self.task, self.order, self.buyer = task, task.order, buyer
        self.shared = SharedMarket(
            inputs, task.models, task.day, buyer, scenario, task.market, task.order.use_stock_on_hand
        )
        known = known_prices(task.last_seen, task.summaries, inputs, task.day, buyer)
        self.costs = CompleteCosts(self.shared, known)
        self.model_count = len(task.models)
        self._published = [self._published_orders(model) for model in range(self.model_count)]
        self._after: dict[tuple[int, ...], PlacedOrders] = {}
        self._best: dict[frozenset[int], PlacedOrders] = {}

    def result(self) -> JointResult:
        """Everything that the tables show."""
        sequences = sorted(
            ((self._sequence(sequence), sequence) for sequence in self._sequences()),
            key=lambda pair: (self.shared.pricing.rank(pair[0]), pair[1]),
        )
        self._fill_subsets()
        together = self._together(
            self.shared.everyone,
            [self.shared.pricing.put_together(orders) for orders, _ in sequences],
            self.order.effort,
        )
        self._best[self.shared.everyone] = together
        separate = [self.costs.cost(self._alone(model)) for model in range(self.model_count)]
        total = self.costs.cost(together)
        return JointResult(
            shared=self.shared,
            order=self.order,
            together=together,
            estimate=self.costs.estimate(together),
            unpriced_count=self.costs.unpriced_count(together),
            lower_bound=self._bound(together),
            gap_pct=gap_pct(self._exact_cost(together), together.lower_bound or Fraction(0)),
            separate_costs=separate,
            separate_unfilled_count=sum(self._alone(model).unfilled_count for model in range(self.model_count)),
            shares=self._shares(total, separate),
            share_method="shapley" if self.model_count <= FAIR_UP_TO else "proportional",
            sequences=[self._positions(sequence) for _, sequence in sequences],
        )

    def _bound(self, together: PlacedOrders) -> Decimal:
        """The bound of plans that order once from each vendor; 0 where there is none."""
        landed = self.shared.pricing.rounded_cost(together)
        bound = round_down(together.lower_bound or Fraction(0), currency_digits(self.buyer.currency_code))
        return min(bound, landed)

    def _exact_cost(self, orders: PlacedOrders) -> Fraction:
        return sum(
            (landed_cost.exact.total for landed_cost in self.shared.pricing.landed_costs(orders.orders)), Fraction(0)
        )

    # Plans

    def _published_orders(self, model: int) -> PlacedOrders:
        """The published plan of one model, to start from."""
        of_model = pl.col("model_code") == self.task.models[model].model_code
        bought, lines = (self.task.published[name].filter(of_model) for name in ("plan_purchase", "plan_line"))
        return self.shared.published_orders(model, bought, lines)

    def _alone(self, model: int) -> PlacedOrders:
        return self._next((), model)

    def _next(self, before: tuple[int, ...], model: int) -> PlacedOrders:
        """The orders for a model after others, each from what those before it left."""
        key = (*before, model)
        if key not in self._after:
            known = [self._published[model]] if not before else [self._alone(model), self._published[model]]
            self._after[key] = self.shared.after(model, self._sequence(before), known)
        return self._after[key]

    def _sequence(self, sequence: tuple[int, ...]) -> PlacedOrders:
        orders = NOTHING_BOUGHT
        for at, model in enumerate(sequence):
            orders = orders.followed_by(self._next(sequence[:at], model))
        return orders

    def _sequences(self) -> list[tuple[int, ...]]:
        if self.model_count <= ALL_SEQUENCES_UP_TO:
            return list(permutations(range(self.model_count)))
        by_cost = sorted(range(self.model_count), key=lambda model: (-self.costs.cost(self._alone(model)), model))
        return [(first, *(model for model in by_cost if model != first)) for first in range(self.model_count)]

    def _fill_subsets(self) -> None:
        """Find the best orders for every set of models but the whole, small sets first."""
        for model in range(self.model_count):
            self._best[frozenset([model])] = self._alone(model)
        if self.model_count > FAIR_UP_TO:
            return
        effort = self.order.effort if self.model_count <= SETS_AT_FULL_EFFORT_UP_TO else EFFORT
        for size in range(2, self.model_count):
            for models in combinations(range(self.model_count), size):
                self._best[frozenset(models)] = self._together(frozenset(models), [], effort)

    def _together(self, models: frozenset[int], known: list[PlacedOrders], effort: str) -> PlacedOrders:
        """The best of three: one plan for some models, known orders, and the last model added to the others' best orders."""
        last = max(models)
        others = models - {last}
        tried = list(known)
        if others in self._best:
            first = self._best[others]
            added = self.shared.after(last, first, [self._alone(last), self._published[last]])
            tried.append(self.shared.pricing.put_together(first.followed_by(added)))
        planned = self.shared.together(sorted(models), tried, effort)
        best = min([planned, *tried], key=self.shared.pricing.rank)
        if (
            planned.unfilled_count != best.unfilled_count
        ):  # a bound of plans that fill another number is not one of this
            return best
        bounded = best.bounded_like(planned, penalties_under(self.shared.scenario))
        return replace(bounded, hit_time_limit=planned.hit_time_limit)

    def _shares(self, total: Decimal, separate: list[Decimal]) -> list[Decimal]:
        """Each model's share of the cost of all, in the currency's digits; they add up to it."""
        if self.model_count <= FAIR_UP_TO:
            costs = {models: Fraction(self.costs.cost(orders)) for models, orders in self._best.items()}
            shares = shapley_shares(range(self.model_count), costs)
        else:
            shares = proportional_shares([Fraction(cost) for cost in separate], Fraction(total))
        return rounded_together(shares, currency_digits(self.buyer.currency_code))

    def _positions(self, sequence: tuple[int, ...]) -> list[Position]:
        """What each model of a sequence costs in its place, and what earlier spares are worth to it."""
        positions = []
        for at, model in enumerate(sequence):
            before, own = self._sequence(sequence[:at]), self._next(sequence[:at], model)
            used = sum(row[-1] for row in own.served) - sum(own.bought.values()) + sum(own.spares.values())
            worth = Decimal(0)
            if used:
                without = self.shared.after(model, before, [self._alone(model)], use_spares=False)
                if without.unfilled_count == own.unfilled_count:
                    worth = max(Decimal(0), self.costs.cost(without) - self.costs.cost(own))
            positions.append(
                Position(
                    model, self.costs.cost(own), own.unfilled_count, sum(row[-1] for row in own.on_hand), used, worth
                )
            )
        return positions
