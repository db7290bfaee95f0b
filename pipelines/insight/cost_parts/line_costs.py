"""Each line's part of a plan's cost, and what changing one of the dearest lines would save.

A vendor's order is split over the lines it serves in proportion to the displayed value of the pieces they use. Spares count
for the lines that their offers serve. Shipping, handling and tax follow the goods: they belong to the order and not to its
lines, so no other split is better founded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.landed_cost import work_out
from pipelines.demand.fitting import PORTION_KEY, fitting_elements
from pipelines.errors import PlanRefusedError
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.cost_parts.maker_shop import covering_price, price_with_tax
from pipelines.insight.replanning.offers import Offer, Offers
from pipelines.insight.replanning.plan_changes import ChangeablePlan, ChangedPlan, PlanLimits
from pipelines.insight.replanning.published_plans import EFFORT, PublishedPlan
from pipelines.money import currency_digits, round_money, rounded_together
from pipelines.planner import solve
from pipelines.planning.candidates import Candidates, Portion, candidates_among
from pipelines.planning.purchase_plan import PurchasePlan, as_solution, plan_of
from pipelines.planning.scenarios import ModelPlanning
from schemas.published.whole_costs import LINE_COST

DEAREST_LINES = 6
"""Lines of a plan whose changes are worked out."""
COLOURS_TRIED = 2
"""Colours of a line that are priced exactly: those whose displayed prices promise most."""

Row = dict[str, Any]
LineWeights = dict[str, dict[int, Fraction]]
"""By vendor, each line's part of its order; the parts add up to 1."""


def line_weights(plan_line: pl.DataFrame, plan_purchase: pl.DataFrame) -> LineWeights:
    """How each vendor's order of one published plan splits over the lines it serves.

    An order without value is split evenly over the lines it serves. One that serves no line (spares only) counts whole for
    line 0, which no parts list has.
    """
    bought = {offer_id: (vendor, n) for vendor, offer_id, n in _purchases(plan_purchase)}
    price_of = dict(plan_purchase.select("offer_id", "unit_price").iter_rows())
    used: dict[str, dict[int, int]] = {}
    for line, offer_id, quantity in (
        plan_line.filter(pl.col("vendor_code") != "").select("line_number", "offer_id", "quantity").iter_rows()
    ):
        of_offer = used.setdefault(offer_id, {})
        of_offer[line] = of_offer.get(line, 0) + quantity
    weights: LineWeights = {}
    for offer_id, (vendor, quantity) in sorted(bought.items()):
        of_vendor, of_offer = weights.setdefault(vendor, {}), used.get(offer_id, {})
        pieces = sum(of_offer.values())
        for line, n in of_offer.items():
            of_vendor[line] = of_vendor.get(line, Fraction(0)) + Fraction(price_of[offer_id]) * quantity * n / pieces
    for of_vendor in weights.values():
        total = sum(of_vendor.values(), Fraction(0))
        lines = list(of_vendor) or [0]
        for line in lines:
            of_vendor[line] = of_vendor[line] / total if total else Fraction(1, len(lines))
    return weights


def _purchases(plan_purchase: pl.DataFrame) -> list[tuple[str, str, int]]:
    return plan_purchase.select("vendor_code", "offer_id", "bought_piece_count").rows()


def split_over_lines(weights: LineWeights, amounts: Mapping[str, Decimal]) -> dict[int, Fraction]:
    """Amounts by vendor, split over lines."""
    lines: dict[int, Fraction] = {}
    for vendor, of_vendor in weights.items():
        for line, weight in of_vendor.items():
            lines[line] = lines.get(line, Fraction(0)) + Fraction(amounts[vendor]) * weight
    return lines


