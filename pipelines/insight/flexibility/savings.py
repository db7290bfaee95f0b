"""The tables of flexibility: what each flexible line saves, so that it adds up, and which lines to look at first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.insight.flexibility.interplays import interplays
from pipelines.insight.flexibility.kept_line_plans import fetch, key_of, store
from pipelines.insight.flexibility.line_plans import ALONE, LAST, LinePlans, PlannedSavings, lines_that_matter
from pipelines.insight.flexibility.look_first_list import LookFirstList
from pipelines.insight.flexibility.model_games import ModelGames
from pipelines.insight.flexibility.part_flexibility import PartFlexibility
from pipelines.insight.flexibility.portion_costs import Flexibility, PortionCosts
from pipelines.insight.flexibility.priced_uses import COLOUR, FLEXIBLE_RULES, of_likely_vendors, priced_uses
from pipelines.insight.flexibility.saving_game import SavingGame, Shares, fair_shares
from pipelines.insight.flexibility.total_costs import FIRST_LOOKS, TotalCosts
from pipelines.insight.flexibility.vendor_mixes import MILLION
from pipelines.insight.replanning.published_plans import PublishedPlan, longest_first, published_plans
from pipelines.money import Interval, currency_digits, round_half_up, rounded_together
from pipelines.planning.plan_cache import PlanCache
from pipelines.planning.purchase_plan import PurchasePlan
from pipelines.workers import spread
from schemas.all_tables import SAVING_CONTRACTS
from schemas.contract import Contract
from schemas.published.flexibility import COLOUR_FLEX_SAVING, FLEXIBILITY_COST, LOOK_FIRST, SUBSTITUTE_SAVING
from schemas.validate import polars_schema, validate_typed

LISTED, FLEXIBLE = "listed", "flexible"
"""The two plans that savings lie between; both without the maker's shop, so that nothing else differs."""

Rows = list[dict[str, Any]]


def flexibility_savings(
    inputs: WorkspaceInputs,
    market: pl.DataFrame,
    plans: Mapping[str, pl.DataFrame],
    day: date,
    cache_folder: Path | None = None,
) -> dict[str, pl.DataFrame]:
    """Savings and look-first lists of every model and buyer on a date, between the plans ``listed`` and ``flexible``.

    Args:
        inputs: the workspace.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the date.
        plans: the tables of plan_night.
        day: the priced date.
        cache_folder: where planned savings are kept; None for nowhere.

    Returns:
        Frames of SAVING_CONTRACTS, sorted by key. Lines are left out that have nothing to compare with: lines of amendments,
        lines whose listed colour is refused, and lines with pieces that have no price as listed, not even an estimate.
    """
    scenarios = {scenario.scenario_code: scenario for scenario in inputs.settings.scenarios}
    found: dict[str, Rows] = {contract.name: [] for contract in SAVING_CONTRACTS}
    if not (scenarios[LISTED].use_flexibility or scenarios[LISTED].use_substitutes):
        needed = enumerate(longest_first(published_plans(inputs, market, plans, day, (FLEXIBLE,))))
        for _, rows in spread(savings_of_plan, (inputs, cache_folder), needed, inputs.settings.refresh.workers):
            for name, of_table in rows.items():
                found[name] += of_table
    return {contract.name: _frame(contract, found[contract.name], day) for contract in SAVING_CONTRACTS}


def _frame(contract: Contract, rows: Rows, day: date) -> pl.DataFrame:
    frame = pl.DataFrame(rows, schema=polars_schema(contract), orient="row").sort(contract.key)
    return validate_typed(contract, frame, where=f"{contract.name} on {day}")


def savings_of_plan(shared: tuple[WorkspaceInputs, Path | None], published: PublishedPlan) -> dict[str, Rows]:
    """Rows by table of one flexible plan; none where the plan as listed was refused or is not among today's offers."""
    if not published.listed["model_cost"].filter(pl.col("plan_status") != "refused").height:
        return {}
    inputs, folder = shared
    return FlexibilitySavings(inputs, published, None if folder is None else PlanCache(folder)).rows()


