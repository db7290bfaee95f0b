"""How good and how dear the plans of past month ends are: a table by model, no test.

    python -m tests.benchmarks.months_bench --keep DIR --every 3 --efforts quick,standard

States one problem per model and month end of the demo, for its first buyer and the scenario with the widest choice of vendors,
and plans every n-th month end of each model at the efforts given. The demo's workspace, the stated problems and the best costs
known are made once and kept in DIR. Excess is over the best cost that any run with this DIR has found; the gap is to the plan's
own bound. Seconds are CPU seconds of this process; those in trees are spent in HiGHS on programs with whole numbers.
"""

from __future__ import annotations

import argparse
import json
import pickle
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from unittest import mock

from pipelines.cli.start.demo import install_demo
from pipelines.flows.refresh import identified
from pipelines.flows.steps import history_steps, intake_steps, plausibility_steps
from pipelines.planner import solve
from pipelines.planner.efforts import EFFORTS
from pipelines.planner.program import linear
from pipelines.planner.statement.problem import Problem
from pipelines.planning.scenarios import ModelPlanning
from pipelines.workspace import Workspace

SCENARIO = "cheapest"
HEADINGS = "model | effort | months | excess mean % | worst % | gap mean % | worst % | CPU s | in trees s"
Problems = dict[str, dict[date, Problem]]


@dataclass(frozen=True)
class Measured:
    """One plan: its cost and bound in the buyer's currency, pieces it leaves unfilled, and CPU seconds."""

    cost: float
    bound: float
    unfilled: int
    seconds: float
    tree_seconds: float


class TreeClock:
    """The planner's solver, which adds up the CPU seconds spent on programs with whole numbers."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self._solve = linear.solve

    def solve(self, program: linear.Program, *given: Any) -> linear.Outcome:
        """Solve a program."""
        began = time.process_time()
        outcome = self._solve(program, *given)
        self.seconds += (time.process_time() - began) * bool(program.is_integer.any())
        return outcome


def problems_of(workspace: Workspace) -> Problems:
    """The problems by model and month end, earliest first; the workspace's files are taken in where they are not yet."""
    night = intake_steps.read_inputs(workspace, datetime.now(UTC).replace(tzinfo=None))
    night = plausibility_steps.check_exports(intake_steps.take_in_files(night))
    night = history_steps.screen_prices(identified(history_steps.fold_history(night), None))
    night = history_steps.read_markets(night)
    buyer, found = night.settings.buyer[0], Problems()
    scenario = next(each for each in night.settings.scenarios if each.scenario_code == SCENARIO)
    for model in night.inputs.models:
        for day in sorted(night.days[1:]):
            if not night.markets.last_seen[day].height or model.settings.version_on(day) is None:
                continue
            planning = ModelPlanning(night.inputs, model, day, buyer, night.markets.by_day[day], "quick", False)
            candidates = planning.candidates(scenario)
            if candidates.uses.height:
                problem = candidates.problem(planning.book, scenario)
                found.setdefault(model.model_code, {})[day] = problem
    return found


def kept_problems(folder: Path) -> Problems:
    """The problems kept in a folder; made and kept there if there are none."""
    file = folder / "problems.pickle"
    if not file.exists():
        if not (folder / "demo" / "kitfare.toml").exists():
            install_demo(folder / "demo")
        workspace = Workspace(folder / "demo")
        intake_steps.clean_up(workspace)
        with file.open("wb") as output:
            pickle.dump(problems_of(workspace), output)
    with file.open("rb") as stored:
        problems: Problems = pickle.load(stored)
    return problems


def measure(problem: Problem, effort: str) -> Measured:
    """Plan one problem."""
    clock = TreeClock()
    with mock.patch.object(linear, "solve", clock.solve):
        began = time.process_time()
        found = solve.solve(problem, effort)
        seconds = time.process_time() - began
    unfilled = int(found.unfilled["quantity"].sum())
    return Measured(float(found.cost), float(found.lower_bound), unfilled, seconds, clock.seconds)


def planned(
    problems: Problems, efforts: list[str], every: int, first: int = 0
) -> Iterator[tuple[str, str, dict[str, Measured]]]:
    """By model and effort, the measured plans of every n-th month end, by the problem's name."""
    for model_code, by_day in problems.items():
        chosen = list(by_day.items())[first::every]
        for effort in efforts:
            yield model_code, effort, {f"{model_code} {day}": measure(problem, effort) for day, problem in chosen}


class BestCosts:
    """The fewest unfilled pieces and the least cost of every problem, over all runs that keep the same file."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.known: dict[str, tuple[int, float]] = {}
        if file.exists():
            self.known = {name: (unfilled, cost) for name, (unfilled, cost) in json.loads(file.read_text()).items()}

    def add(self, plans: dict[str, Measured]) -> None:
        """Keep what is better than what is known."""
        for name, plan in plans.items():
            rank = (plan.unfilled, plan.cost)
            self.known[name] = min(self.known.get(name, rank), rank)
        self.file.write_text(json.dumps(self.known, indent=1))

    def excess(self, name: str, plan: Measured) -> float:
        """How much dearer a plan is than the best, as a share; infinite where it leaves more unfilled."""
        unfilled, cost = self.known[name]
        return plan.cost / cost - 1 if plan.unfilled == unfilled else float("inf")


def row_of(model_code: str, effort: str, plans: dict[str, Measured], best: BestCosts) -> str:
    """A row of the table."""
    excess = [100 * best.excess(name, plan) for name, plan in plans.items()]
    gaps = [100 * (1 - plan.bound / plan.cost) for plan in plans.values()]
    shares = [f"{value:.2f}" for found in (excess, gaps) for value in (sum(found) / len(found), max(found))]
    seconds = [f"{sum(getattr(plan, name) for plan in plans.values()):.1f}" for name in ("seconds", "tree_seconds")]
    return " | ".join([model_code, effort, str(len(plans)), *shares, *seconds])


def main() -> None:
    """Run what was asked for; print a row per model and effort once all costs are known, then one per effort over all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, help="folder for the workspace, the problems and the best costs; it stays")
    parser.add_argument("--every", type=int, default=3, help="plan every n-th month end")
    parser.add_argument("--first", type=int, default=0, help="number of the first month end to plan")
    parser.add_argument("--efforts", default="quick,standard", help=f"of {', '.join(EFFORTS)}")
    parser.add_argument("--models", help="model codes; all by default")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="kitfare-months-") as name:
        folder = args.keep or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        problems, best = kept_problems(folder), BestCosts(folder / "best_costs.json")
        if args.models:
            problems = {code: problems[code] for code in args.models.split(",")}
        rows, of_effort = [], dict[str, dict[str, Measured]]()
        for model_code, effort, plans in planned(problems, args.efforts.split(","), args.every, args.first):
            best.add(plans)
            rows.append((model_code, effort, plans))
            of_effort.setdefault(effort, {}).update(plans)
        print(HEADINGS)
        for row in [*rows, *(("all", effort, plans) for effort, plans in of_effort.items())]:
            print(row_of(*row, best))


if __name__ == "__main__":
    main()
