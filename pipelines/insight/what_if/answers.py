"""Answers to `kitfare whatif`: a model planned as it is and with something changed, with the same effort."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

import polars as pl

from pipelines.costing.landed_cost import Components
from pipelines.costing.order_penalties import penalties_under
from pipelines.costing.several_orders import in_words
from pipelines.inputs import Model, WorkspaceInputs, exchange_rate_on
from pipelines.insight.replanning.changed_assumptions import NO_CHANGES, ChangedAssumptions
from pipelines.insight.replanning.complete_costs import CompleteCosts
from pipelines.insight.replanning.placed_orders import NOTHING_BOUGHT, PlacedOrders
from pipelines.insight.replanning.shared_market import SharedMarket, orders_from_tables
from pipelines.insight.what_if.changed_planning import ChangedPlanning
from pipelines.insight.what_if.cost_limits import UNKNOWN, CostRatio, ratio_under, within_limits
from pipelines.money import Interval, cost_interval, currency_digits, round_down, round_money
from pipelines.planning.estimates import known_prices
from pipelines.planning.plan_tables import gap_pct
from pipelines.planning.scenarios import TWO_STAGE_RULES
from pipelines.settings import Buyer, Scenario


@dataclass(frozen=True)
class PricesOnDate:
    """Prices of one date: what was on offer (PRICE_HISTORY columns and ``is_suspect``), last seen prices, summaries."""

    market: pl.DataFrame
    last_seen: pl.DataFrame
    summaries: pl.DataFrame


@dataclass(frozen=True)
class Question:
    """A model's plan and what to change about it.

    Attributes:
        rows: by scenario, the published rows of the model's plans for the buyer (plan_purchase, plan_line), to start from.
        lower_bound: that of the scenario's published plan, where it was made of these same inputs; None where it may not have been.
        changes, changed_day, changed_buyer, changed_model: hold on the changed side only.
    """

    model: Model
    buyer: Buyer
    scenario: Scenario
    day: date
    effort: str
    rows: Mapping[str, Mapping[str, pl.DataFrame]]
    changes: ChangedAssumptions = NO_CHANGES
    changed_day: date | None = None
    changed_buyer: Buyer | None = None
    changed_model: Model | None = None
    lower_bound: Decimal | None = None


@dataclass(frozen=True)
class Bought:
    """Pieces of one element from one vendor that serve a portion."""

    line_number: int
    portion_number: int
    vendor_code: str
    part_code: str
    colour_code: str
    quantity: int


@dataclass(frozen=True)
class Side:
    """One of the two plans compared; money is in its buyer's currency, rounded.

    Attributes:
        parts: goods, shipping, handling and tax.
        vendors: landed cost and pieces by vendor.
        bought: what serves which portion.
        lower_bound: no plan that fills as much has a lower landed cost; rounded down.
        gap_pct: how far above the best possible the landed cost may be, in per cent.
        notes: remarks of the planner.
    """

    currency_code: str
    day: date
    parts: Components[Decimal]
    landed_cost: Decimal
    unfilled_estimate: Decimal
    unfilled_piece_count: int
    unfilled_estimate_count: int
    spare_piece_count: int
    vendors: dict[str, tuple[Decimal, int]]
    bought: tuple[Bought, ...]
    lower_bound: Decimal
    gap_pct: float
    notes: tuple[str, ...] = ()

    @property
    def complete_cost(self) -> Decimal:
        """Landed cost and the estimate for missing pieces."""
        return self.landed_cost + self.unfilled_estimate

    @property
    def best_possible(self) -> Interval:
        """Between which the complete cost of the best possible plan lies."""
        return cost_interval(vars(self))


@dataclass(frozen=True)
class Difference:
    """What a change does to the complete cost, in the currency of the changed side.

    Attributes:
        amount: cost of the plan as changed less cost of the plan as it is.
        between: where the difference of the best possible plans lies; it holds the amount.
    """

    amount: Decimal
    between: Interval


@dataclass(frozen=True)
class Answer:
    """Both plans and how far their costs differ.

    Attributes:
        difference: None where the sides have different numbers of pieces without any price, or no exchange rate is known.
    """

    as_it_is: Side
    changed: Side
    difference: Difference | None

    @property
    def is_at_equal_fill(self) -> bool:
        """Whether both sides lack equally many pieces, so that their costs compare."""
        return self.as_it_is.unfilled_piece_count == self.changed.unfilled_piece_count


@dataclass(frozen=True)
class PlanAsItIs:
    """The unchanged side of a question, planned before any change is looked at.

    ``published``: the question's published plans as orders, by scenario.
    """

    shared: SharedMarket
    orders: PlacedOrders
    published: Mapping[str, PlacedOrders]


def plan_as_it_is(inputs: WorkspaceInputs, question: Question, prices: Mapping[date, PricesOnDate]) -> PlanAsItIs:
    """The side without changes, which is the same for all questions that differ in their changes only.

    The arguments are those of answer_what_if; the scenario does not ask the maker's shop first.
    """
    here = _market(inputs, question, prices, is_changed=False)
    published = {
        code: orders_from_tables(rows["plan_purchase"], rows["plan_line"]) for code, rows in question.rows.items()
    }
    first = here.together([0], map(here.if_known, published.values()), question.effort)
    return PlanAsItIs(here, _with_known_bound(here, first, question, published), published)


def answer_what_if(
    inputs: WorkspaceInputs,
    question: Question,
    prices: Mapping[date, PricesOnDate],
    planned: PlanAsItIs | None = None,
) -> Answer:
    """Plan both sides and compare them.

    A plan found for one side is tried for the other. So a change that only forbids something, or makes every plan dearer,
    never comes out cheaper at equal fill. Where the maker's shop is asked first, each side only follows that rule, as in a
    refresh; then it may.

    Args:
        inputs: the workspace.
        question: what is asked.
        prices: of the question's dates.
        planned: plan_as_it_is of the question, where it is known already.

    Raises:
        PlanRefusedError: the maker's shop is asked first, and no plan keeps the rules.
    """
    if question.scenario.maker in TWO_STAGE_RULES:
        markets = (_market(inputs, question, prices, is_changed=is_changed) for is_changed in (False, True))
        sides = [_maker_first(inputs, question, prices, shared) for shared in markets]
        return Answer(sides[0], sides[1], _difference(inputs, sides[0], sides[1]))
    planned = planned or plan_as_it_is(inputs, question, prices)
    here, first = planned.shared, planned.orders
    there = _market(inputs, question, prices, is_changed=True)
    known = [there.if_known(orders) for orders in planned.published.values()]
    is_same_market = question.changed_day in (None, question.day)
    if is_same_market and _knows(there, first):
        known.append(first)
    second = there.together([0], known, question.effort)
    if is_same_market and _knows(here, second) and (again := here.taken_over([0], second)) is not None:
        again = again.bounded_like(first, penalties_under(question.scenario))
        first = min([first, again], key=here.pricing.rank)
    before, after = _side(inputs, here, first, prices), _side(inputs, there, second, prices)
    has_one_demand = question.changed_buyer is None and question.changed_model is None
    ratio = ratio_under(question.changes, here) if is_same_market and has_one_demand else UNKNOWN
    return Answer(before, after, _difference(inputs, before, after, ratio))


def _with_known_bound(
    shared: SharedMarket, orders: PlacedOrders, question: Question, published: Mapping[str, PlacedOrders]
) -> PlacedOrders:
    """The orders with the published plan's bound where that is higher than their own."""
    own = shared.if_known(published.get(question.scenario.scenario_code, NOTHING_BOUGHT))
    if question.lower_bound is None or own == NOTHING_BOUGHT:
        return orders
    bound = replace(own, lower_bound=Fraction(question.lower_bound))
    other = orders.bounded_like(bound, penalties_under(question.scenario))
    return max([orders, other], key=lambda each: each.lower_bound or Fraction(0))