class FlexibilitySavings:
    """The savings between one flexible plan and the plan as listed.

    What the lines that matter save alone and last is planned (line_plans). Other savings of lines are estimates by a game
    (model_games), scaled so that all players together save what the two published plans differ by. Fair shares are always
    estimates: plans for every set of lines would be too many. They add up to the published saving to the last cent. How far
    the estimates are from what is planned is published beside them.
    """

    def __init__(self, inputs: WorkspaceInputs, published: PublishedPlan, kept: PlanCache | None = None) -> None:
        self.inputs, self.published, self._kept = inputs, published, kept
        self.listed_scenario = next(s for s in inputs.settings.scenarios if s.scenario_code == LISTED)
        self.planning = published.planning(inputs)
        self.portions = self.planning.portions(published.scenario)
        every_use = priced_uses(inputs, self.planning, self.listed_scenario, published.scenario)
        vendors = [set(rows["plan_purchase"]["vendor_code"]) for rows in (published.listed, published.rows)]
        uses = of_likely_vendors(every_use, set().union(*vendors))
        self.costs = PortionCosts(uses, self._missing, self._left_out)
        self.games = ModelGames(self.costs, vendors)
        self.digits = currency_digits(published.buyer.currency_code)

    def rows(self) -> dict[str, Rows]:
        """Rows by table."""
        looks = self._look_first_rows
        return {
            **self._saving_rows(self.planned),
            LOOK_FIRST.name: looks,
            FLEXIBILITY_COST.name: self._cost_rows(looks),
        }

    @property
    def estimated(self) -> dict[str, Rows]:
        """Rows of the tables by line, without planning anything."""
        return {**self._saving_rows({}), LOOK_FIRST.name: self._look_first_rows}

    @cached_property
    def _look_first_rows(self) -> Rows:
        missing = self.published.rows["unfilled_line"]
        look_first = LookFirstList(self.games, self.players, self.portions, missing, self.digits)
        return [self.key | row for row in look_first.rows()]

    @cached_property
    def key(self) -> dict[str, Any]:
        """The plan's key."""
        return {
            "priced_on": self.published.day,
            "model_code": self.published.model.model_code,
            "scenario_code": self.published.scenario.scenario_code,
            "buyer_code": self.published.buyer.buyer_code,
        }

    @cached_property
    def _missing(self) -> dict[tuple[int, int], tuple[int, float]]:
        """By line and portion, pieces missing as listed and the estimate for one."""
        columns = ("line_number", "portion_number", "unfilled_piece_count", "estimated_unit_price")
        rows = self.published.listed["unfilled_line"].select(columns).iter_rows()
        return {(line, portion): (count, float(price or 0)) for line, portion, count, price in rows}

    @cached_property
    def _left_out(self) -> set[int]:
        """Lines with nothing to compare with."""
        unpriced = self.published.listed["unfilled_line"].filter(pl.col("estimated_unit_price").is_null())[
            "line_number"
        ]
        refused = self.portions.filter(pl.col("listed_colour_code").is_in(pl.col("refuse_colour_codes")))["line_number"]
        return {*unpriced, *refused}

    # Totals

    @cached_property
    def total(self) -> Decimal:
        """What the flexible plan saves in complete cost; 0 where it costs more, as where it buys what was only estimated."""
        listed, flexible = self.published.listed["model_cost"], self.published.rows["model_cost"]
        found: Decimal = max(Decimal(0), listed["complete_cost"][0] - flexible["complete_cost"][0])
        return found

    def _cost_rows(self, looks: Rows) -> Rows:
        listed, flexible = self._known_plans
        known = [plan for plan in (listed, flexible) if plan is not None]
        totals = TotalCosts(self.inputs, self.published, self.planning, self.listed_scenario, self.games, known)
        found = totals.of_each_kind()
        modelled: dict[str, int | None] = {
            "none": None,
            "both": self.game.total_saving,
            "colour": self.games.game(self.costs.colours_allowed).total_saving,
            "substitutes": self.games.game(self.costs.forms_allowed).total_saving,
        }
        first = [row["line_number"] for row in looks if row["is_worth_a_look"]][:FIRST_LOOKS]
        cost = totals.with_first_looks(first, self.players) if first else None
        if cost is not None:
            so_far = next(row["look_saving_so_far"] for row in looks if row["line_number"] == first[-1])
            found["first_looks"] = cost
            modelled["first_looks"] = self.game.total_saving + int(so_far * MILLION)
        on_every_row = {**self._decided(), "share_basis": self._share_basis, **self._estimate_errors()}
        rows = []
        for allowed, cost in sorted(found.items()):
            ends, estimate = totals.saving_range(cost), modelled[allowed]
            rows.append(
                {
                    **self.key,
                    **on_every_row,
                    "flexibility_allowed": allowed,
                    "landed_cost": cost.landed_cost,
                    "unfilled_piece_count": cost.unfilled_piece_count,
                    "complete_cost": cost.complete_cost,
                    "total_saving": max(Decimal(0), totals.listed.complete_cost - cost.complete_cost),
                    **_range_columns(ends),
                    "modelled_saving": None if estimate is None else self._money(Fraction(estimate, MILLION)),
                    "looked_line_numbers": ";".join(map(str, sorted(first))) if allowed == "first_looks" else "",
                }
            )
        return rows

    @cached_property
    def _known_plans(self) -> tuple[PurchasePlan | None, PurchasePlan | None]:
        """The published plans as listed and flexible; None where one's offers are not among today's."""
        flexible = self.published.plan(self.planning, self.planning.candidates(self.published.scenario))
        listed = replace(self.published, scenario=self.listed_scenario, rows=self.published.listed)
        return listed.plan(self.planning, self.planning.candidates(self.listed_scenario)), flexible

    def _decided(self) -> dict[str, Any]:
        """How much of the designer's list somebody has decided."""
        designers = self.portions.filter(pl.col("portion_source") == "designer")
        lines = designers["line_number"].n_unique()
        undecided = designers.filter(pl.col("colour_rule") == "undecided")["line_number"].n_unique()
        decided = lines - undecided
        return {"line_count": lines, "decided_line_count": decided, "decided_share": decided / lines if lines else 0.0}

    # Savings by line

    @cached_property
    def planned(self) -> PlannedSavings:
        """What the lines that matter save, by plans made for it."""
        most = self.inputs.settings.refresh.planned_lines
        chosen = [self.players[number] for number in lines_that_matter(self.shares.shares.tolist(), most)]
        listed, flexible = self._known_plans
        if not chosen or listed is None or flexible is None:
            return {}
        parts = PartFlexibility(self.inputs, self.planning, self.listed_scenario, self.published.scenario, self.costs)
        key = key_of(self.inputs, self.published, self.planning, self.listed_scenario, parts, chosen)
        found = None if self._kept is None else fetch(self._kept, key)
        if found is None:
            plans = LinePlans(self.published, self.planning, self.listed_scenario, parts)
            found = plans.savings(chosen, listed, flexible)
            if self._kept is not None and not plans.hit_time_limit:
                store(self._kept, key, found)
        return found

    def _estimate_errors(self) -> dict[str, Any]:
        """How far the estimates are from the savings that are planned, and of how many lines these are."""
        numbers = {flexibility: number for number, flexibility in enumerate(self.players)}
        errors = [
            abs(self._estimated_amounts(numbers[flexibility])[view] - planned.saving)
            for (flexibility, view), planned in sorted(self.planned.items())
        ]
        lines = {
            (line, kind)
            for (flexibility, _) in self.planned
            for line in self.costs.lines_of(flexibility)
            for kind in flexibility[1:]
        }
        return {
            "planned_line_count": len(lines),
            "mean_estimate_error": round_half_up(Fraction(sum(errors)) / len(errors), self.digits) if errors else None,
            "largest_estimate_error": max(errors, default=None),
        }

    def _estimated_amounts(self, number: int | None) -> dict[str, Decimal]:
        """What a player saves alone and last by the game, scaled; 0 for flexibility that nothing on offer needs."""
        views = {ALONE: self.game.alone, LAST: self.game.last}
        return {
            view: Decimal(0) if number is None else self._money(Fraction(float(values[number])) * self._proportion)
            for view, values in views.items()
        }

    @cached_property
    def players(self) -> list[Flexibility]:
        """The flexibility that is allowed, of colours and of forms."""
        return self.costs.allowed

    @cached_property
    def game(self) -> SavingGame:
        """The game of these players."""
        return self.games.game(self.players)

    @cached_property
    def shares(self) -> Shares:
        """Their fair shares of what the game saves."""
        return fair_shares(self.game)

    @property
    def _has_shares(self) -> bool:
        """Whether the published saving can be shared out: it is 0, or the game saves something too."""
        return not self.total or self.game.total_saving > 0

    @property
    def _share_basis(self) -> str:
        if not self.total or not self.game.total_saving:
            return "none"
        return "exact" if self.shares.is_exact else "sampled"

    @cached_property
    def _proportion(self) -> Fraction:
        """The published saving in currency for one unit of the game."""
        return Fraction(self.total) / self.game.total_saving if self.game.total_saving else Fraction(0)

    def _money(self, amount: Fraction) -> Decimal:
        return round_half_up(amount, self.digits)

    def _saving_rows(self, planned: PlannedSavings) -> dict[str, Rows]:
        lines = self._lines_by_flexibility()
        fair = self._fair_amounts(lines)
        found: dict[str, Rows] = {COLOUR_FLEX_SAVING.name: [], SUBSTITUTE_SAVING.name: []}
        numbers = {flexibility: number for number, flexibility in enumerate(self.players)}
        acts_with = interplays(self.game, self.shares, self.players, self.costs, self._proportion, self.digits)
        for flexibility, own in sorted(lines.items()):
            number = numbers.get(flexibility)
            error = Fraction(0) if number is None else Fraction(float(self.shares.errors[number])) * self._proportion
            interplay, partners = acts_with.get(number, ("none", ""))
            estimated = self._estimated_amounts(number)
            for line in own:
                amounts = dict(estimated)
                if self._has_shares:
                    amounts["fair"] = fair[flexibility, line]
                is_sampled = self._share_basis == "sampled" and amounts.get("fair")
                contract = COLOUR_FLEX_SAVING if flexibility[1] == COLOUR else SUBSTITUTE_SAVING
                about = self._about(line, flexibility[1])
                if flexibility[1] == COLOUR:
                    about["flexible_line_count"] = len(own)
                for view, amount in amounts.items():
                    by_plans = planned.get((flexibility, view))
                    found[contract.name].append(
                        {
                            **self.key,
                            **about,
                            "saving_view": view,
                            "saving": amount if by_plans is None else by_plans.saving,
                            "saving_basis": "estimated" if by_plans is None else "planned",
                            **_range_columns(None if by_plans is None else by_plans.range),
                            "standard_error": self._money(error / len(own)) if view == "fair" and is_sampled else None,
                            "interplay": interplay,
                            "interplay_line_numbers": partners,
                        }
                    )
        return found

    def _lines_by_flexibility(self) -> dict[Flexibility, list[int]]:
        """The lines of every flexibility of colour that is allowed, on offer or not, and of every form on offer."""
        coloured = self.portions.filter(
            pl.col("colour_rule").is_in(FLEXIBLE_RULES)
            & (pl.col("portion_source") == "designer")
            & ~pl.col("line_number").is_in(list(self._left_out))
        )
        lines: dict[Flexibility, list[int]] = {}
        for line in sorted(set(coloured["line_number"])):
            lines.setdefault(self.costs.flexibility(line, COLOUR), []).append(line)
        designers = set(self.portions.filter(pl.col("portion_source") == "designer")["line_number"])
        return lines | {
            flexibility: [flexibility[0]] for flexibility in self.costs.forms_allowed if flexibility[0] in designers
        }

    def _fair_amounts(self, lines: Mapping[Flexibility, list[int]]) -> dict[tuple[Flexibility, int], Decimal]:
        """Fair shares in money, which add up to the total; lines that must be alike share theirs evenly."""
        numbers = {flexibility: number for number, flexibility in enumerate(self.players)}
        parts = {
            (flexibility, line): Fraction(float(self.shares.shares[numbers[flexibility]])) / len(own)
            for flexibility, own in lines.items()
            if flexibility in numbers and self.shares.shares[numbers[flexibility]] > 0
            for line in own
        }
        whole = sum(parts.values(), Fraction(0))
        amounts = dict.fromkeys(((flexibility, line) for flexibility, own in lines.items() for line in own), Decimal(0))
        if whole:
            rounded = rounded_together([part * Fraction(self.total) / whole for part in parts.values()], self.digits)
            amounts |= dict(zip(parts, rounded, strict=True))
        return amounts

    def _about(self, line: int, bit: int) -> dict[str, Any]:
        """A line's columns: of its flexible portions for colours, of all for forms; named after the largest portion."""
        rows = self.portions.filter(pl.col("line_number") == line)
        if bit == COLOUR:
            rows = rows.filter(pl.col("colour_rule").is_in(FLEXIBLE_RULES))
        main = rows.sort("quantity", descending=True, maintain_order=True).row(0, named=True)
        names = ["line_number", "listed_part_code", "listed_colour_code", *(["colour_rule"] if bit == COLOUR else [])]
        return {**{name: main[name] for name in names}, "quantity": int(rows["quantity"].sum())}


def _range_columns(ends: Interval | None) -> dict[str, Any]:
    """Between which amounts a saving lies, and whether it is clear: above 0 wherever it lies; never where no range is known."""
    if ends is None:
        return {"saving_low": None, "saving_high": None, "is_distinct": False}
    return {"saving_low": ends.low, "saving_high": ends.high, "is_distinct": ends.direction == 1}
