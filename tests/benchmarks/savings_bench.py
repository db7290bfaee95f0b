"""How the time for savings and look-first lists grows with a model's lines: a table, no test.

    python -m tests.benchmarks.savings_bench --sizes 50,100,200,400

Half the lines of a model are free in any colour, half undecided; 34 vendors hold a third of all elements each, at lognormal prices
and stocks (invented, seeded). Seconds are CPU seconds of this process, one thread; the plan the savings belong to is not in them.
Beside them: what asking the planner for every line by itself would take, from the mean of a few such plans.
"""

from __future__ import annotations

import os

os.environ.setdefault("POLARS_MAX_THREADS", "1")

import argparse
import time
from dataclasses import replace
from decimal import Decimal

import numpy as np
import polars as pl

from pipelines.inputs import Model
from pipelines.insight.flexibility.savings import FlexibilitySavings
from pipelines.insight.replanning.published_plans import published_plans
from pipelines.planning.scenarios import plan_model
from pipelines.settings import Buyer
from tests.builders import markets as cases

VENDORS, COLOURS_MADE, STOCKED = 34, 6, 0.33
COLD_PLANS = 3
HEADINGS = ("lines", "uses", "estimate s", "planned costs s", "together s", "a plan per line s", "times")


def model_and_market(line_count: int, seed: int) -> tuple[Model, pl.DataFrame]:
    """A model of so many lines, and the offers of all vendors."""
    draw = np.random.default_rng(seed)
    colours = [f"c{number}" for number in range(COLOURS_MADE)]
    quantities = np.maximum(1, draw.lognormal(1.8, 1.0, line_count).astype(int))
    lines = [cases.line(n, f"p{n}", str(draw.choice(colours)), int(q)) for n, q in enumerate(quantities, 1)]
    flexible_lines = [cases.flexibility(n, "any", decided_on="2026-01-01") for n in range(2, line_count + 1, 2)]
    base = draw.lognormal(np.log(0.08), 0.8, line_count)
    offers = []
    for part in range(1, line_count + 1):
        for colour in colours:
            typical = base[part - 1] * draw.lognormal(0, 0.45)
            for vendor in np.flatnonzero(draw.random(VENDORS) < STOCKED):
                price = max(typical * draw.lognormal(0, 0.35), 0.005)
                stock = int(np.ceil(draw.lognormal(np.log(25), 1.2)))
                offers.append(cases.offer(f"v{vendor:02d}", f"p{part}", colour, f"{price:.3f}", stock))
    return cases.make_model(lines, flexible_lines), cases.make_market(*offers)


def measure(line_count: int, seed: int = 1) -> list[str]:
    """One row of the table."""
    model, market = model_and_market(line_count, seed)
    vendors = [cases.vendor(f"v{number:02d}") for number in range(VENDORS)]
    terms = [cases.terms(row["vendor_code"], shipping_charge=str(Decimal(6) + n % 4)) for n, row in enumerate(vendors)]
    colours = [
        {
            "colour_code": f"c{number}",
            "colour_name": f"C{number}",
            "srgb_hex": f"#{20 * number:02X}8040",
            "colour_family": "x",
        }
        for number in range(COLOURS_MADE)
    ]
    inputs = cases.make_inputs((model,), (cases.BUYER,), vendors=vendors, vendor_terms=terms, colours=colours)
    scenarios = tuple(s for s in inputs.settings.scenarios if s.scenario_code in ("listed", "flexible"))
    inputs = replace(inputs, settings=inputs.settings.model_copy(update={"scenario": list(scenarios)}))
    buyer: Buyer = cases.BUYER
    plans = plan_model(inputs, model, cases.DAY, buyer, market, market, cases.make_summaries(), "quick").tables
    published = published_plans(inputs, market, plans, cases.DAY, ("flexible",))[0]
    began = time.process_time()
    found = FlexibilitySavings(inputs, published)
    assert found.estimated
    estimated = time.process_time()
    found.rows()
    done = time.process_time()
    cold = time.process_time()
    for number in range(2, 2 + 2 * COLD_PLANS, 2):
        kept = model.flexible_lines.filter(pl.col("line_number") != number)
        fewer = replace(published, model=replace(model, flexible_lines=kept))
        planning = fewer.planning(inputs)
        planning._solve(planning.candidates(published.scenario), published.scenario, ())
    every = (time.process_time() - cold) / COLD_PLANS * line_count
    uses = len(found.costs.uses.price)
    return [
        str(line_count), str(uses), f"{estimated - began:.2f}", f"{done - estimated:.2f}", f"{done - began:.2f}",
        f"{every:.0f}", f"{every / (done - began):.0f}",
    ]  # fmt: skip


def main() -> None:
    """Run what was asked for and print the table, row by row."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", default="50,100,200,400", help="numbers of lines")
    parser.add_argument("--seed", type=int, default=1, help="seed of the markets")
    args = parser.parse_args()
    print(" | ".join(HEADINGS))
    for size in args.sizes.split(","):
        print(" | ".join(measure(int(size), args.seed)), flush=True)


if __name__ == "__main__":
    main()
