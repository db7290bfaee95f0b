"""How kitfare's planner compares with a plain program at market size: a table, no test.

    python -m tests.benchmarks.plan_bench --sizes 100,300 --effort standard --mip-seconds 60

Every figure comes from a process of its own, so that its peak memory is its own. Seconds are CPU seconds of that process,
without making the market. The baseline ("plain MIP") is the whole problem as HiGHS gets it without any thought: every offer, a
tight linking row for each, default options, a time limit.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time

import highspy
import numpy as np

from pipelines.planner import solve
from pipelines.planner.efforts import EFFORTS
from pipelines.planner.program import linear
from pipelines.planner.program.columns import ProgramOptions
from pipelines.planner.program.rows import build_program
from pipelines.planner.reduction.unfilled import least_unfilled
from pipelines.planner.statement.make_arrays import arrays_of
from pipelines.planner.statement.problem import Problem
from tests.benchmarks.market_generator import random_problem, vendor_market

HEADINGS = (
    "market",
    "offers",
    "MIP cost",
    "MIP bound",
    "gap %",
    "s",
    "MiB",
    "cost",
    "bound",
    "gap %",
    "s",
    "MiB",
    "MIP s / s",
)


def plain_mip(problem: Problem, seconds: float) -> dict[str, float]:
    """The whole problem on HiGHS with default options."""
    arrays = arrays_of(problem)
    everyone, all_uses = np.ones(len(arrays.vendors), np.bool_), np.ones(len(arrays.use_offer), np.bool_)
    plan_program = build_program(arrays, ProgramOptions(everyone, all_uses, unfilled_limit=least_unfilled(arrays)))
    solver = linear.quiet_solver()
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("time_limit", seconds)
    solver.passModel(linear._as_highs(plan_program.program))
    solver.run()
    info = solver.getInfo()
    found = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    unit = float(arrays.money_unit)
    return {"cost": unit * info.objective_function_value if found else np.inf, "bound": unit * info.mip_dual_bound}


def kitfare(problem: Problem, effort: str) -> dict[str, float]:
    """What the planner makes of it; a cost is comparable only if nothing is missing that need not be."""
    solution = solve.solve(problem, effort)
    missing = int(solution.unfilled["quantity"].sum())
    least = least_unfilled(arrays_of(problem))
    return {
        "cost": float(solution.cost) if missing <= least else np.inf,
        "bound": float(solution.lower_bound),
        "vendors": problem.offers[solution.purchases["offer_index"]]["vendor_code"].n_unique(),
    }


def measure(who: str, vendors: int, seed: int, rule_share: float, effort: str, seconds: float) -> dict[str, float]:
    """One run, in this process."""
    problem = random_problem(seed, vendor_market(vendors, rule_share))
    start = time.process_time()
    result = plain_mip(problem, seconds) if who == "mip" else kitfare(problem, effort)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {**result, "offers": len(problem.offers), "seconds": time.process_time() - start, "mebibytes": peak}


def _in_own_process(arguments: list[str]) -> dict[str, float]:
    command = [sys.executable, "-m", "tests.benchmarks.plan_bench", *arguments]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def _cells(result: dict[str, float] | None) -> list[str]:
    if result is None:
        return ["-"] * 5
    gap = 100 * (result["cost"] - result["bound"]) / result["cost"] if np.isfinite(result["cost"]) else np.inf
    figures = f"{result['cost']:.3f}", f"{result['bound']:.3f}", f"{gap:.3f}"
    return [*figures, f"{result['seconds']:.1f}", f"{result['mebibytes']:.0f}"]


def main() -> None:
    """Run what was asked for and print the table, row by row."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", default="100,300", help="numbers of vendors")
    parser.add_argument("--seeds", default="1", help="seeds of the markets")
    parser.add_argument(
        "--rule-share", type=float, default=0.0, help="share of vendors with waivers, minimums, steps, multiples"
    )
    parser.add_argument("--effort", default="standard", choices=sorted(EFFORTS))
    parser.add_argument("--mip-seconds", type=float, default=60.0, help="the plain MIP's time limit; 0 to leave it out")
    parser.add_argument("--only", choices=["mip", "kitfare"], help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.only:
        size, seed = int(args.sizes), int(args.seeds)
        print(json.dumps(measure(args.only, size, seed, args.rule_share, args.effort, args.mip_seconds)))
        return
    print(f"plain MIP: HiGHS, default options, at most {args.mip_seconds:g} s; kitfare: {args.effort}")
    print(" | ".join(HEADINGS))
    for size in args.sizes.split(","):
        for seed in args.seeds.split(","):
            passed = ["--sizes", size, "--seeds", seed, "--rule-share", str(args.rule_share)]
            passed += ["--effort", args.effort, "--mip-seconds", str(args.mip_seconds)]
            ours = _in_own_process([*passed, "--only", "kitfare"])
            theirs = _in_own_process([*passed, "--only", "mip"]) if args.mip_seconds else None
            ratio = f"{theirs['seconds'] / ours['seconds']:.1f}" if theirs else "-"
            market = f"{size} vendors, seed {seed}" + (f", {args.rule_share:.0%} with rules" if args.rule_share else "")
            row = [market, f"{ours['offers']}", *_cells(theirs), *_cells(ours), ratio]
            print(" | ".join(row), flush=True)


if __name__ == "__main__":
    main()
