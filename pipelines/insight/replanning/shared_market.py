"""One market shared by several models: what each needs, what is left once others have bought, and plans made from that.

Portions keep their numbers within a model. Line numbers are shifted by model, so that all models together look like one.
Plans become orders of pieces by offer, because a vendor may get several orders.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from functools import cached_property

import polars as pl

from pipelines.costing.several_orders import vendor_of, with_order_numbers
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import TermsBook, terms_on
from pipelines.demand.demand_by_date import demand_of
from pipelines.demand.fitting import PORTION_KEY, fitting_elements
from pipelines.errors import PlanRefusedError
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.replanning.changed_assumptions import NO_CHANGES, ChangedAssumptions
from pipelines.insight.replanning.offers import Offers, Pieces
from pipelines.insight.replanning.order_pricing import OrderPricing
from pipelines.insight.replanning.placed_orders import NOTHING_BOUGHT, PlacedOrders, Served
from pipelines.insight.replanning.published_plans import EFFORT
from pipelines.insight.replanning.starting_plans import start_from_orders
from pipelines.planner import solve
from pipelines.planner.statement.problem import Solution
from pipelines.planning.candidates import (
    OFFER_KEY,
    Candidates,
    allowed_terms,
    buyable_steps,
    candidates_among,
    steps_under_terms,
)
from pipelines.planning.purchase_plan import PurchasePlan, as_solution, nothing_bought, plan_of
from pipelines.settings import Buyer, Scenario

Element = tuple[str, str, str]
"""part_code, colour_code and condition."""
_ELEMENT = ["part_code", "colour_code", "condition"]


class SharedMarket:
    """Several models, one buyer, one scenario, one date.

    Args:
        inputs: the workspace.
        models: each with a version of its parts list on the day.
        day: whose prices, terms, rates, lists and decisions hold.
        buyer: who buys.
        scenario: the rules; a rule that asks the maker's shop first is not followed.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the day.
        use_stock_on_hand: whether stock on hand is used first.
        changes: assumptions other than the workspace's.
    """

    def __init__(
        self,
        inputs: WorkspaceInputs,
        models: Sequence[Model],
        day: date,
        buyer: Buyer,
        scenario: Scenario,
        market: pl.DataFrame,
        use_stock_on_hand: bool,
        changes: ChangedAssumptions = NO_CHANGES,
    ) -> None:
        self.inputs, self.models, self.day, self.buyer, self.changes = inputs, tuple(models), day, buyer, changes
        scenario = changes.in_scenario(scenario)
        self.scenario = scenario.model_copy(update={"use_stock_on_hand": use_stock_on_hand})
        self.book: TermsBook = changes.in_terms(terms_on(inputs, day, buyer))
        demand = demand_of(inputs)
        own = [demand.portions(model, day, scenario.use_flexibility) for model in models]
        self.line_step = 10 ** len(str(max((int(frame["line_number"].max() or 0) for frame in own), default=0)))  # type: ignore[arg-type]
        own = [changes.in_portions(frame) for frame in own]
        self.portions = pl.concat(self._as_its_own(model, frame) for model, frame in enumerate(own))
        self.fits = (
            demand.fits(models[0], day, scenario.use_flexibility, scenario.use_substitutes)
            if len(models) == 1 and not changes.changes_portions
            else fitting_elements(self.portions, inputs.tables, day, use_substitutes=scenario.use_substitutes)
        )
        own_parts = self.fits.select("part_code").unique()
        self._market = changes.in_prices(market.join(own_parts, on="part_code", how="semi", maintain_order="left"))
        self._wholes: dict[frozenset[int], Candidates] = {}

    def _as_its_own(self, model: int, portions: pl.DataFrame) -> pl.DataFrame:
        """Portions with line numbers of the model's own, and colour groups that no other model shares."""
        group = (
            pl.when(pl.col("group_code") == "")
            .then(pl.lit(""))
            .otherwise(pl.format("{} {}", pl.lit(model), "group_code"))
        )
        return portions.with_columns(pl.col("line_number") + model * self.line_step, group.alias("group_code"))

    @property
    def everyone(self) -> frozenset[int]:
        """The positions of all models."""
        return frozenset(range(len(self.models)))

    def model_of(self, line_number: int) -> int:
        """The position of the model that a line belongs to."""
        found: int = line_number // self.line_step
        return found

    def candidates(
        self, models: Collection[int], stock: pl.DataFrame | None = None, bought: Mapping[str, int] | None = None
    ) -> Candidates:
        """What may fill the portions of some models, from stock on hand and the offers that others have left."""
        return self._found(models, stock, bought) if self.scenario.use_stock_on_hand or bought else self.whole(models)

    def _found(
        self, models: Collection[int], stock: pl.DataFrame | None = None, bought: Mapping[str, int] | None = None
    ) -> Candidates:
        inputs, market = self.inputs, self._market
        if stock is not None:
            inputs = replace(inputs, tables={**inputs.tables, "stock_on_hand": stock})
        if bought:
            keys = [(*(self.offers[offer_id].columns[name] for name in OFFER_KEY), n) for offer_id, n in bought.items()]
            gone = pl.DataFrame(keys, schema={**dict.fromkeys(OFFER_KEY, pl.String), "gone": pl.Int64}, orient="row")
            gone = with_order_numbers(gone).group_by(OFFER_KEY).agg(pl.col("gone").sum())
            market = market.join(gone, on=OFFER_KEY, how="left", maintain_order="left").with_columns(
                pl.col("quantity_available") - pl.col("gone").fill_null(0)
            )
            market = market.filter(pl.col("quantity_available") > 0).drop("gone")
        of_models = (pl.col("line_number") // self.line_step).is_in(sorted(models))
        steps = steps_under_terms(buyable_steps(market), allowed_terms(self.scenario, self.book))
        return candidates_among(
            steps, self.portions.filter(of_models), self.fits.filter(of_models), inputs, self.scenario
        )

    def whole(self, models: Collection[int]) -> Candidates:
        """The candidates of some models as if nobody had bought anything and nothing were on hand."""
        key = frozenset(models)
        if key not in self._wholes:
            self._wholes[key] = self._found(models, self.inputs.tables["stock_on_hand"].clear())
        return self._wholes[key]

    @property
    def lowest_price(self) -> Decimal | None:
        """The lowest displayed price of a piece that may be bought; None where nothing is on offer."""
        lowest: Decimal | None = self._market["unit_price"].min()  # type: ignore[assignment]
        return lowest

    @property
    def vendor_terms(self) -> list[VendorTerms]:
        """The terms of the vendors that may be bought from."""
        selling = set(self._market["vendor_code"])
        return [each for each in allowed_terms(self.scenario, self.book) if vendor_of(each.vendor_code) in selling]

    @cached_property
    def offers(self) -> Offers:
        """Every offer that may serve any model, by offer_id."""
        return Offers(self.whole(self.everyone))

    @cached_property
    def pricing(self) -> OrderPricing:
        """Prices orders of these offers."""
        return OrderPricing(self.offers, self.book, self.scenario)

    # Plans

    def published_orders(self, model: int, plan_purchase: pl.DataFrame, plan_line: pl.DataFrame) -> PlacedOrders:
        """A published plan of one model (with order codes) as orders; none where one of its offers is no longer there."""
        return self.if_known(orders_from_tables(plan_purchase, plan_line, model * self.line_step))

    def if_known(self, orders: PlacedOrders) -> PlacedOrders:
        """The orders; none where one of their offers is not among these."""
        return orders if orders.bought.keys() <= self.offers.keys() else NOTHING_BOUGHT

    def after(
        self, model: int, before: PlacedOrders, known: Iterable[PlacedOrders], *, use_spares: bool = True
    ) -> PlacedOrders:
        """The orders for one model once others are placed, from what is left on hand, of spares and on offer.

        Args:
            model: its position.
            before: the orders placed.
            known: orders for the model to start from, as far as they can still be had.
            use_spares: whether spares of the earlier orders are used first; they cost nothing more.
        """
        found = self.candidates([model], self._stock_after(before), before.bought)
        from_spares = self._from_spares(model, before.spares, found) if use_spares else []
        needed = dict(found.needed)
        for row in from_spares:
            needed[row[:2]] -= row[-1]
        planned = self._planned(found.with_quantities(needed), known, EFFORT)
        on_hand = tuple(found.on_hand.select(*PORTION_KEY, *_ELEMENT, "quantity").rows())
        return replace(planned, served=(*planned.served, *from_spares), on_hand=on_hand)

    def together(self, models: Collection[int], known: Iterable[PlacedOrders], effort: str) -> PlacedOrders:
        """The orders for some models in one go, one per vendor unless its terms allow several."""
        found = self.candidates(models)
        planned = self._planned(found, known, effort)
        return replace(planned, on_hand=tuple(found.on_hand.select(*PORTION_KEY, *_ELEMENT, "quantity").rows()))

    def taken_over(self, models: Collection[int], orders: PlacedOrders) -> PlacedOrders | None:
        """Known orders for some models cut to what they need and what is on offer here; no bound is known.

        Nothing is planned. None where the rules or the vendors would not accept them.
        """
        found = self.candidates(models)
        best = self._best_start(found, [orders]) if found.uses.height else None
        if best is None:
            return None
        on_hand = tuple(found.on_hand.select(*PORTION_KEY, *_ELEMENT, "quantity").rows())
        return replace(self.orders_of(best), on_hand=on_hand, lower_bound=None)

    def _planned(self, found: Candidates, known: Iterable[PlacedOrders], effort: str) -> PlacedOrders:
        if not found.uses.height:
            return self.orders_of(nothing_bought(found))
        best = self._best_start(found, known)
        start: Solution | None = None if best is None else as_solution(best, found, self.scenario)
        try:
            plan = plan_of(found, solve.solve(found.problem(self.book, self.scenario), effort, start))
        except PlanRefusedError:  # such as a forced vendor that has nothing left
            return self.orders_of(nothing_bought(found))
        return self.orders_of(plan)

    def _best_start(self, found: Candidates, known: Iterable[PlacedOrders]) -> PurchasePlan | None:
        """The best of known orders, each cut to what is needed and on offer, that the rules allow."""
        offers = Offers(found)
        starts = [
            start
            for orders in {orders.content: orders for orders in known}.values()
            if (start := start_from_orders(orders, found, offers, self.pricing)) is not None
        ]
        # Most are never needed as plans: the best one nearly always keeps the rules.
        plans = (start.plan(found) for start in sorted(starts, key=lambda start: start.rank))
        return next((plan for plan in plans if as_solution(plan, found, self.scenario) is not None), None)

    def orders_of(self, plan: PurchasePlan) -> PlacedOrders:
        """A plan of the models' portions as orders; what it takes from stock on hand is left out."""
        orders: dict[str, Pieces] = {}
        for vendor, offer_id, quantity in plan.purchases.select("vendor_code", "offer_id", "quantity").iter_rows():
            orders.setdefault(vendor, {})[offer_id] = quantity
        unfilled = tuple(sorted(plan.pieces_missing.items()))
        served = tuple(plan.allocation_rows)
        return PlacedOrders(tuple(sorted(orders.items())), served, (), unfilled, plan.lower_bound, plan.hit_time_limit)

    def _stock_after(self, before: PlacedOrders) -> pl.DataFrame:
        stock = self.inputs.tables["stock_on_hand"]
        taken: dict[Element, int] = {}
        for row in before.on_hand:
            taken[row[2:5]] = taken.get(row[2:5], 0) + row[5]
        gone = [taken.get(element, 0) for element in stock.select(_ELEMENT).iter_rows()]
        left = pl.col("quantity_on_hand") - pl.Series("gone", gone, dtype=pl.Int64)
        return stock.with_columns(left.alias("quantity_on_hand")).filter(pl.col("quantity_on_hand") > 0)

    def _from_spares(self, model: int, spares: Pieces, found: Candidates) -> list[Served]:
        """Spares used for portions that need pieces, in order; not in combinations, nor where colours must be alike."""
        whole = self.whole([model])
        alone = {p for p, group in zip(found.needed, found.portions["group_code"].to_list(), strict=True) if not group}
        left, rows = dict(spares), list[Served]()
        numbers, ids = list(whole.portion_numbers), list(whole.offer_numbers)
        needed = dict(found.needed)
        is_spare = pl.Series([offer_id in left for offer_id in ids], dtype=pl.Boolean)
        uses = whole.uses.filter(pl.col("combination_code") == "", is_spare.gather(whole.uses["offer_index"]))
        for portion_index, offer_index, colour in uses.select(
            "portion_index", "offer_index", "colour_code"
        ).iter_rows():
            portion, offer_id = numbers[portion_index], ids[offer_index]
            taken = min(needed.get(portion, 0), left[offer_id]) if portion in alone else 0
            if taken > 0:
                needed[portion] -= taken
                left[offer_id] -= taken
                rows.append((*portion, offer_id, "", "", colour, taken))
        return rows


def orders_from_tables(plan_purchase: pl.DataFrame, plan_line: pl.DataFrame, first_line: int = 0) -> PlacedOrders:
    """A published plan of one model (with order codes) as orders; its line numbers are shifted by ``first_line``."""
    orders: dict[str, Pieces] = {}
    for vendor, offer_id, n in plan_purchase.select("vendor_code", "offer_id", "bought_piece_count").iter_rows():
        orders.setdefault(vendor, {})[offer_id] = n
    component = pl.when(pl.col("combination_code") == "").then(pl.lit("")).otherwise("part_code")
    served = plan_line.filter(pl.col("vendor_code") != "").select(
        pl.col("line_number") + first_line,
        "portion_number",
        "offer_id",
        "combination_code",
        component.alias("component_part_code"),
        "colour_code",
        "quantity",
    )
    return PlacedOrders(tuple(sorted(orders.items())), tuple(served.rows()))
