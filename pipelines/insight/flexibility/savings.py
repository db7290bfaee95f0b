"""The tables of flexibility: what each flexible line saves, so that it adds up, and which lines to look at first."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.insight.flexibility.flexible_plans import FlexibilityCost, FlexiblePlanner
from pipelines.insight.flexibility.look_first_list import LookFirstList
from pipelines.insight.flexibility.model_games import ModelGames
from pipelines.insight.flexibility.portion_costs import Flexibility, PortionCosts
from pipelines.insight.flexibility.priced_uses import COLOUR, FLEXIBLE_RULES, of_likely_vendors, priced_uses
from pipelines.insight.flexibility.saving_game import SavingGame, Shares, fair_shares, interactions
from pipelines.insight.flexibility.vendor_mixes import MILLION
from pipelines.insight.replanning.fair_share import in_whole_units
from pipelines.insight.replanning.published_plans import PublishedPlan, published_plans
from pipelines.money import currency_digits, round_half_up
from pipelines.planning.purchase_plan import PurchasePlan
from pipelines.workers import spread
from schemas.all_tables import SAVING_CONTRACTS
from schemas.contract import Contract
from schemas.published.flexibility import COLOUR_FLEX_SAVING, FLEXIBILITY_COST, LOOK_FIRST, SUBSTITUTE_SAVING
from schemas.validate import polars_schema, validate_typed

LISTED, FLEXIBLE = "listed", "flexible"
"""The two plans that savings lie between; both without the maker's shop, so that nothing else differs."""
FIRST_LOOKS = 10
"""First lines of the look-first list with which a plan is made, to see how good the estimate is."""
INTERPLAY_AMONG, INTERPLAY_FROM, INTERPLAY_NAMED = 20, 5, 3
"""Players compared in pairs; smallest currency units from which an effect is shown; lines named."""

Rows = list[dict[str, Any]]


def flexibility_savings(
    inputs: WorkspaceInputs, market: pl.DataFrame, plans: Mapping[str, pl.DataFrame], day: date
) -> dict[str, pl.DataFrame]:
    """Savings and look-first lists of every model and buyer on a date, between the plans ``listed`` and ``flexible``.

    Args:
        inputs: the workspace.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the date.
        plans: the tables of plan_night.
        day: the priced date.

    Returns:
        Frames of SAVING_CONTRACTS, sorted by key. Lines are left out that have nothing to compare with: lines of amendments,
        lines whose listed colour is refused, and lines with pieces that have no price as listed, not even an estimate.
    """
    scenarios = {scenario.scenario_code: scenario for scenario in inputs.settings.scenarios}
    found: dict[str, Rows] = {contract.name: [] for contract in SAVING_CONTRACTS}
    if not (scenarios[LISTED].use_flexibility or scenarios[LISTED].use_substitutes):
        needed = enumerate(published_plans(inputs, market, plans, day, (FLEXIBLE,)))
        for _, rows in spread(savings_of_plan, inputs, needed, inputs.settings.refresh.workers):
            for name, of_table in rows.items():
                found[name] += of_table
    return {contract.name: _frame(contract, found[contract.name], day) for contract in SAVING_CONTRACTS}


def _frame(contract: Contract, rows: Rows, day: date) -> pl.DataFrame:
    frame = pl.DataFrame(rows, schema=polars_schema(contract), orient="row").sort(contract.key)
    return validate_typed(contract, frame, where=f"{contract.name} on {day}")


def savings_of_plan(inputs: WorkspaceInputs, published: PublishedPlan) -> dict[str, Rows]:
    """Rows by table of one flexible plan; none where the plan as listed was refused or is not among today's offers."""
    if not published.listed["model_cost"].filter(pl.col("plan_status") != "refused").height:
        return {}
    return FlexibilitySavings(inputs, published).rows()


