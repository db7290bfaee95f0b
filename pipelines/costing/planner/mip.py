"""Plan the purchase."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from pipelines.costing.planner import linear
from pipelines.costing.planner.compiled import compile_problem
from pipelines.costing.planner.draft import ModelOptions
from pipelines.costing.planner.mip_model import build_model
from pipelines.costing.planner.plan import checked, read_plan, solution_of
from pipelines.costing.planner.problem import Problem, Solution
from pipelines.errors import PlanRefusedError


def solve(problem: Problem, effort: str, start: Solution | None = None) -> Solution:
    """Plan the purchase."""
    compiled = compile_problem(problem)
    everything = np.ones(len(compiled.vendors), np.bool_), np.ones(len(compiled.use_offer), np.bool_)
    limit, outcome, model = None, None, None
    for _ in range(2):
        model = build_model(compiled, ModelOptions(*everything, unfilled_limit=limit))
        outcome = linear.solve(model.program, {"mip_rel_gap": 1e-6})
        if outcome.values is None:
            raise PlanRefusedError("the solver found no plan")
        limit = int(np.rint(outcome.bound))
    plan = read_plan(model, outcome.values)
    plan = plan and checked(problem, compiled, plan)
    if plan is None:
        raise PlanRefusedError("the plan found cannot be carried out")
    bound = min(plan.cost, Fraction(outcome.bound) - plan.cost / 1_000_000)
    return Solution(**solution_of(problem, compiled, plan), cost=plan.cost, lower_bound=bound, is_proven=True)