def _market(
    inputs: WorkspaceInputs, question: Question, prices: Mapping[date, PricesOnDate], *, is_changed: bool
) -> SharedMarket:
    day = (question.changed_day or question.day) if is_changed else question.day
    buyer = (question.changed_buyer or question.buyer) if is_changed else question.buyer
    model = (question.changed_model or question.model) if is_changed else question.model
    changes = question.changes if is_changed else NO_CHANGES
    use_stock = question.scenario.use_stock_on_hand
    return SharedMarket(inputs, [model], day, buyer, question.scenario, prices[day].market, use_stock, changes)


def _maker_first(
    inputs: WorkspaceInputs, question: Question, prices: Mapping[date, PricesOnDate], shared: SharedMarket
) -> Side:
    """One side where the maker's shop is asked first."""
    market = prices[shared.day].market
    planning = ChangedPlanning(
        inputs, shared.models[0], shared.day, shared.buyer, market, question.effort, shared.changes
    )
    plan = planning.plan(shared.scenario)
    return replace(_side(inputs, shared, shared.orders_of(plan), prices), notes=plan.notes)


def _knows(shared: SharedMarket, orders: PlacedOrders) -> bool:
    return orders.bought.keys() <= shared.offers.keys()


def _side(
    inputs: WorkspaceInputs, shared: SharedMarket, orders: PlacedOrders, prices: Mapping[date, PricesOnDate]
) -> Side:
    seen = prices[shared.day]
    costs = CompleteCosts(shared, known_prices(seen.last_seen, seen.summaries, inputs, shared.day, shared.buyer))
    landed_costs = shared.pricing.landed_costs(orders.orders)
    rounded = [landed_cost.rounded for landed_cost in landed_costs]
    landed = shared.pricing.rounded_cost(orders)
    sums = {
        name: sum((getattr(parts, name) for parts in rounded), Decimal(0))
        for name in ("goods", "shipping", "handling", "tax")
    }
    bought = []
    for line, portion, offer_id, _, _, colour, quantity in sorted(orders.served):
        offer = shared.offers[offer_id]
        bought.append(
            Bought(line, portion, in_words(offer.vendor_code), str(offer.columns["part_code"]), colour, quantity)
        )
    exact = sum((landed_cost.exact.total for landed_cost in landed_costs), Fraction(0))
    money, bound = shared.buyer.currency_code, orders.lower_bound or Fraction(0)
    return Side(
        currency_code=money,
        day=shared.day,
        parts=Components(**sums),
        landed_cost=landed,
        unfilled_estimate=costs.estimate(orders),
        unfilled_piece_count=orders.unfilled_count,
        unfilled_estimate_count=costs.unpriced_count(orders),
        spare_piece_count=sum(orders.spares.values()),
        vendors={
            in_words(landed_cost.vendor_code): (landed_cost.rounded.total, landed_cost.piece_count)
            for landed_cost in landed_costs
        },
        bought=tuple(bought),
        lower_bound=min(round_down(bound, currency_digits(money)), landed),
        gap_pct=gap_pct(exact, bound),
    )


def _difference(inputs: WorkspaceInputs, before: Side, after: Side, ratio: CostRatio = UNKNOWN) -> Difference | None:
    if before.unfilled_estimate_count != after.unfilled_estimate_count:
        return None
    rates = inputs.tables["exchange_rates"]
    rate = exchange_rate_on(rates, before.currency_code, after.currency_code, after.day)
    if rate is None:
        return None

    def converted(amount: Decimal) -> Decimal:
        return round_money(Fraction(amount) * rate, after.currency_code)

    possible = before.best_possible
    between = after.best_possible - Interval(converted(possible.low), converted(possible.high))
    amount = after.complete_cost - converted(before.complete_cost)
    if ratio != UNKNOWN and before.unfilled_piece_count == after.unfilled_piece_count:
        landed = Interval(before.lower_bound, before.landed_cost)
        estimates = after.unfilled_estimate - before.unfilled_estimate
        between = within_limits(between, amount, landed, estimates, ratio, after.currency_code)
    return Difference(amount, between)