class FlexibilitySavings:
    """The savings between one flexible plan and the plan as listed.

    The savings of lines are estimates by a game (model_games), scaled so that all players together save what the two
    published plans differ by. So fair shares add up to the published saving to the last cent, and what a line saves alone or
    last is on the same scale.
    """

    def __init__(self, inputs: WorkspaceInputs, published: PublishedPlan) -> None:
        self.inputs, self.published = inputs, published
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
        return {**self.estimated, FLEXIBILITY_COST.name: self._cost_rows(self.estimated[LOOK_FIRST.name])}

    @cached_property
    def estimated(self) -> dict[str, Rows]:
        """Rows of the tables that are estimated, without planning anything."""
        missing = self.published.rows["unfilled_line"]
        look_first = LookFirstList(self.games, self.players, self.portions, missing, self.digits)
        return {**self._saving_rows(), LOOK_FIRST.name: [self.key | row for row in look_first.rows()]}

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

    @cached_property
    def gaps(self) -> tuple[Decimal, Decimal]:
        """How far the plans as listed and flexible may be above the best possible."""
        listed, flexible = (
            rows["model_cost"].row(0, named=True) for rows in (self.published.listed, self.published.rows)
        )
        return listed["landed_cost"] - listed["lower_bound"], flexible["landed_cost"] - flexible["lower_bound"]

    def _cost_rows(self, looks: Rows) -> Rows:
        plans = self._known_plans()
        planner = FlexiblePlanner(self.inputs, self.published, self.planning)
        of_plans = [frozenset(plan.purchases["vendor_code"]) for plan in plans]
        listed, flexible = (
            _published_cost(rows["model_cost"].row(0, named=True))
            for rows in (self.published.listed, self.published.rows)
        )
        found: dict[str, tuple[FlexibilityCost, int | None]] = {
            "none": (listed, None),
            "both": (flexible, self.game.total_saving),
        }
        for allowed, change, players in (
            ("colour", {"use_flexibility": True}, self.costs.colours_allowed),
            ("substitutes", {"use_substitutes": True}, self.costs.forms_allowed),
        ):
            vendors = [*of_plans, self._cheapest_vendors(players)]
            cost = planner.cost(self.listed_scenario.model_copy(update=change), plans, vendors)
            if cost is not None:
                # Less flexibility is never cheaper: a cheaper plan only shows the flexible plan's gap.
                cheapest = flexible if cost.complete_cost < flexible.complete_cost else cost
                found[allowed] = cheapest, self.games.game(players).total_saving
        first = [row["line_number"] for row in looks if row["is_worth_a_look"]][:FIRST_LOOKS]
        if first:
            vendors = [*of_plans, self._cheapest_vendors([*self.players, *((line, COLOUR) for line in first)])]
            cost = planner.cost_with_flexible(first, plans, vendors)
            if cost is not None:
                so_far = next(row["look_saving_so_far"] for row in looks if row["line_number"] == first[-1])
                found["first_looks"] = cost, self.game.total_saving + int(so_far * MILLION)
        on_every_row = {**self._decided(), "share_basis": self._share_basis}
        return [
            {
                **self.key,
                **on_every_row,
                "flexibility_allowed": allowed,
                "landed_cost": cost.landed_cost,
                "unfilled_piece_count": cost.unfilled_piece_count,
                "complete_cost": cost.complete_cost,
                "total_saving": (saving := max(Decimal(0), listed.complete_cost - cost.complete_cost)),
                "is_distinct": saving > sum(self.gaps),
                "modelled_saving": None if modelled is None else self._money(Fraction(modelled, MILLION)),
                "looked_line_numbers": ";".join(map(str, sorted(first))) if allowed == "first_looks" else "",
            }
            for allowed, (cost, modelled) in sorted(found.items())
        ]

    def _known_plans(self) -> list[PurchasePlan]:
        flexible = self.published.plan(self.planning, self.planning.candidates(self.published.scenario))
        listed = PublishedPlan(
            self.published.model,
            self.published.buyer,
            self.listed_scenario,
            self.published.day,
            self.published.market,
            self.published.listed,
            self.published.listed,
        ).plan(self.planning, self.planning.candidates(self.listed_scenario))
        return [plan for plan in (listed, flexible) if plan is not None]

    def _cheapest_vendors(self, flexible: Collection[Flexibility]) -> frozenset[str]:
        """The vendors of the mix that is cheapest under some flexibility."""
        mix = int(self.games.game([], flexible).fixed.argmin())
        used = self.games.mixes.sets.masks[mix]
        return frozenset(code for code, is_used in zip(self.costs.uses.vendor_codes, used, strict=True) if is_used)

    def _decided(self) -> dict[str, Any]:
        """How much of the designer's list somebody has decided."""
        designers = self.portions.filter(pl.col("portion_source") == "designer")
        lines = designers["line_number"].n_unique()
        undecided = designers.filter(pl.col("colour_rule") == "undecided")["line_number"].n_unique()
        decided = lines - undecided
        return {"line_count": lines, "decided_line_count": decided, "decided_share": decided / lines if lines else 0.0}

    # Savings by line

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

    def _saving_rows(self) -> dict[str, Rows]:
        lines = self._lines_by_flexibility()
        fair = self._fair_amounts(lines)
        found: dict[str, Rows] = {COLOUR_FLEX_SAVING.name: [], SUBSTITUTE_SAVING.name: []}
        numbers = {flexibility: number for number, flexibility in enumerate(self.players)}
        for flexibility, own in sorted(lines.items()):
            number = numbers.get(flexibility)
            zero = Fraction(0)
            alone, last, error = (
                zero if number is None else Fraction(float(values[number])) * self._proportion
                for values in (self.game.alone, self.game.last, self.shares.errors)
            )
            interplay, partners = self._interplays.get(number, ("none", ""))
            for line in own:
                amounts = {"alone": self._money(alone), "last": self._money(last)}
                if self._has_shares:
                    amounts["fair"] = fair[flexibility, line]
                is_sampled = self._share_basis == "sampled" and amounts.get("fair")
                contract = COLOUR_FLEX_SAVING if flexibility[1] == COLOUR else SUBSTITUTE_SAVING
                about = self._about(line, flexibility[1])
                if flexibility[1] == COLOUR:
                    about["flexible_line_count"] = len(own)
                found[contract.name] += [
                    {
                        **self.key,
                        **about,
                        "saving_view": view,
                        "saving": amount,
                        "is_distinct": self._is_distinct(view, amount, line),
                        "standard_error": self._money(error / len(own)) if view == "fair" and is_sampled else None,
                        "interplay": interplay,
                        "interplay_line_numbers": partners,
                    }
                    for view, amount in amounts.items()
                ]
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
            rounded = in_whole_units([part * Fraction(self.total) / whole for part in parts.values()], self.digits)
            amounts |= {key: self._money(amount) for key, amount in zip(parts, rounded, strict=True)}
        return amounts

    def _is_distinct(self, view: str, amount: Decimal, line: int) -> bool:
        listed, flexible = self.gaps
        gap = {"alone": listed, "last": flexible, "fair": listed + flexible}[view]
        is_estimated = any(portion[0] == line for portion in self._missing)
        return amount > gap and not is_estimated

    def _about(self, line: int, bit: int) -> dict[str, Any]:
        """A line's columns: of its flexible portions for colours, of all for forms; named after the largest portion."""
        rows = self.portions.filter(pl.col("line_number") == line)
        if bit == COLOUR:
            rows = rows.filter(pl.col("colour_rule").is_in(FLEXIBLE_RULES))
        main = rows.sort("quantity", descending=True, maintain_order=True).row(0, named=True)
        names = ["line_number", "listed_part_code", "listed_colour_code", *(["colour_rule"] if bit == COLOUR else [])]
        return {**{name: main[name] for name in names}, "quantity": int(rows["quantity"].sum())}

    @cached_property
    def _interplays(self) -> dict[int | None, tuple[str, str]]:
        """By player, how others change what it saves and which lines do so most; only for the largest shares."""
        game = self.game
        ranked = sorted(range(game.player_count), key=lambda number: (-self.shares.shares[number], number))
        top = [number for number in ranked[:INTERPLAY_AMONG] if self.shares.shares[number] > 0]
        if len(top) < 2:
            return {}
        effects = [abs(matrix) for matrix in interactions(game, top)]
        strongest = effects[0] + effects[1]
        least = Fraction(INTERPLAY_FROM, 10**self.digits)
        in_block = {player: number for number, block in enumerate(game.blocks) for player in block.players}
        found: dict[int | None, tuple[str, str]] = {}
        for row, number in enumerate(top):
            others = [at for at in range(len(top)) if strongest[row, at] * self._proportion >= least]
            others.sort(key=lambda at: (-strongest[row, at], top[at]))
            if not others:
                continue
            partner = top[others[0]]
            kind = "stock" if in_block[partner] == in_block[number] else "vendor"
            lines = {line for at in others[:INTERPLAY_NAMED] for line in self.costs.lines_of(self.players[top[at]])}
            lines -= set(self.costs.lines_of(self.players[number]))
            if lines:
                found[number] = kind, ";".join(map(str, sorted(lines)[:INTERPLAY_NAMED]))
        return found


def _published_cost(row: Mapping[str, Any]) -> FlexibilityCost:
    return FlexibilityCost(row["landed_cost"], row["unfilled_piece_count"], row["complete_cost"])
