"""How the time for a joint order grows with its models: a table, no test.

    python -m tests.benchmarks.joint_bench --models 2,3,4,6,8

Models of 50 lines each, half of them free in any colour, all lines from one market (savings_bench: 34 vendors, 400 parts). Seconds
are CPU seconds of this process, one thread: every set of the models, sequences of buying them, and all together. The models' own
published plans, from which a refresh starts, are not there.
"""

from __future__ import annotations

import os

os.environ.setdefault("POLARS_MAX_THREADS", "1")

import argparse
import time
from dataclasses import replace
from decimal import Decimal

import polars as pl

from pipelines.inputs import Model
from pipelines.insight.replanning.published_plans import PLAN_TABLES
from pipelines.insight.together.joint_orders import SETS_AT_FULL_EFFORT_UP_TO, JointBuying, joint_tasks
from pipelines.settings import JointOrder
from schemas.all_tables import ALL_PUBLISHED
from schemas.validate import empty_frame
from tests.benchmarks.savings_bench import COLOURS_MADE, VENDORS, model_and_market
from tests.builders import markets as cases

LINES_EACH, PARTS = 50, 400
HEADINGS = ("models", "sets", "sets planned at", "s")


def _models(whole: Model, count: int) -> list[Model]:
    """Models of every so-many-th line of one large list."""
    models = []
    for number in range(count):
        own = [1 + (number + count * at) % PARTS for at in range(LINES_EACH)]
        lines = whole.parts_list.filter(pl.col("line_number").is_in(own)).to_dicts()
        flexible_lines = whole.flexible_lines.filter(pl.col("line_number").is_in(own)).to_dicts()
        models.append(cases.make_model(lines, flexible_lines, model_code=f"m{number}", title=f"M{number}"))
    return models


def measure(count: int, seed: int = 1) -> list[str]:
    """One row of the table."""
    whole, market = model_and_market(PARTS, seed)
    models = _models(whole, count)
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
    inputs = cases.make_inputs(tuple(models), (cases.BUYER,), vendors=vendors, vendor_terms=terms, colours=colours)
    order = JointOrder(
        joint_order_code="all", title="All", model_codes=[model.model_code for model in models], buyer_code="home"
    )
    inputs = replace(inputs, settings=inputs.settings.model_copy(update={"joint_order": [order]}))
    no_plans = {contract.name: empty_frame(contract) for contract in ALL_PUBLISHED if contract.name in PLAN_TABLES}
    (task,) = joint_tasks(inputs, market, market, cases.make_summaries(), no_plans, cases.DAY)
    began = time.process_time()
    assert JointBuying(inputs, task).result().shares
    effort = order.effort if count <= SETS_AT_FULL_EFFORT_UP_TO else "quick"
    return [str(count), str(2**count - 1), effort, f"{time.process_time() - began:.0f}"]


def main() -> None:
    """Run what was asked for and print the table, row by row."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--models", default="2,3,4,6,8", help="numbers of models")
    parser.add_argument("--seed", type=int, default=1, help="seed of the market")
    args = parser.parse_args()
    print(" | ".join(HEADINGS))
    for count in args.models.split(","):
        print(" | ".join(measure(int(count), args.seed)), flush=True)


if __name__ == "__main__":
    main()