def line_cost_rows(
    inputs: WorkspaceInputs,
    published: PublishedPlan,
    planning: ModelPlanning,
    plan: PurchasePlan,
    candidates: Candidates,
    near: Candidates,
) -> list[Row]:
    """LINE_COST rows of one published plan, with what changes of its dearest lines would save.

    Args:
        inputs: the workspace.
        published: the plan.
        planning: of its model, buyer and date.
        plan: the same as a PurchasePlan.
        candidates: of its scenario.
        near: candidates of the plan's vendors and of a few others.
    """
    rows, money = published.rows, published.buyer.currency_code
    digits = currency_digits(money)
    weights = line_weights(rows["plan_line"], rows["plan_purchase"])
    by_vendor = rows["plan_vendor"].select("vendor_code", "goods", "landed_cost").rows()
    estimates = _by_line(rows["unfilled_line"], "unfilled_estimate")
    portions = planning.portions(published.scenario)
    lines = sorted(set(portions["line_number"].to_list()) | set(split_over_lines(weights, _amounts(by_vendor, 1))))
    goods = _whole(split_over_lines(weights, _amounts(by_vendor, 1)), lines, digits)
    landed = _whole(split_over_lines(weights, _amounts(by_vendor, 2)), lines, digits)
    cost = {line: landed[line] + estimates.get(line, Decimal(0)) for line in lines}
    complete = sum(cost.values(), Decimal(0))
    ranked = sorted(lines, key=lambda line: (-cost[line], line))
    about = {row["line_number"]: row for row in portions.sort(PORTION_KEY, descending=True).iter_rows(named=True)}
    pieces = _by_line(portions, "quantity")
    changes = LineChanges(inputs, published, planning, plan, candidates, near, estimates)
    dearest = changes.of_lines([line for line in ranked[:DEAREST_LINES] if cost[line] and line in about], goods)
    found = []
    for rank, line in enumerate(ranked, start=1):
        named = about.get(line, _NO_LINE)
        found.append(
            {
                "priced_on": published.day,
                "model_code": published.model.model_code,
                "scenario_code": published.scenario.scenario_code,
                "buyer_code": published.buyer.buyer_code,
                "line_number": line,
                **{name: named[name] for name in ("portion_source", "listed_part_code", "listed_colour_code")},
                "quantity": pieces.get(line, 0),
                "currency_code": money,
                "line_goods": goods[line],
                "line_cost": cost[line],
                "line_cost_share": float(cost[line] / complete) if complete else 0.0,
                "cost_rank": rank,
                **dearest.get(line, {name: LINE_COST.optional[name] for name in _CHANGES}),
            }
        )
    return found


_CHANGES = ("other_colour_code", "other_colour_saving", "other_form_saving", "left_out_saving")
_NO_LINE = {"portion_source": "designer", "listed_part_code": "", "listed_colour_code": ""}


def _amounts(by_vendor: list[tuple[Any, ...]], at: int) -> dict[str, Decimal]:
    return {row[0]: row[at] for row in by_vendor}


def _whole(split: Mapping[int, Fraction], lines: list[int], digits: int) -> dict[int, Decimal]:
    """Amounts by line in the currency's digits; they add up."""
    return dict(zip(lines, rounded_together([split.get(line, Fraction(0)) for line in lines], digits), strict=True))


def _by_line(frame: pl.DataFrame, name: str) -> dict[int, Any]:
    return dict(frame.group_by("line_number").agg(pl.col(name).sum()).iter_rows())


