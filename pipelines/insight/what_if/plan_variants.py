"""Variants of a plan: without one vendor, in fewer parcels, with other shipping charges, with a second source for all lines.

Variants are plans of their own, made with little effort. Each can really be bought, and a better one may exist. So what a
variant costs more than the plan may be overstated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
import polars as pl

from pipelines.costing.landed_cost import work_out
from pipelines.costing.several_orders import order_number_of, vendor_of, vendors_of
from pipelines.costing.terms_on import TermsBook
from pipelines.demand.fitting import PORTION_KEY
from pipelines.errors import PlanRefusedError
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.cost_parts.maker_shop import price_with_tax
from pipelines.insight.replanning.published_plans import EFFORT, PublishedPlan, longest_first, published_plans
from pipelines.insight.what_if.robust_plan import MINIMUM_SHARES, SOURCES, vendors_to_add
from pipelines.planner import solve
from pipelines.planning.candidates import Candidates
from pipelines.planning.purchase_plan import PurchasePlan, as_solution, plan_of
from pipelines.settings import Scenario
from pipelines.workers import spread
from schemas.published.plans import SECOND_SOURCE
from schemas.published.what_if import PLAN_VARIANT
from schemas.validate import polars_schema, validate_typed

SCENARIOS = ("cheapest",)
SHIPPING_CHARGES = tuple(Decimal(charge) for charge in (4, 8, 12))
"""What a parcel may cost to ship, in the buyer's currency: 7 is usual, 6 for a small one (common practice, no source)."""


OTHER_VENDORS = 12
"""Vendors kept besides the plan's own: those among the cheapest for most portions."""
AMONG_CHEAPEST = 3


def plan_variants(
    inputs: WorkspaceInputs, market: pl.DataFrame, plans: Mapping[str, pl.DataFrame], day: date
) -> dict[str, pl.DataFrame]:
    """Variants of every model's cheapest mix on a date, and who else sells what it buys.

    Args:
        inputs: the workspace.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the date.
        plans: the tables of plan_night.
        day: the priced date.

    Returns:
        Frames of the contracts PLAN_VARIANT and SECOND_SOURCE, sorted by key.
    """
    needed = enumerate(longest_first(published_plans(inputs, market, plans, day, SCENARIOS)))
    found: dict[str, list[dict[str, Any]]] = {PLAN_VARIANT.name: [], SECOND_SOURCE.name: []}
    for _, (variants, sources) in spread(variants_of_plan, inputs, needed, inputs.settings.refresh.workers):
        found[PLAN_VARIANT.name] += variants
        found[SECOND_SOURCE.name] += sources
    tables = {}
    for contract in (PLAN_VARIANT, SECOND_SOURCE):
        frame = pl.DataFrame(found[contract.name], schema=polars_schema(contract), orient="row").sort(contract.key)
        tables[contract.name] = validate_typed(contract, frame, where=f"variants of plans on {day}")
    return tables


