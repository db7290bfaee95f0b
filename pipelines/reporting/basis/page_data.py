"""The published tables as pages need them: what today is, which plans there are, and all names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cached_property
from hashlib import sha256
from string import ascii_uppercase
from typing import Any

import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.money import Interval, cost_interval
from pipelines.reporting.basis.page_tables import file_name
from pipelines.settings import Buyer, Scenario
from pipelines.trends.months import month_before
from pipelines.warehouse.publishing.table_files import TableFiles
from schemas.contract import Contract
from schemas.published.keys import PLAN_KEY
from schemas.published.plans import MODEL_COST, PLAN_PURCHASE, PLAN_VENDOR
from schemas.published.price_history import PRICE_HISTORY
from schemas.published.price_index import ELEMENT_PRICE, PRICE_INDEX
from schemas.validate import empty_frame

Row = dict[str, Any]
"""One row of a published table."""


@dataclass(frozen=True)
class ReportedModel:
    """A model as pages name it; ``publish_lines`` says how much of its parts list may be shown."""

    code: str
    title: str
    designer: str
    publish_lines: str
    inputs: Model | None

    @property
    def page(self) -> str:
        """The name of its sheet, without ending."""
        return file_name(self.code)


@dataclass(frozen=True)
class Saving:
    """What a plan saves against another in complete cost.

    ``between`` is what the best possible plans may save; the saving is clear where all of that is above 0 or all below, or where
    both plans are the best possible.
    """

    amount: Decimal
    share_pct: Decimal | None
    between: Interval

    @property
    def is_clear(self) -> bool:
        """Whether it is known which of the two is cheaper, or that they cost the same."""
        return self.between.direction is not None


class PageData:
    """The tables of a generation, looked up as pages need them.

    Args:
        tables: the generation's tables by name; one that is absent counts as empty.
        inputs: the workspace's settings, tables and models.
    """

    def __init__(self, tables: Mapping[str, pl.DataFrame], inputs: WorkspaceInputs) -> None:
        self._tables = tables
        self._read: dict[str, pl.DataFrame] = {}
        self._rows_today: dict[str, pl.DataFrame] = {}
        self._by_plan: dict[str, dict[tuple[Any, ...], pl.DataFrame]] = {}
        self._prices: dict[tuple[Any, ...], pl.DataFrame] = {}
        self._contributions: dict[tuple[Any, ...], Row] | None = None
        self._grouped: dict[tuple[str, ...], dict[tuple[Any, ...], list[Row]]] = {}
        self.inputs = inputs
        self.settings = inputs.settings
        costs = self.table(MODEL_COST).sort(PLAN_KEY)
        self._plans: dict[tuple[Any, ...], Row] = {tuple(row[k] for k in PLAN_KEY): row for row in costs.to_dicts()}
        indices = self.table(PRICE_INDEX).to_dicts()
        self._indices: dict[tuple[Any, ...], Row] = {tuple(row[k] for k in PRICE_INDEX.key): row for row in indices}
        self.today: date | None = max((key[0] for key in self._plans), default=None)
        self.models = self._reported_models()
        self.scenarios = self._reported_scenarios()
        shown = {key[3] for key in self._plans} | {key[1] for key in self._indices}
        self.buyers: list[Buyer] = [buyer for buyer in self.settings.buyer if buyer.buyer_code in shown]
        self.part_names = self._names("parts", "part_code", "part_name")
        self.colour_names = self._names("colours", "colour_code", "colour_name")
        self.part_families = self._names("parts", "part_code", "part_family")

    def table(self, contract: Contract) -> pl.DataFrame:
        """A published table, in the contract's columns; empty if there is none."""
        found = self._table(contract.name)
        return empty_frame(contract) if found is None else found.select(contract.columns)

    def _table(self, name: str) -> pl.DataFrame | None:
        """A table, kept once it was read: pages ask for the same ones again and again."""
        if name not in self._read and (found := self._tables.get(name)) is not None:
            self._read[name] = found
        return self._read.get(name)

    def workspace_table(self, name: str) -> pl.DataFrame | None:
        """One of the workspace's own tables; None if there is none."""
        found = self._table(name)
        return self.inputs.tables.get(name) if found is None else found

    def rows(self, contract: Contract, **key: Any) -> list[Row]:
        """Rows of a small published table whose columns have these values, in the order of its key."""
        names = (contract.name, *key)
        if names not in self._grouped:
            found: dict[tuple[Any, ...], list[Row]] = {}
            for row in self.table(contract).sort(contract.key).to_dicts():
                found.setdefault(tuple(row[name] for name in key), []).append(row)
            self._grouped[names] = found
        return self._grouped[names].get(tuple(key.values()), [])

    def rows_today(self, contract: Contract) -> pl.DataFrame:
        """The rows of today's plans in one of the plan tables, in the order of its key."""
        if contract.name not in self._rows_today:
            today = pl.lit(self.today, dtype=pl.Date())
            self._rows_today[contract.name] = (
                self.table(contract).filter(pl.col("priced_on") == today).sort(contract.key)
            )
        return self._rows_today[contract.name]

    def rows_of_plan(self, contract: Contract, plan: Row) -> pl.DataFrame:
        """The rows of one of today's plans in one of the plan tables."""
        if contract.name not in self._by_plan:
            by_plan = self.rows_today(contract).partition_by(*PLAN_KEY, as_dict=True, maintain_order=True)
            self._by_plan[contract.name] = by_plan
        return self._by_plan[contract.name].get(tuple(plan[name] for name in PLAN_KEY), empty_frame(contract))

    def plan(self, model_code: str, buyer_code: str, scenario_code: str, on: date | None = None) -> Row | None:
        """A plan's row of model_cost, of today if no date is given."""
        return self._plans.get((on or self.today, model_code, scenario_code, buyer_code))

    def plans(self, model_code: str, buyer_code: str, on: date | None = None) -> list[Row]:
        """All plans of a model for a buyer on a date, in the order of the scenarios."""
        found = (self.plan(model_code, buyer_code, code, on) for code in self.scenarios)
        return [plan for plan in found if plan is not None]

    def priced_dates(self, model_code: str, buyer_code: str) -> list[date]:
        """Dates with a plan, earliest first."""
        return self._priced_dates.get((model_code, buyer_code), [])

    @cached_property
    def _priced_dates(self) -> dict[tuple[str, str], list[date]]:
        found: dict[tuple[str, str], set[date]] = {}
        for day, model_code, _, buyer_code in self._plans:
            found.setdefault((model_code, buyer_code), set()).add(day)
        return {key: sorted(days) for key, days in found.items()}

    def index(self, model_code: str, buyer_code: str, month: str, method: str = "lowe") -> Row | None:
        """A row of price_index."""
        return self._indices.get((model_code, buyer_code, month, method))

    def element_prices(self, buyer_code: str, month: str) -> pl.DataFrame:
        """Rows of element_price of a buyer in a month and the month before it."""
        if not self._prices:
            self._prices = self.table(ELEMENT_PRICE).partition_by("buyer_code", "month", as_dict=True)
        key = (buyer_code, month_before(month), month)
        if key not in self._prices:
            both = [self._prices.get((buyer_code, m), empty_frame(ELEMENT_PRICE)) for m in key[1:]]
            self._prices[key] = pl.concat(both)
        return self._prices[key]

    @cached_property
    def publishable_elements(self) -> frozenset[tuple[Any, ...]]:
        """Part and colour of the elements that a model whose lines may be published uses."""
        open_models = sorted(model.code for model in self.models if model.publish_lines != "none")
        used = self.table(ELEMENT_PRICE).filter(pl.col("model_code").is_in(open_models))
        return frozenset(used.select("part_code", "colour_code").unique().iter_rows())

    def index_contributions(self, model_code: str, buyer_code: str, month: str) -> Row | None:
        """Points of the index's one-month change: ``up``, ``down``, ``carried`` (imputed); None without any."""
        if self._contributions is None:
            points, own = pl.col("contribution_points"), ~pl.col("is_imputed")
            key = ("model_code", "buyer_code", "month")
            sums = (
                self.table(ELEMENT_PRICE)
                .filter(points.is_not_null())
                .group_by(key)
                .agg(
                    points.filter(own & (points > 0)).sum().alias("up"),
                    points.filter(own & (points < 0)).sum().alias("down"),
                    points.filter(~own).sum().alias("carried"),
                )
            )
            self._contributions = {tuple(row[k] for k in key): row for row in sums.to_dicts()}
        return self._contributions.get((model_code, buyer_code, month))

    def months(self) -> list[str]:
        """Months with a plan or an index, earliest first."""
        return self._months

    @cached_property
    def _months(self) -> list[str]:
        return sorted(self._latest_dates.keys() | {key[2] for key in self._indices})

    def last_date_in(self, month: str) -> date | None:
        """The latest priced date in a month such as 2026-11: its end, or today."""
        return self._latest_dates.get(month)

    @cached_property
    def _latest_dates(self) -> dict[str, date]:
        return {day.isoformat()[:7]: day for day in sorted({key[0] for key in self._plans})}

    def headline_plan(self, model_code: str, buyer_code: str, on: date | None = None) -> Row | None:
        """The plan ``cheapest``; where that is refused or absent, the usable plan that ranks first."""
        cheapest = self.plan(model_code, buyer_code, "cheapest", on)
        if cheapest is not None and is_usable(cheapest):
            return cheapest
        return next(iter(ranked(self.plans(model_code, buyer_code, on))), None)

    def cost_is_withheld(self, plan: Row) -> bool:
        """Whether too few pieces have a price, bought or estimated, for the complete cost to mean anything."""
        if not plan["piece_count"]:
            return False
        priced = 1 - plan["unfilled_estimate_count"] / plan["piece_count"]
        return bool(priced < self.settings.report.coverage_floor)

    def scenario_title(self, scenario_code: str) -> str:
        """A scenario in plain words."""
        return self.scenarios[scenario_code].title

    def part_name(self, part_code: str) -> str:
        """A part's name, or its code where the workspace has no name for it."""
        return self.part_names.get(part_code) or part_code

    def colour_name(self, colour_code: str) -> str:
        """A colour's name, or its code."""
        return self.colour_names.get(colour_code) or colour_code

    def element_name(self, part_code: str, colour_code: str) -> str:
        """An element in words: ``brick 2 x 4, Pebble``."""
        return f"{self.part_name(part_code)}, {self.colour_name(colour_code)}"

    def element_or_family(self, part_code: str, colour_code: str, *, is_named: bool) -> str:
        """An element in words; only its part's family where it may not be named."""
        if is_named:
            return self.element_name(part_code, colour_code)
        family = self.part_families.get(part_code)
        return f"{family} (part not named)" if family else "part not named"

    @cached_property
    def last_confirmed(self) -> pl.DataFrame:
        """offer_id and last_confirmed_on (no later than today) of the offers that today's plans buy."""
        bought, columns = self.rows_today(PLAN_PURCHASE).select("offer_id").unique(), ("offer_id", "last_confirmed_on")
        # Two columns of the largest table: that is all a page needs of it, so it is not kept.
        if isinstance(self._tables, TableFiles):
            history = self._tables.columns(PRICE_HISTORY.name, columns)
        else:
            history = self.table(PRICE_HISTORY).select(columns)
        history = history.join(bought, on="offer_id", how="semi")
        return history.group_by("offer_id").agg(pl.col("last_confirmed_on").min().clip(upper_bound=self.today))

    def vendor_names(self) -> dict[str, str]:
        """Names of today's vendors by code."""
        rows = (
            self.rows_today(PLAN_VENDOR)
            .select("vendor_code", "vendor_name")
            .unique()
            .sort("vendor_code", "vendor_name")
        )
        return {**self._names("vendors", "vendor_code", "vendor_name"), **dict(rows.iter_rows())}

    @cached_property
    def public_vendor_names(self) -> Mapping[str, str]:
        """Vendors by code as public pages call them: their names; with ``publish_vendors = "lettered"`` vendor A, B, C ..."""
        names = self.vendor_names()
        return names if self.settings.report.publish_vendors == "named" else lettered(names)

    @cached_property
    def colour_looks(self) -> dict[str, tuple[str, str]]:
        """sRGB value, such as #F4F4F0 or empty, and finish of each colour."""
        frame = self.workspace_table("colours")
        if frame is None or not frame.height:
            return {}
        return {
            code: (look or "", finish or "")
            for code, look, finish in frame.select("colour_code", "srgb_hex", "finish").iter_rows()
        }

    def _names(self, table: str, code: str, name: str) -> dict[str, str]:
        frame = self.workspace_table(table)
        return {} if frame is None or not frame.height else dict(frame.select(code, name).iter_rows())

    def _reported_models(self) -> list[ReportedModel]:
        planned = {key[1]: row["model_title"] for key, row in self._plans.items()}
        given = {model.model_code: model for model in self.inputs.models}
        found = []
        for code in planned.keys() | given.keys():
            own = given.get(code)
            found.append(
                ReportedModel(
                    code,
                    own.settings.title if own else planned[code],
                    own.settings.designer if own else "",
                    own.settings.publish_lines if own else "none",
                    own,
                )
            )
        return sorted(found, key=lambda model: (model.title.casefold(), model.code))

    def _reported_scenarios(self) -> dict[str, Scenario]:
        known = {scenario.scenario_code: scenario for scenario in self.settings.scenarios}
        for code in sorted({key[2] for key in self._plans} - known.keys()):
            known[code] = Scenario(scenario_code=code, title=code)
        return known