class LineChanges:
    """What a plan would cost with one line changed and everything else bought as it is.

    A line's pieces move to offers of the plan's vendors or of one more, and the landed cost prices the orders. So each saving
    is real, though a new plan might save more. Only leaving a line out is planned anew, where the simple change saves little.
    """

    def __init__(
        self,
        inputs: WorkspaceInputs,
        published: PublishedPlan,
        planning: ModelPlanning,
        plan: PurchasePlan,
        candidates: Candidates,
        near: Candidates,
        estimates: Mapping[int, Decimal],
    ) -> None:
        self.inputs, self.published, self.planning, self.plan = inputs, published, planning, plan
        self.scenario, self.candidates, self.near = published.scenario, candidates, near
        self.estimates = estimates
        self._known_offers: dict[int, tuple[Candidates, Offers]] = {}
        self._offers = self._offers_of(candidates)
        forced = frozenset(self.scenario.forced_vendors)
        self._limits = PlanLimits(self.scenario.allow_spares, self.scenario.maximum_vendor_count, forced)

    def of_lines(self, lines: list[int], goods: Mapping[int, Decimal]) -> dict[int, Row]:
        """Savings of each line's changes; None for a change that is impossible or saves nothing."""
        if not lines:
            return {}
        portions = self.planning.portions(self.scenario).filter(pl.col("line_number").is_in(lines))
        any_colour = portions.with_columns(pl.lit("any").alias("colour_rule"), pl.lit("").alias("group_code"))
        any_form = portions.with_columns(pl.lit(False).alias("is_load_bearing"))
        coloured, formed = self._candidates(any_colour), self._candidates(any_form)
        return {
            line: {
                **self._in_another_colour(line, coloured),
                "other_form_saving": self._in_another_form(line, formed),
                "left_out_saving": self._without(line, goods[line]),
            }
            for line in lines
        }

    def _candidates(self, portions: pl.DataFrame) -> Candidates:
        substitutes = self.scenario.use_substitutes
        fits = fitting_elements(portions, self.inputs.tables, self.published.day, use_substitutes=substitutes)
        found = candidates_among(self.planning.steps, portions, fits, self.inputs, self.scenario)
        return found.of_vendors(self.candidates.vendor_codes)

    def _offers_of(self, found: Candidates) -> Offers:
        if id(found) not in self._known_offers:
            self._known_offers[id(found)] = found, Offers(found)
        return self._known_offers[id(found)][1]

    def _needed(self, line: int) -> dict[Portion, int]:
        return {portion: n for portion, n in self.candidates.needed.items() if portion[0] == line}

    def _in_another_colour(self, line: int, found: Candidates) -> Row:
        needed = self._needed(line)
        by_colour: dict[str, dict[Portion, list[tuple[Fraction, Offer]]]] = {}
        for portion, uses in self._uses(line, found).items():
            for price, offer in uses:
                by_colour.setdefault(offer.columns["colour_code"], {}).setdefault(portion, []).append((price, offer))
        promising = []
        for colour, of_colour in sorted(by_colour.items()):
            prices = [covering_price(of_colour.get(portion, []), n) for portion, n in needed.items()]
            if all(price is not None for price in prices):
                worth = sum((p * n for p, n in zip(prices, needed.values(), strict=True)), Fraction(0))  # type: ignore[operator]
                promising.append((worth, colour, of_colour))
        best: tuple[Decimal, str] = (Decimal(0), "")
        for _, colour, of_colour in sorted(promising, key=lambda each: each[:2])[:COLOURS_TRIED]:
            saved = self._saved(line, self._moved(needed, of_colour))
            if saved is not None and saved > best[0]:
                best = (saved, colour)
        return {"other_colour_code": best[1], "other_colour_saving": best[0] if best[1] else None}

    def _in_another_form(self, line: int, found: Candidates) -> Decimal | None:
        known = set(self.candidates.offers["offer_id"])
        uses = self._uses(line, found)
        if not any(offer.columns["offer_id"] not in known for prices in uses.values() for _, offer in prices):
            return None
        saved = self._saved(line, self._moved(self._needed(line), uses))
        return saved if saved is not None and saved > 0 else None

    def _without(self, line: int, goods: Decimal) -> Decimal | None:
        """What leaving the line out saves; planned anew where that is less than its goods, as a minimum or waiver may need them."""
        needed = self._needed(line)
        moved = ChangeablePlan(self.plan, self._offers, self.planning.book.vendors).with_portions_moved(
            needed, {}, [frozenset()], self._limits
        )
        saved = self._saved(line, moved)
        if saved is not None and saved >= goods:
            return saved
        left = self.near.with_quantities(
            {portion: n for portion, n in self.near.needed.items() if portion not in needed}
        )
        if not left.uses.height:
            return saved
        start = None
        if moved is not None:
            unfilled = {row[:2]: row[2] for row in moved.plan.unfilled.rows() if row[:2] not in needed}
            rows = [(*portion, n) for portion, n in sorted(unfilled.items())]
            kept = replace(
                moved.plan,
                needed=left.portions.select(*PORTION_KEY, "group_code", "quantity"),
                unfilled=pl.DataFrame(rows, schema=moved.plan.unfilled.schema, orient="row"),
            )
            start = as_solution(kept, left, self.scenario)
        try:
            plan = plan_of(left, solve.solve(left.problem(self.planning.book, self.scenario), EFFORT, start))
        except PlanRefusedError:
            return saved
        landed_cost = work_out(plan.purchases, self.planning.book.vendors)
        missing = self.plan.rank[0] - sum(n for portion, n in self.plan.pieces_missing.items() if portion in needed)
        if landed_cost.broken_rules or plan.rank[0] > missing:
            return saved
        anew = self._saved(line, ChangedPlan(plan, landed_cost.total))
        return anew if saved is None or anew is None else max(saved, anew)

    def _uses(self, line: int, found: Candidates) -> dict[Portion, list[tuple[Fraction, Offer]]]:
        """Direct uses of a line's portions, cheapest first."""
        portions = list(found.needed.items())
        numbers = [found.portion_numbers[portion] for portion in found.needed if portion[0] == line]
        direct = found.uses.filter(pl.col("combination_code") == "", pl.col("portion_index").is_in(numbers))
        offers = self._offers_of(found)
        ids = list(found.offer_numbers)
        uses: dict[Portion, list[tuple[Fraction, Offer]]] = {}
        for portion_index, offer_index in direct.select("portion_index", "offer_index").iter_rows():
            portion, quantity = portions[portion_index]
            offer = offers[ids[offer_index]]
            pieces = max(min(quantity, offer.most), offer.steps[0][0])
            price = price_with_tax(
                Fraction(offer.value(pieces)) / pieces, self.planning.book.vendors[offer.vendor_code]
            )
            uses.setdefault(portion, []).append((price, offer))
        for prices in uses.values():
            prices.sort(key=lambda pair: (pair[0], pair[1].columns["offer_id"]))
        return uses

    def _moved(
        self,
        needed: Mapping[Portion, int],
        uses: Mapping[Portion, list[tuple[Fraction, Offer]]],
    ) -> ChangedPlan | None:
        own = frozenset(self.plan.purchases["vendor_code"])
        extra = {offer.columns["offer_id"]: offer for prices in uses.values() for _, offer in prices}
        options = {portion: [str(offer.columns["offer_id"]) for _, offer in prices] for portion, prices in uses.items()}
        cheapest = sorted({prices[0][1].vendor_code for prices in uses.values() if prices} - own)
        choices = [own, *(own | {code} for code in cheapest)]
        bought = {offer_id: self._offers[offer_id] for offer_id in self.plan.purchases["offer_id"]}
        changeable = ChangeablePlan(self.plan, {**bought, **extra}, self.planning.book.vendors)
        moved = changeable.with_portions_moved(needed, options, choices, self._limits)
        is_filled = moved is not None and not any(portion in needed for portion in moved.plan.pieces_missing)
        return moved if is_filled else None

    def _saved(self, line: int, moved: ChangedPlan | None) -> Decimal | None:
        """What a changed plan saves, the line's estimate included: its missing pieces are then bought, or not needed."""
        if moved is None:
            return None
        before = self.published.rows["model_cost"]["landed_cost"][0] + self.estimates.get(line, Decimal(0))
        return round_money(before - moved.landed_cost, self.published.buyer.currency_code)
