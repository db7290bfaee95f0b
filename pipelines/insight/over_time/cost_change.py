"""What a change in complete cost comes from: prices, rates, terms, the designer, our decisions, or the choice of plan.

A plan is compared with the plan of the same model, scenario and buyer on the date priced before. The landed cost prices the
earlier plan's purchases again, with one thing changed after the other; nothing is planned anew. R(prices, rates, terms) is
the landed cost of the *earlier* purchases:

- ``prices``: R(new, old, old) - R(old, old, old). An offer that can still be bought in full (same vendor, part, colour,
  condition and listing, enough stock, not suspect) costs what it costs now. One that ended keeps its old price here.
- ``exchange_rates``: R(new, new, old) - R(new, old, old).
- ``terms``: R(new, new, new) - R(new, new, old): shipping, minimums, fees, discounts and taxes. A vendor that has no terms
  for the buyer any more keeps the old ones.

The rest lies between the earlier purchases at today's prices, rates and terms and the plan of today:

- ``estimates``: the whole change of the estimate for unfilled pieces, and lines with pieces that can't be bought on one of the
  dates.
- ``list``: lines that the designer's list has otherwise than before: their part, colour or quantity, or the line itself.
- ``decisions``: lines with another decision on flexibility (where the scenario uses it) or another amendment.
- ``choice``: all that is left: other offers, vendors, colours and forms, by choice or because an offer ended; and shipping,
  handling, tax, discounts and spares of today's orders against those of the earlier purchases at today's terms.

Lines count by the displayed value of the pieces that serve them, at today's rates; the first reason that applies counts. Each
part is rounded half-up to the currency's digits, and ``choice`` takes the rounding. So the parts add up to the change of
complete cost to the last digit. Their order is a convention; another would give each a little less or more. It puts a price
effect at earlier quantities before a quantity effect at today's prices: q0 (p1 - p0) + p1 (q1 - q0) = p1 q1 - p0 q0.

What the best possible plans cost is only known to lie between bounds and costs. So their change is a range, and what both
plans could be improved by belongs to ``choice``: it has a range, while the others are of purchases that are known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.landed_cost import Purchase, work_out_order
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import SIZES, terms_on
from pipelines.demand import model_portions
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.over_time.changed_lines import (
    ChangedLines,
    LinesByDate,
    by_line,
    differing_lines,
    listed_lines,
)
from pipelines.insight.over_time.past_orders import OFFER, with_assortments_and_sizes
from pipelines.money import cost_interval, exactly, round_money
from pipelines.settings import Buyer
from pipelines.workers import spread
from schemas.published.over_time import COST_CHANGE
from schemas.validate import empty_frame, polars_schema, validate_typed

PARTS = ("prices", "exchange_rates", "terms", "list", "decisions", "estimates", "choice")
_PLAN = ("model_code", "scenario_code")
_BOUGHT = (*OFFER, "order_number")
"""What names a purchase within a plan."""
_Key = tuple[str, str]
_Order = tuple[str, int]
"""Vendor and number of the order."""
STEPS_WORTH_A_PROCESS = 8
"""With fewer, starting processes costs more than it saves."""


def cost_changes(
    inputs: WorkspaceInputs, markets: Mapping[date, pl.DataFrame], plans: Mapping[str, pl.DataFrame]
) -> pl.DataFrame:
    """Contract COST_CHANGE, for every plan that has one of the same scenario on the date priced before it.

    Refused plans are left out: they do not show what the model would have cost.

    Args:
        inputs: the workspace.
        markets: by date, PRICE_HISTORY columns and ``is_suspect``: what could be bought.
        plans: model_cost, plan_purchase, plan_line and unfilled_line.
    """
    steps = [((step.buyer.buyer_code, step.now), step) for step in _steps(inputs, markets, plans)]
    workers = inputs.settings.refresh.workers if len(steps) >= STEPS_WORTH_A_PROCESS else 1
    found = [rows for _, rows in spread(_rows_of, inputs, steps, workers)]
    changes = pl.concat([empty_frame(COST_CHANGE), *found]).sort(COST_CHANGE.key)
    return validate_typed(COST_CHANGE, changes, where=COST_CHANGE.name)


def _steps(
    inputs: WorkspaceInputs, markets: Mapping[date, pl.DataFrame], plans: Mapping[str, pl.DataFrame]
) -> Iterator[_Step]:
    for buyer in inputs.settings.buyer:
        own = {name: frame.filter(pl.col("buyer_code") == buyer.buyer_code) for name, frame in plans.items()}
        days = sorted(set(own["model_cost"]["priced_on"]) & set(markets))
        terms = {day: terms_on(inputs, day, buyer).vendors for day in days}
        by_day = {name: _by_day(own[name]) for name in ("model_cost", "plan_purchase", "plan_line", "unfilled_line")}
        for before, now in zip(days, days[1:], strict=False):
            # A date may have plans that buy nothing, and none that lack anything.
            then, today = (
                {name: frames_of.get(day, own[name].clear()) for name, frames_of in by_day.items()}
                for day in (before, now)
            )
            bought = then["plan_purchase"].select(OFFER).unique()
            old, new = (markets[day].join(bought, on=OFFER, how="semi", maintain_order="left") for day in (before, now))
            yield _Step(buyer, before, now, old, new, terms[before], terms[now], then, today)


def _rows_of(inputs: WorkspaceInputs, step: _Step) -> pl.DataFrame:
    return _Change(inputs, step, LinesByDate(inputs)).rows()


def _by_day(frame: pl.DataFrame) -> dict[date, pl.DataFrame]:
    return {key[0]: part for key, part in frame.partition_by("priced_on", as_dict=True).items()}


@dataclass(frozen=True)
class _Step:
    """Two consecutive dates of one buyer.

    Attributes:
        old_market, new_market: of the offers that the earlier plans bought, what could be bought on each date.
        then, today: the tables of the dates' plans.
    """

    buyer: Buyer
    before: date
    now: date
    old_market: pl.DataFrame
    new_market: pl.DataFrame
    old_terms: Mapping[str, VendorTerms]
    new_terms: Mapping[str, VendorTerms]
    then: Mapping[str, pl.DataFrame]
    today: Mapping[str, pl.DataFrame]


@dataclass(frozen=True)
class _Change:
    """Splits the changes in cost of one step into their parts."""

    inputs: WorkspaceInputs
    step: _Step
    lines: LinesByDate
    totals: dict[tuple[Any, ...], tuple[Decimal, ...]] = field(default_factory=dict)

    def rows(self) -> pl.DataFrame:
        """Rows of COST_CHANGE."""
        costs, costs_before = self._costs(self.step.today), self._costs(self.step.then)
        common = [key for key in costs if key in costs_before]
        if not common:
            return empty_frame(COST_CHANGE)
        priced = self._repriced()
        orders = self._orders(priced)
        changed = {code: self._changed_lines(model) for code, model in self._models().items()}
        line_parts = self._line_parts(priced, changed)
        rows = []
        for key in common:
            parts = self._landed_cost_parts(orders.get(key, {})) | {
                part: round_money(amount, self.step.buyer.currency_code)
                for part, amount in line_parts.get(key, {}).items()
            }
            old, new = costs_before[key], costs[key]
            estimate = new["unfilled_estimate"] - old["unfilled_estimate"]
            parts["estimates"] = parts.get("estimates", Decimal(0)) + estimate
            ranges = {part: exactly(amount) for part, amount in parts.items()}
            known = sum(parts.values(), Decimal(0))
            parts["choice"] = new["complete_cost"] - old["complete_cost"] - known
            ranges["choice"] = cost_interval(new) - cost_interval(old) - exactly(known)
            is_break = changed[key[0]].is_break(self._uses_flexibility(key[1]))
            of_plans = (self.step.now, *key, self.step.buyer.buyer_code, self.step.before)
            rows += [
                (*of_plans, part, parts[part], ranges[part].low, ranges[part].high, is_break)
                for part in PARTS
                if part in parts
            ]
        return pl.DataFrame(rows, schema=polars_schema(COST_CHANGE), orient="row")

    def _costs(self, plans: Mapping[str, pl.DataFrame]) -> dict[_Key, dict[str, Any]]:
        sound = plans["model_cost"].filter(pl.col("plan_status") != "refused").sort(_PLAN)
        return {(row["model_code"], row["scenario_code"]): row for row in sound.iter_rows(named=True)}

    def _models(self) -> dict[str, Model]:
        return {model.model_code: model for model in self.inputs.models}

    def _uses_flexibility(self, scenario_code: str) -> bool:
        scenarios = {scenario.scenario_code: scenario for scenario in self.inputs.settings.scenarios}
        return scenario_code not in scenarios or scenarios[scenario_code].use_flexibility

    def _repriced(self) -> pl.DataFrame:
        """The earlier purchases with ``price_now`` (the old one where the offer ended), ``is_ended`` and sizes."""
        bought = self.step.then["plan_purchase"]
        step = pl.col("step_from_quantity")
        needed = bought.select(
            *_PLAN,
            *_BOUGHT,
            pl.col("bought_piece_count").alias("needed"),
            pl.col("bought_piece_count").sum().over(*_PLAN, *OFFER).alias("needed_in_all_orders"),
        )
        offered = self.step.new_market.join(needed, on=OFFER).filter(~pl.col("is_suspect") & (step <= pl.col("needed")))
        enough = pl.col("quantity_available") >= pl.col("needed_in_all_orders")
        now = (
            offered.sort(*_PLAN, *_BOUGHT, "step_from_quantity")
            .group_by(*_PLAN, *_BOUGHT, maintain_order=True)
            .agg(
                pl.col("unit_price").last().alias("offered_price"),
                enough.last().alias("is_enough"),
                pl.col("currency_code").last().alias("offered_currency"),
            )
        )
        placed = with_assortments_and_sizes(bought, self.step.old_market, self.inputs.tables["parts"])
        still = pl.col("is_enough").fill_null(False) & (pl.col("offered_currency") == pl.col("vendor_currency_code"))
        return (
            placed.join(now, on=[*_PLAN, *_BOUGHT], how="left")
            .with_columns(is_ended=~still.fill_null(False))
            .with_columns(price_now=pl.when("is_ended").then("unit_price").otherwise("offered_price"))
            .sort(*_PLAN, *_BOUGHT)
        )

    def _orders(self, priced: pl.DataFrame) -> dict[_Key, dict[_Order, tuple[list[Purchase], list[Purchase]]]]:
        """By plan and order: the earlier order at old and at new prices."""
        columns = (
            *_PLAN, "vendor_code", "order_number", "part_code", "colour_code", "condition", "assortment_code", "bought_piece_count", *SIZES,
            "unit_price", "price_now",
        )  # fmt: skip
        found: dict[_Key, dict[_Order, tuple[list[Purchase], list[Purchase]]]] = {}
        for (
            model,
            scenario,
            vendor,
            number,
            part,
            colour,
            condition,
            assortment,
            count,
            weight,
            size,
            old,
            new,
        ) in priced.select(columns).iter_rows():
            pair = found.setdefault((model, scenario), {}).setdefault((vendor, number), ([], []))
            for order, price in zip(pair, (old, new), strict=True):
                order.append(Purchase(part, colour, condition, assortment, count, price, weight, size))
        return found

    def _landed_cost_parts(self, orders: Mapping[_Order, tuple[list[Purchase], list[Purchase]]]) -> dict[str, Decimal]:
        """What prices, rates and terms add to the earlier purchases, one after the other."""
        parts = dict.fromkeys(("prices", "exchange_rates", "terms"), Decimal(0))
        for (vendor, _), (at_old, at_new) in sorted(orders.items()):
            # Plans of several scenarios often share an order.
            key = (vendor, tuple(at_old), tuple(at_new))
            if key not in self.totals:
                self.totals[key] = self._totals_of(vendor, at_old, at_new)
            totals = self.totals[key]
            for part, total, earlier in zip(parts, totals[1:], totals[:-1], strict=True):
                parts[part] += total - earlier
        return parts

    def _totals_of(self, vendor: str, at_old: list[Purchase], at_new: list[Purchase]) -> tuple[Decimal, ...]:
        terms, latest = self.step.old_terms[vendor], self._latest_terms(vendor)
        at_rate = replace(terms, rate=latest.rate)
        return tuple(_totals([(at_old, terms), (at_new, terms), (at_new, at_rate), (at_new, latest)]))

    def _latest_terms(self, vendor: str) -> VendorTerms:
        """Today's terms of a vendor bought from before; the old ones where there are none, or in another currency."""
        terms = self.step.old_terms[vendor]
        latest = self.step.new_terms.get(vendor)
        return terms if latest is None or latest.currency_code != terms.currency_code else latest

    def _changed_lines(self, model: Model) -> ChangedLines:
        if model_portions.latest_change(model, self.step.before) == model_portions.latest_change(model, self.step.now):
            return ChangedLines(frozenset(), {True: frozenset(), False: frozenset()}, is_other_list=False)
        versions = [model.settings.version_on(day) for day in (self.step.before, self.step.now)]
        listed = differing_lines(*(by_line(listed_lines(model, version)) for version in versions))
        decided = {
            with_flexibility: differing_lines(
                *(self.lines.rows(model, day, with_flexibility) for day in (self.step.before, self.step.now))
            )
            - listed
            for with_flexibility in (True, False)
        }
        return ChangedLines(listed, decided, is_other_list=versions[0] != versions[1])

    def _line_parts(self, priced: pl.DataFrame, changed: Mapping[str, ChangedLines]) -> dict[_Key, dict[str, Fraction]]:
        """By plan and part, what the plan of today pays for its lines less what the earlier purchases would pay now."""
        reasons = self._reasons(changed)
        now = {code: terms.rate for code, terms in self.step.new_terms.items()}
        then = {code: self._latest_terms(code).rate for code in self.step.old_terms}
        value = pl.col("quantity") * pl.col("price_now")
        earlier = self._lines(self.step.then).join(
            priced.select(*_PLAN, *_BOUGHT, "price_now"), on=[*_PLAN, *_BOUGHT], how="left"
        )
        sides = ((self._lines(self.step.today).with_columns(price_now="unit_price"), 1, now), (earlier, -1, then))
        found: dict[_Key, dict[str, Fraction]] = {}
        for lines, sign, rates in sides:
            sums = (
                lines.join(reasons, on=[*_PLAN, "line_number"])
                .group_by(*_PLAN, "reason", "vendor_code")
                .agg(value.sum().alias("value"))
                .sort(*_PLAN, "reason", "vendor_code")
            )
            for model, scenario, reason, vendor, amount in sums.iter_rows():
                parts = found.setdefault((model, scenario), {})
                parts[reason] = parts.get(reason, Fraction(0)) + sign * Fraction(amount) * rates[vendor]
        return found

    def _lines(self, plans: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
        """Pieces bought, by line and offer; pieces on hand cost nothing."""
        bought = plans["plan_line"].filter(pl.col("vendor_code") != "")
        return bought.select(*_PLAN, "line_number", *_BOUGHT, "quantity", "unit_price")

    def _reasons(self, changed: Mapping[str, ChangedLines]) -> pl.DataFrame:
        """Model, scenario, line_number, reason: the first that applies to the line; other lines are absent."""
        key = [*_PLAN, "line_number"]
        unfilled = pl.concat([plans["unfilled_line"].select(key) for plans in (self.step.then, self.step.today)])
        listed, decided = (pl.DataFrame(rows, self._line_schema(), orient="row") for rows in self._changed(changed))
        of_reasons = (("list", listed), ("decisions", decided), ("estimates", unfilled))
        return pl.concat([lines.with_columns(reason=pl.lit(reason)) for reason, lines in of_reasons]).unique(
            key, keep="first", maintain_order=True
        )

    def _line_schema(self) -> dict[str, Any]:
        return {"model_code": pl.String, "scenario_code": pl.String, "line_number": pl.Int64}

    def _changed(self, changed: Mapping[str, ChangedLines]) -> tuple[list[tuple[Any, ...]], list[tuple[Any, ...]]]:
        codes = [scenario.scenario_code for scenario in self.inputs.settings.scenarios]
        listed = [(model, code, line) for model, lines in changed.items() for code in codes for line in lines.listed]
        decided = [
            (model, code, line)
            for model, lines in changed.items()
            for code in codes
            for line in lines.decided[self._uses_flexibility(code)]
        ]
        return listed, decided


def _totals(stages: list[tuple[list[Purchase], VendorTerms]]) -> Iterator[Decimal]:
    """What an order costs at each stage; a stage like the one before is not worked out again."""
    last: tuple[list[Purchase], VendorTerms] | None = None
    total = Decimal(0)
    for purchases, terms in stages:
        if last is None or purchases != last[0] or terms != last[1]:
            total = work_out_order(purchases, terms).rounded.total
        last = (purchases, terms)
        yield total