def variants_of_plan(
    inputs: WorkspaceInputs, published: PublishedPlan
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """PLAN_VARIANT and SECOND_SOURCE rows of one published plan."""
    planning = published.planning(inputs)
    candidates = planning.candidates(published.scenario)
    plan = published.plan(planning, candidates)
    if plan is None or not plan.purchases.height:
        return [], []
    key = {
        "priced_on": published.day,
        "model_code": published.model.model_code,
        "scenario_code": published.scenario.scenario_code,
        "buyer_code": published.buyer.buyer_code,
    }
    sources = able_vendors(plan, candidates, planning.book)
    variants = _Variants(plan, shortlisted(plan, candidates, planning.book), published.scenario, planning.book)
    rows = variants.rows() + variants.robust(candidates, sources)
    return (
        [{**key, **row} for row in rows],
        [{**key, **row} for row in second_sources(plan, sources, planning.book)],
    )


def shortlisted(plan: PurchasePlan, candidates: Candidates, book: TermsBook) -> Candidates:
    """The candidates of the plan's vendors and of a few others."""
    own = set(vendors_of(plan.purchases["vendor_code"]))
    cheapest = candidates.steps.group_by("offer_index").agg(pl.col("unit_price").cast(pl.Float64).min().alias("price"))
    place = pl.col("price").rank("min").over("portion_index")
    counts = (
        candidates.uses.select("portion_index", "offer_index")
        .join(candidates.offers.select("offer_index", "vendor_code"), on="offer_index")
        .join(cheapest, on="offer_index")
        .join(_rates(book), on="vendor_code")
        .with_columns(pl.col("price") * pl.col("rate"))
        .filter(~pl.col("vendor_code").is_in(candidates.orders_with(own)))
        .filter(place <= AMONG_CHEAPEST)
        .group_by("vendor_code")
        .agg(pl.col("portion_index").n_unique().alias("portion_count"))
        .sort("portion_count", "vendor_code", descending=[True, False])
    )
    return candidates.of_vendors(candidates.orders_with(own | set(counts["vendor_code"].head(OTHER_VENDORS))))


def _rates(book: TermsBook) -> pl.DataFrame:
    """The buyer's currency for one unit of each vendor's displayed prices, with tax on goods; for ranks and display only."""
    codes = sorted(book.vendors)
    rates = [float(price_with_tax(Fraction(1), book.vendors[code])) for code in codes]
    return pl.DataFrame({"vendor_code": codes, "rate": rates}, schema={"vendor_code": pl.String, "rate": pl.Float64})


class _Variants:
    """Makes the variants of one plan; a plan made for one variant is tried for the others."""

    def __init__(self, plan: PurchasePlan, candidates: Candidates, scenario: Scenario, book: TermsBook) -> None:
        self.plan, self.candidates, self.scenario, self.book = plan, candidates, scenario, book
        self.known = [plan]

    def rows(self) -> list[dict[str, Any]]:
        """PLAN_VARIANT rows without the plan's key."""
        orders = set(self.plan.purchases["vendor_code"])
        vendors = vendors_of(orders)
        made: list[tuple[str, str, Candidates, Scenario]] = []
        for code in vendors:
            others = self.candidates.of_vendors(
                [each for each in self.candidates.vendor_codes if vendor_of(each) != code]
            )
            made.append(("without_vendor", code, others, self.scenario))
        for most in range(len(orders) - 1, 0, -1):
            limited = self.scenario.model_copy(update={"maximum_vendor_count": most})
            made.append(("at_most_vendors", str(most), self.candidates, limited))
        found: dict[tuple[str, str], PurchasePlan] = {}
        for _, _, allowed, rules in made:
            self._solve(allowed, rules, self.book)
        for kind, value, allowed, rules in made:
            # Every plan made so far that keeps the variant's rules stands for it, the cheapest first.
            fits = [known for known in self.known if as_solution(known, allowed, rules) is not None]
            if fits:
                found[kind, value] = min(fits, key=lambda known: known.rank)
        rows = [_row(kind, value, variant, self.book) for (kind, value), variant in sorted(found.items())]
        return rows + self._other_shipping()

    def robust(self, candidates: Candidates, sources: pl.DataFrame) -> list[dict[str, Any]]:
        """The variant with a second source for every line: the plan's vendors and others added, all with an order.

        Args:
            candidates: of all vendors.
            sources: as of able_vendors.
        """
        of_portion: dict[tuple[int, int], set[str]] = {}
        for line, portion, code in sources.select(*PORTION_KEY, "vendor_code").iter_rows():
            of_portion.setdefault((line, portion), set()).add(code)
        own = set(vendors_of(self.plan.purchases["vendor_code"]))
        limit = self.scenario.maximum_vendor_count
        found: list[PurchasePlan] = []
        for share in MINIMUM_SHARES:
            added = vendors_to_add(of_portion, own, self.book, share)
            if not added or (limit is not None and len(own) + len(added) > limit):
                continue
            every = sorted(own | set(added))
            rules = self.scenario.model_copy(update={"forced_vendors": every})
            if plan := self._solve(candidates.of_vendors(candidates.orders_with(every)), rules, self.book):
                found.append(plan)
        if not found:
            return []
        return [_row("sources_in_plan", str(SOURCES), min(found, key=lambda plan: plan.rank), self.book)]

    def _solve(self, allowed: Candidates, rules: Scenario, book: TermsBook) -> PurchasePlan | None:
        if not allowed.uses.height:
            return None
        fits = [(known.rank, start) for known in self.known if (start := as_solution(known, allowed, rules))]
        start = min(fits, key=lambda pair: pair[0])[1] if fits else None
        try:
            plan = plan_of(allowed, solve.solve(allowed.problem(book, rules), EFFORT, start))
        except PlanRefusedError:
            return None
        landed_cost = work_out(plan.purchases, book.vendors)
        if landed_cost.broken_rules or landed_cost.exact_cost != plan.cost:
            return None
        if book is self.book:
            self.known.append(plan)
        return plan

    def _other_shipping(self) -> list[dict[str, Any]]:
        """Plans if every independent vendor's flat shipping charge were another."""
        rows = []
        for charge in SHIPPING_CHARGES:
            book = _with_shipping(self.book, charge)
            start = as_solution(self.plan, self.candidates, self.scenario)
            try:
                solution = solve.solve(self.candidates.problem(book, self.scenario), EFFORT, start)
            except PlanRefusedError:
                continue
            plan = plan_of(self.candidates, solution)
            if not work_out(plan.purchases, book.vendors).broken_rules:
                rows.append(_row("flat_shipping", f"{charge:f}", plan, book))
        return rows


def _row(kind: str, value: str, variant: PurchasePlan, book: TermsBook) -> dict[str, Any]:
    landed = work_out(variant.purchases, book.vendors).total
    orders = set(variant.purchases["vendor_code"])
    return {
        "variant_kind": kind,
        "variant_value": value,
        "landed_cost": landed,
        "unfilled_piece_count": variant.rank[0],
        "vendor_count": len(orders),
        "variant_vendor_codes": ";".join(vendors_of(orders)),
    }


def _with_shipping(book: TermsBook, charge: Decimal) -> TermsBook:
    """The terms with another flat shipping charge for every independent vendor that has one."""
    changed = {
        code: replace(terms, shipping_charge=_in_vendors_currency(charge, terms.rate))
        for code, terms in book.vendors.items()
        if terms.vendor_kind == "independent" and terms.shipping_charge
    }
    return replace(book, vendors={**book.vendors, **changed})


def _in_vendors_currency(amount: Decimal, rate: Fraction) -> Decimal:
    exact = Fraction(amount) / rate
    return (Decimal(exact.numerator) / Decimal(exact.denominator)).quantize(Decimal("0.000001"))


def able_vendors(plan: PurchasePlan, candidates: Candidates, book: TermsBook) -> pl.DataFrame:
    """The sources of every portion that the plan buys: vendors with one direct offer that fills it whole.

    A portion of a colour group stays in the plan's colour.

    Returns:
        line_number, portion_number, vendor_code and price (in the buyer's currency, with the tax on goods), the cheapest first.
    """
    portions = candidates.portions.select("portion_index", *PORTION_KEY, "group_code", "quantity")
    colours = plan.allocations.select(*PORTION_KEY, pl.col("colour_code").alias("bought_colour"))
    most = pl.min_horizontal("quantity_available", "maximum_per_order")
    is_first = pl.col("vendor_code").is_in([code for code in candidates.vendor_codes if order_number_of(code) == 1])
    offers = candidates.offers.filter(is_first).select(
        "offer_index",
        "vendor_code",
        (most // pl.col("sold_in_multiples_of") * pl.col("sold_in_multiples_of")).alias("most"),
    )
    steps = candidates.steps.select("offer_index", "step_from_quantity", "unit_price")
    return (
        candidates.uses.filter(pl.col("combination_code") == "")
        .join(portions, on="portion_index")
        .join(colours.unique(PORTION_KEY, keep="any"), on=PORTION_KEY)
        .filter((pl.col("group_code") == "") | (pl.col("colour_code") == pl.col("bought_colour")))
        .join(offers, on="offer_index")
        .filter(pl.col("most") >= pl.col("quantity"))
        .join(steps, on="offer_index")
        .filter(pl.col("step_from_quantity") <= pl.col("quantity"))
        .sort("offer_index", "step_from_quantity")
        .group_by("portion_index", "offer_index", maintain_order=True)
        .last()
        .join(_rates(book), on="vendor_code")
        .with_columns(price=pl.col("unit_price").cast(pl.Float64) * pl.col("rate"))
        .sort("portion_index", "price", "vendor_code")
        .unique(["portion_index", "vendor_code"], keep="first", maintain_order=True)
        .select(*PORTION_KEY, "vendor_code", "price")
    )


def second_sources(plan: PurchasePlan, sources: pl.DataFrame, book: TermsBook) -> list[dict[str, Any]]:
    """SECOND_SOURCE rows, without the plan's key, of every portion that the plan buys.

    The second source is the cheapest one that the plan does not buy the portion from.

    Args:
        plan, book: the plan and its terms.
        sources: as of able_vendors.
    """
    bought = plan.allocations.join(plan.purchases.select("offer_id", "vendor_code", "unit_price"), on="offer_id")
    bought = bought.join(_rates(book), on="vendor_code").with_columns(
        price=pl.col("unit_price").cast(pl.Float64) * pl.col("rate")
    )
    of_portion = dict(sources.group_by(*PORTION_KEY, maintain_order=True))
    vendors_of_plan = set(vendors_of(plan.purchases["vendor_code"]))
    rows = []
    for key, served in bought.sort(PORTION_KEY).group_by(PORTION_KEY, maintain_order=True):
        own = set(vendors_of(served["vendor_code"]))
        able = of_portion.get(key, sources.clear())
        second = next((row for row in able.iter_rows(named=True) if row["vendor_code"] not in own), None)
        rows.append(
            {
                "line_number": key[0],
                "portion_number": key[1],
                "quantity": int(served["quantity"].sum()),
                "source_vendor_codes": ";".join(sorted(own)),
                "paid_unit_price": _price(
                    np.average(served["price"].to_numpy(), weights=served["quantity"].to_numpy())
                ),
                "source_count": able.height,
                "source_in_plan_count": len(vendors_of_plan & set(able["vendor_code"])),
                "second_vendor_code": second["vendor_code"] if second else "",
                "second_unit_price": _price(second["price"]) if second else None,
                "is_second_in_plan": second is not None and second["vendor_code"] in vendors_of_plan,
            }
        )
    return rows


def _price(value: float) -> Decimal:
    return Decimal(repr(float(value))).quantize(Decimal("0.000001"))
