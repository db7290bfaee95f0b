"""The best plan and the best bound found so far, and what they prove about the plans still to be found."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from pipelines.planner.bounds.relaxation import SolvedRelaxation
from pipelines.planner.efforts import Effort
from pipelines.planner.plans.whole_plan import WholePlan
from pipelines.planner.search.repair import constructed
from pipelines.planner.statement.columns_as_arrays import Flags, Floats
from pipelines.planner.statement.problem import Problem
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.shared_stock import with_further_orders
from pipelines.planner.statement.tolerances import PROVEN_WITHIN


@dataclass
class BestSoFar:
    """The best plan so far, and the best bound for plans that leave at most ``limit`` pieces unfilled.

    Attributes:
        exact_uses: uses that some cheapest plan needs at most; all stages are about these.
        is_fewest: whether no plan leaves fewer pieces unfilled than ``limit``.
        relaxation: the linear relaxation, once it is solved.
        tried: what plans were made of: sets of vendors, with the relaxation's pieces.
    """

    problem: Problem
    arrays: ProblemArrays
    effort: Effort
    exact_uses: Flags
    plan: WholePlan | None = None
    limit: int = 0
    bound: float = 0.0
    hit_time_limit: bool = False
    is_fewest: bool = True
    relaxation: SolvedRelaxation | None = None
    tried: set[bytes] = field(default_factory=set)

    @property
    def everyone(self) -> Flags:
        """All vendors."""
        return np.ones(len(self.arrays.vendors), np.bool_)

    @property
    def is_filled(self) -> bool:
        """Whether the best plan leaves no more unfilled than it must."""
        return self.plan is not None and self.plan.unfilled_count <= self.limit

    @property
    def is_proven(self) -> bool:
        """Whether no plan can be cheaper by an amount that matters."""
        return self.plan is not None and self.is_filled and self.budget - self.bound <= PROVEN_WITHIN / 2 * self.budget

    @property
    def budget(self) -> float:
        """What the best plan costs, in units of money; infinite while it leaves more unfilled than it must."""
        return float(self.plan.cost / self.arrays.money_unit) if self.plan is not None and self.is_filled else math.inf

    @property
    def is_small(self) -> bool:
        """Whether so little is left to choose from that the whole program is solved."""
        uses = self.exact_uses if self.relaxation is None else self.still_possible[1]
        return self.size(uses) <= self.effort.whole.up_to

    @property
    def has_one_vendor(self) -> bool:
        """Whether all offers are one vendor's."""
        return len(np.unique(self.arrays.offer_vendor)) == 1

    @property
    def still_possible(self) -> tuple[Flags, Flags]:
        """Vendors and uses that a plan no dearer than the best can have."""
        if self.relaxation is None or self.relaxation.limit != self.limit:
            return self.everyone, self.exact_uses
        return self.relaxation.within(self.budget, self.exact_uses)

    def size(self, uses: Flags) -> int:
        """How many uses these are, and price steps of their offers."""
        is_used = np.zeros(len(self.arrays.offer_row), np.bool_)
        is_used[self.arrays.use_offer[uses]] = True
        return int(uses.sum() + is_used[self.arrays.step_offer].sum())

    def offer(self, plan: WholePlan | None) -> None:
        """Keep a plan if it is better than the best."""
        if plan and (self.plan is None or plan.is_better_than(self.plan, self.arrays)):
            self.plan = plan

    def raise_bound(self, bound: float) -> None:
        """Keep a bound if it is higher than the best."""
        self.bound = max(self.bound, bound)

    def restart_with_limit(self, limit: int) -> None:
        """From here on bound the plans that leave at most so many pieces unfilled."""
        self.limit, self.bound = limit, 0.0

    def construct(self, vendors: Flags, factor: Floats, pieces: Floats | None = None) -> bool:
        """Make a plan of a set of vendors, from nothing or from a relaxation's pieces by use.

        Returns:
            Whether it leaves no more unfilled than it must; False for what was tried before.
        """
        key = vendors.tobytes() + (b"" if pieces is None else pieces.tobytes())
        if key in self.tried or not vendors.any():
            return False
        self.tried.add(key)
        plan = constructed(self.problem, self.arrays, self.exact_uses, vendors, pieces, factor)
        self.offer(plan)
        return plan is not None and plan.unfilled_count <= self.limit

    def construct_each(self, sets: Flags, factor: Floats) -> bool:
        """Make plans of sets of first orders: with these alone, and with the vendors' further orders as well.

        Returns:
            Whether one leaves no more unfilled than it must.
        """
        is_filled = False
        for vendors in sets:
            for allowed in (vendors, with_further_orders(self.arrays, vendors)):
                is_filled |= self.construct(allowed, factor)
        return is_filled