def lettered(vendor_codes: Iterable[str]) -> dict[str, str]:
    """A letter for each vendor, in an order that says nothing of its name: ``vendor A`` ... ``vendor Z``, ``vendor AA`` ..."""
    shuffled = sorted(vendor_codes, key=lambda code: sha256(code.encode()).hexdigest())
    return {code: f"vendor {_letters(place)}" for place, code in enumerate(shuffled)}


def _letters(place: int) -> str:
    letters = ""
    while place >= 0:
        place, last = divmod(place, len(ascii_uppercase))
        letters, place = ascii_uppercase[last] + letters, place - 1
    return letters


def is_usable(plan: Row) -> bool:
    """Whether a plan passed its checks, so that its figures may be shown."""
    return bool(plan["plan_status"] != "refused")


def ranked(plans: list[Row]) -> list[Row]:
    """Usable plans by complete cost, cheapest first.

    Plans with pieces that have no price at all come after the others: their complete cost is too low by an unknown amount.
    """
    usable = [plan for plan in plans if is_usable(plan)]
    return sorted(usable, key=lambda p: (p["unfilled_estimate_count"], p["complete_cost"], p["scenario_code"]))


def gap_amount(plan: Row) -> Decimal:
    """How far a plan may be above the best possible, in money."""
    return max(Decimal(plan["landed_cost"]) - Decimal(plan["lower_bound"]), Decimal(0))


def saving(against: Row | None, plan: Row) -> Saving | None:
    """What ``plan`` saves in complete cost; None where the two can't be compared."""
    if against is None or not is_usable(against) or not is_usable(plan):
        return None
    if against["unfilled_estimate_count"] != plan["unfilled_estimate_count"]:
        return None
    amount = Decimal(against["complete_cost"] - plan["complete_cost"])
    share = amount / against["complete_cost"] * 100 if against["complete_cost"] else None
    return Saving(amount, share, cost_interval(against) - cost_interval(plan))


def places(costs: Sequence[tuple[int, Interval]]) -> list[str]:
    """By cost, the place that it has among all, from 1: ``3``, or ``2 to 4`` where they are not exact enough.

    Those that surely cost the same share a place. Those with pieces that have no price at all, counted first, come after those with
    fewer.
    """
    found = []
    for unpriced, cost in costs:
        surely = sum(other < unpriced or (other == unpriced and one.is_below(cost)) for other, one in costs)
        perhaps = sum(other < unpriced or (other == unpriced and one.low < cost.high) for other, one in costs)
        first, last = surely + 1, perhaps - (cost.low < cost.high) + 1
        found.append(str(first) if first >= last else f"{first} to {last}")
    return found
