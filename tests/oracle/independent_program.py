"""A second optimiser for purchase problems, on another solver (SCIP) and another formulation.

Written from the terms and the landed cost's text alone: every threshold is a yes-or-no variable on the goods value, every charge a
variable beside it. No bands, no reductions, no code of the planner's but the problem's frames. Spares must be allowed.
"""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal
from fractions import Fraction
from typing import Any

from pyscipopt import Model, quicksum

from pipelines.costing.terms import VendorTerms
from pipelines.planner.statement.problem import Problem

BELOW = 2e-4
"""Goods values a threshold is not reached at stay this far below it; the test problems' prices are coarser."""


def best_cost(problem: Problem, gap: float = 1e-7) -> tuple[int, float, float]:
    """Fewest unfilled pieces, the least cost of such a plan with its orders' parcel penalty, and SCIP's bound on it."""
    assert problem.allow_spares
    fewest = round(_solved(_Program(problem), None, 0.0).getObjVal())
    model = _solved(_Program(problem), fewest, gap)
    return fewest, model.getObjVal(), model.getDualbound()


def _solved(program: _Program, unfilled: int | None, gap: float) -> Model:
    model = program.model
    if unfilled is None:
        model.setObjective(quicksum(program.missing))
    else:
        model.addCons(quicksum(program.missing) <= unfilled)
        model.setObjective(quicksum(program.costs))
        model.setParam("limits/gap", gap)
    model.setParam("numerics/feastol", 1e-9)
    model.optimize()
    assert model.getStatus() in ("optimal", "gaplimit"), model.getStatus()
    return model


class _Program:
    """Columns and rows of one problem."""

    def __init__(self, problem: Problem) -> None:
        self.model = Model()
        self.model.hideOutput()
        self.offers = problem.offers.to_dicts()
        self.steps: dict[int, list[tuple[int, Decimal]]] = defaultdict(list)
        for index, start, price in problem.offer_steps.sort("offer_index", "step_from_quantity").iter_rows():
            self.steps[index].append((start, price))
        self.used: dict[int, list[Any]] = defaultdict(list)
        self.missing = self._portions(problem)
        useful = {index for index in self.used if self.used[index]}
        self.pieces: dict[Any, Any] = {}
        self.buys: dict[Any, Any] = {}
        self.values: dict[Any, Any] = {}
        for offer in self.offers:
            if offer["offer_index"] in useful:
                self._offer(offer, problem.terms[offer["vendor_code"]])
        by_vendor = defaultdict(list)
        for index in sorted(useful):
            by_vendor[self.offers[index]["vendor_code"]].append(index)
        self.opened: list[Any] = []
        self.costs: list[Any] = []
        for code, indices in by_vendor.items():
            self.costs.append(self._vendor(problem.terms[code], indices))
            self.costs.append(float(problem.penalties.of(code)) * self.opened[-1])
            if code in problem.forced_vendors:
                self.model.addCons(quicksum(taken for index in indices for taken in self.used[index]) >= 1)
        if problem.maximum_vendor_count is not None:
            self.model.addCons(quicksum(self.opened) <= problem.maximum_vendor_count)

    def _whether(self) -> Any:
        return self.model.addVar(vtype="B")

    def _amount(self, upper: float | None = None) -> Any:
        return self.model.addVar(lb=0, ub=upper)

    def _portions(self, problem: Problem) -> list[Any]:
        uses = defaultdict(list)
        for use in problem.uses.to_dicts():
            uses[use["portion_index"]].append(use)
        colours = sorted({use["colour_code"] for use in problem.uses.to_dicts()})
        groups = sorted({row["group_code"] for row in problem.portions.to_dicts()} - {""})
        chosen = {(group, colour): self._whether() for group in groups for colour in colours}
        for group in groups:
            self.model.addCons(quicksum(chosen[group, colour] for colour in colours) <= 1)
        missing = []
        for portion in problem.portions.to_dicts():
            need, pieces = portion["quantity"], []
            components: defaultdict[Any, Any] = defaultdict(lambda: defaultdict(list))
            needed_parts = defaultdict(set)
            for use in uses[portion["portion_index"]]:
                if use["combination_code"]:
                    components[use["combination_code"], use["colour_code"]][use["component_part_code"]].append(use)
                    needed_parts[use["combination_code"]].add(use["component_part_code"])
                    continue
                taken = self.model.addVar(vtype="I", lb=0, ub=need)
                self.used[use["offer_index"]].append(taken)
                pieces.append((taken, use["colour_code"]))
            for (code, colour), parts in components.items():
                if set(parts) != needed_parts[code]:
                    continue
                made = self.model.addVar(vtype="I", lb=0, ub=need)
                pieces.append((made, colour))
                for found in parts.values():
                    takes = [self.model.addVar(vtype="I", lb=0) for _ in found]
                    for use, taken in zip(found, takes, strict=True):
                        self.used[use["offer_index"]].append(taken)
                    self.model.addCons(quicksum(takes) == found[0]["component_count"] * made)
            if group := portion["group_code"]:
                for taken, colour in pieces:
                    self.model.addCons(taken <= need * chosen[group, colour])
            lacking = self.model.addVar(vtype="I", lb=0, ub=need)
            self.model.addCons(quicksum(taken for taken, _ in pieces) + lacking == need)
            missing.append(lacking)
        return missing

    def _offer(self, offer: dict[str, Any], terms: VendorTerms) -> None:
        index, multiple = offer["offer_index"], offer["sold_in_multiples_of"]
        most = min(offer["quantity_available"], offer["maximum_per_order"] or offer["quantity_available"])
        packs = self.model.addVar(vtype="I", lb=0, ub=most // multiple)
        steps = self.steps[index]
        at_step, parts, value, below = [], [], [], 0.0
        for number, (start, price) in enumerate(steps):
            last = steps[number + 1][0] - 1 if number + 1 < len(steps) else most
            bought_here, here = self._amount(), self._whether()
            self.model.addCons(bought_here >= start * here)
            self.model.addCons(bought_here <= max(0, min(last, most)) * here)
            if number and offer["step_kind"] == "incremental":
                first, last_price = (steps[number - 1][0] if number > 1 else 1), float(steps[number - 1][1])
                below += last_price * (start - first)
                worth_here = below * here + float(price) * (bought_here - (start - 1) * here)
            else:
                worth_here = float(price) * bought_here
            self.model.addCons(worth_here >= float(terms.minimum_line_value) * here)
            at_step.append(here)
            parts.append(bought_here)
            value.append(worth_here)
        buys = self._whether()
        self.model.addCons(quicksum(at_step) == buys)
        self.model.addCons(multiple * packs == quicksum(parts))
        self.model.addCons(quicksum(self.used[index]) <= quicksum(parts))
        self.pieces[index], self.buys[index], self.values[index] = quicksum(parts), buys, quicksum(value)

    def _most_value(self, index: int) -> float:
        offer = self.offers[index]
        most = min(offer["quantity_available"], offer["maximum_per_order"] or offer["quantity_available"])
        found: float = most * max(float(price) for _, price in self.steps[index])
        return found

    def _reached(self, value: Any, threshold: float, most: float) -> Any:
        """Whether a value is at least a threshold."""
        is_reached = self._whether()
        self.model.addCons(value >= threshold * is_reached)
        self.model.addCons(value <= threshold - BELOW + (most + 1) * is_reached)
        return is_reached

    def _unless(self, charge: float, opened: Any, waived: Any) -> Any:
        """A charge for an order, unless waived; both are yes-or-no."""
        paid = self._amount()
        self.model.addCons(paid >= charge * (opened - waived))
        return paid

    def _share_when(self, value: Any, rate: float, when: Any, most: float) -> Any:
        """``rate`` times a value when something holds, exactly."""
        share, bound = self._amount(), rate * most + 1
        self.model.addCons(share <= bound * when)
        self.model.addCons(share <= rate * value)
        self.model.addCons(share >= rate * value - bound * (1 - when))
        return share

    def _vendor(self, terms: VendorTerms, indices: list[int]) -> Any:
        opened = self._whether()
        self.opened.append(opened)
        for index in indices:
            self.model.addCons(self.buys[index] <= opened)
        self.model.addCons(quicksum(self.buys[index] for index in indices) >= opened)
        most = sum(self._most_value(index) for index in indices)
        value = self._amount(most)
        self.model.addCons(value == quicksum(self.values[index] for index in indices))
        self._limits(terms, indices, value, opened)
        goods, handling = value, float(terms.order_fee) * opened + float(terms.order_fee_pct) / 100 * value
        if terms.discount_pct:
            reached = self._reached(value, float(terms.discount_from), most) if terms.discount_from else opened
            goods = value - self._share_when(value, float(terms.discount_pct) / 100, reached, most)
        if terms.soft_minimum:
            reached = self._reached(value, float(terms.soft_minimum), most)
            handling += self._unless(float(terms.soft_minimum_charge), opened, reached)
        handling += quicksum(self._handling(terms, indices))
        shipping = self._shipping(terms, indices, value, most, opened)
        rate, factor = float(terms.tax_rate_pct) / 100, float(terms.rate)
        taxed = {"goods": goods, "goods_and_shipping": goods + shipping + handling, "included": 0}[terms.tax_on]
        return factor * (goods + shipping + handling + rate * taxed) + self._border(terms, value, most, opened)

    def _limits(self, terms: VendorTerms, indices: list[int], value: Any, opened: Any) -> None:
        self.model.addCons(value >= float(terms.minimum_order) * opened)
        if terms.maximum_piece_count is not None:
            self.model.addCons(quicksum(self.pieces[index] for index in indices) <= terms.maximum_piece_count)
        if terms.maximum_element_count is not None:
            elements = defaultdict(list)
            for index in indices:
                elements[self.offers[index]["part_code"], self.offers[index]["colour_code"]].append(self.buys[index])
            counted = []
            for buys in elements.values():
                counted.append(self._whether())
                for buy in buys:
                    self.model.addCons(buy <= counted[-1])
            self.model.addCons(quicksum(counted) <= terms.maximum_element_count)

    def _handling(self, terms: VendorTerms, indices: list[int]) -> list[Any]:
        paid = []
        for code, handling in terms.handling.items():
            of_it = [index for index in indices if self.offers[index]["assortment_code"] == code]
            if not of_it:
                continue
            touched = self._whether()
            for index in of_it:
                self.model.addCons(self.buys[index] <= touched)
            waived = 0
            if handling.waived_from is not None:
                subtotal = quicksum(self.values[index] for index in of_it)
                most = sum(self._most_value(index) for index in of_it)
                waived = self._reached(subtotal, float(handling.waived_from), most)
            paid.append(self._unless(float(handling.charge), touched, waived))
        return paid

    def _shipping(self, terms: VendorTerms, indices: list[int], value: Any, most: float, opened: Any) -> Any:
        weight = quicksum(float(self.offers[i]["weight_grams"]) * self.pieces[i] for i in indices)
        heaviest = sum(float(self.offers[i]["weight_grams"]) * self.offers[i]["quantity_available"] for i in indices)
        charge = float(terms.shipping_charge) * opened
        for basis, size, largest in (("goods_value", value, most), ("weight_grams", weight, heaviest)):
            steps = sorted(
                (step for step in terms.shipping_steps if step.basis == basis), key=lambda step: step.from_value
            )
            reached = [
                self._reached(size, float(step.from_value), largest) if step.from_value else opened for step in steps
            ]
            for number, step in enumerate(steps):
                following = reached[number + 1] if number + 1 < len(steps) else 0
                charge += float(step.charge) * (reached[number] - following)
            if steps and steps[-1].to_value is not None:
                self.model.addCons(size <= float(steps[-1].to_value) - BELOW)
        charge += self._dimension_charge(terms, indices, opened)
        if terms.shipping_waived_from is None:
            return charge
        waived = self._reached(value, float(terms.shipping_waived_from), most) if terms.shipping_waived_from else opened
        full = float(terms.shipping_charge) + sum(float(step.charge) for step in terms.shipping_steps)
        paid = self._amount()
        self.model.addCons(paid >= charge - full * waived)
        return paid

    def _dimension_charge(self, terms: VendorTerms, indices: list[int], opened: Any) -> Any:
        """The step of the largest piece bought."""
        steps = sorted(
            (step for step in terms.shipping_steps if step.basis == "largest_dimension_mm"),
            key=lambda step: step.from_value,
        )
        charge, reached = 0, []
        for step in steps:
            at_least = [self.buys[i] for i in indices if self.offers[i]["largest_dimension_mm"] >= step.from_value]
            holds = self._whether()
            for buy in at_least:
                self.model.addCons(buy <= holds)
            self.model.addCons(holds <= quicksum(at_least))
            reached.append(holds)
        for number, step in enumerate(steps):
            charge += float(step.charge) * (reached[number] - (reached[number + 1] if number + 1 < len(steps) else 0))
        if steps and steps[-1].to_value is not None:
            for index in indices:
                if self.offers[index]["largest_dimension_mm"] >= steps[-1].to_value:
                    self.model.addCons(self.buys[index] <= 0)
        return charge

    def _border(self, terms: VendorTerms, value: Any, most: float, opened: Any) -> Any:
        steps, factor = sorted(terms.border, key=lambda step: step.goods_from), terms.rate
        reached = [
            self._reached(value, float(Fraction(step.goods_from) / factor), most) if step.goods_from else opened
            for step in steps
        ]
        charge = 0
        for number, step in enumerate(steps):
            following = reached[number + 1] if number + 1 < len(steps) else 0
            holds = reached[number] - following
            charge += float(step.clearance_charge) * holds
            if step.duty_pct:
                charge += self._share_when(value, float(factor * Fraction(step.duty_pct) / 100), holds, most)
        return charge
