"""How long the monthly trend tables take, and how that grows: a table, no test.

    python -m tests.benchmarks.trends_bench --models 75,150,300 --months 60 --elements 20000

Models of 100 lines each draw their elements from one catalogue; every element has up to three vendors a month, a tenth of the offers
is missing in any month. Timed are the frames that a refresh publishes (price_index, element_price, index_band, index_contribution) for one buyer, with
plans' quantities as weights, from markets as the warehouse gives them; and beside them seasons and forecasts, with their trials from every
past month. Every figure comes from a process of its own; seconds are CPU seconds of the process, and wall seconds of all beside them.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from datetime import date, timedelta
from typing import Any, cast

import numpy as np
import polars as pl

from pipelines.costing.goods_factors import goods_factors
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.over_time.buying_time import buying_time
from pipelines.settings import Buyer, ListVersion, ModelSettings, Settings
from pipelines.trends.model_index.monthly import BOUGHT_SCHEMA, PlansAndVintages, trends_of_models
from pipelines.trends.outlook.forecast import HORIZON
from pipelines.trends.outlook.forecast_trials import LEAST_HISTORY, LEAST_ORIGINS
from schemas.all_tables import WORKSPACE_TABLES
from schemas.inputs.catalogue import COLOURS, PARTS
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST
from schemas.inputs.vendors import VENDOR_TERMS, VENDORS
from schemas.published.plans import MODEL_COST
from schemas.published.price_history import PRICE_HISTORY
from schemas.published.runs import INPUT_FILE
from schemas.validate import empty_frame, polars_schema, require_valid

LINES, VENDOR_COUNT, OFFERS_EACH, MISSING = 100, 40, 3, 0.1
COLOUR_COUNT = 40
HEADINGS = ("models", "months", "elements", "lines x months", "CPU s", "forecasts, CPU s", "wall s", "MiB")


def month_ends(count: int) -> list[date]:
    """The last days of so many months up to October 2026."""
    ends, first = [], date(2026, 11, 1)
    for _ in range(count):
        ends.append(first - timedelta(days=1))
        first = ends[-1].replace(day=1)
    return ends[::-1]


def typed(contract: Any, **columns: Any) -> Any:
    """A frame of a contract; columns that are not given have the contract's default."""
    given = pl.DataFrame(columns)
    text = given.with_columns(pl.all().cast(pl.String))
    return require_valid(contract, text, where=contract.name).select(contract.columns)


def elements(count: int) -> pl.DataFrame:
    """Part and colour of each element."""
    numbers = np.arange(count)
    return pl.DataFrame(
        {
            "part_code": [f"p{n:05d}" for n in numbers // COLOUR_COUNT],
            "colour_code": [f"c{n:02d}" for n in numbers % COLOUR_COUNT],
        }
    )


def workspace(model_count: int, element_count: int, random: np.random.Generator) -> WorkspaceInputs:
    """Models whose lines are drawn from the catalogue."""
    known = elements(element_count)
    codes = known["part_code"].unique(maintain_order=True)
    vendors = [f"v{n:02d}" for n in range(VENDOR_COUNT)]
    given = {
        "parts": typed(PARTS, part_code=codes, part_name=codes, part_family=[f"f{n % 25}" for n in range(len(codes))]),
        "colours": typed(
            COLOURS,
            colour_code=[f"c{n:02d}" for n in range(COLOUR_COUNT)],
            colour_name=["x"] * COLOUR_COUNT,
            srgb_hex=["#808080"] * COLOUR_COUNT,
            colour_family=[f"h{n % 8}" for n in range(COLOUR_COUNT)],
        ),
        "vendors": typed(
            VENDORS,
            vendor_code=vendors,
            vendor_name=vendors,
            vendor_kind=["maker" if n == 0 else "independent" for n in range(VENDOR_COUNT)],
            vendor_region_code=["north"] * VENDOR_COUNT,
            currency_code=["EUR"] * VENDOR_COUNT,
        ),
        "vendor_terms": typed(VENDOR_TERMS, vendor_code=vendors),
    }
    models = []
    for n in range(model_count):
        lines = known[random.choice(element_count, LINES, replace=False)]
        parts = typed(
            PARTS_LIST,
            line_number=np.arange(1, LINES + 1),
            part_code=lines["part_code"],
            colour_code=lines["colour_code"],
            quantity=random.integers(1, 60, LINES),
        )
        settings = ModelSettings(
            model_code=f"m{n:03d}",
            title="x",
            versions=[ListVersion(list_version=1, released_on=date(2000, 1, 1))],
        )
        models.append(Model(settings, parts, empty_frame(FLEXIBLE_LINES), empty_frame(AMENDMENTS)))
    tables = {contract.name: given.get(contract.name, empty_frame(contract)) for contract in WORKSPACE_TABLES}
    buyer = Buyer(buyer_code="home", title="x", region_code="north", currency_code="EUR")
    return WorkspaceInputs(Settings(buyer=[buyer]), tables, tuple(models), empty_frame(INPUT_FILE))


def markets(days: list[date], element_count: int, random: np.random.Generator) -> dict[date, pl.DataFrame]:
    """Offers of every element on every date, prices in a random walk."""
    known = elements(element_count)
    logs = np.log(random.uniform(0.02, 0.8, element_count))
    sellers = (np.arange(element_count)[:, None] * 7 + np.arange(OFFERS_EACH) * 13) % VENDOR_COUNT
    found = {}
    schema = {**polars_schema(PRICE_HISTORY), "is_suspect": pl.Boolean()}
    for day in days:
        logs = logs + 0.003 + random.normal(0, 0.02, element_count)
        prices = np.exp(logs[:, None] + random.normal(0, 0.1, (element_count, OFFERS_EACH)))
        kept = np.flatnonzero(random.random(prices.size) > MISSING)
        at = kept // OFFERS_EACH
        found[day] = pl.DataFrame(
            {
                "offer_id": kept.astype(str),
                "vendor_code": pl.Series(sellers.ravel()[kept]).map_elements(lambda n: f"v{n:02d}", return_dtype=pl.String),
                "part_code": known["part_code"].gather(at),
                "colour_code": known["colour_code"].gather(at),
                "unit_price": np.round(prices.ravel()[kept], 4),
                "quantity_available": random.integers(5, 200, kept.size),
            }
        ).with_columns(
            condition=pl.lit("new"), listing_code=pl.lit(""), step_from_quantity=1, currency_code=pl.lit("EUR"),
            sold_in_multiples_of=1, assortment_code=pl.lit(""), maximum_per_order=pl.lit(None, pl.Int64),
            form_certainty=pl.lit("stated"), valid_from_on=day, valid_to_on=pl.lit(None, pl.Date), last_confirmed_on=day,
            is_suspect=False,
            confirmed_from_on=day,
        ).select(list(schema)).cast(pl.Schema(schema))  # fmt: skip
    return found


def bought(inputs: WorkspaceInputs, days: list[date], random: np.random.Generator) -> pl.DataFrame:
    """Plans that use the listed elements, each month in other quantities."""
    frames = [
        model.parts_list.select(
            pl.lit(model.model_code).alias("model_code"),
            pl.lit("home").alias("buyer_code"),
            pl.lit(day).alias("day"),
            "part_code",
            "colour_code",
            pl.Series("quantity", random.integers(1, 60, LINES)),
        )
        for model in inputs.models
        for day in days
    ]
    return pl.concat(frames).cast(BOUGHT_SCHEMA)


def measure(model_count: int, month_count: int, element_count: int) -> dict[str, float]:
    """One size, in this process."""
    random = np.random.default_rng(20261125)
    days = month_ends(month_count)
    inputs = workspace(model_count, element_count, random)
    prices = markets(days, element_count, random)
    plans = bought(inputs, days, random)
    began, cpu = time.monotonic(), time.process_time()
    found = trends_of_models(
        inputs,
        inputs.models,
        inputs.settings.buyer[0],
        prices,
        goods_factors(inputs, prices),
        PlansAndVintages(bought=plans),
    )
    cpu, ahead = time.process_time() - cpu, time.process_time()
    timing = buying_time(inputs, empty_frame(MODEL_COST), found.index, days[-1])
    ahead, wall = time.process_time() - ahead, time.monotonic() - began
    least = min(LEAST_ORIGINS, month_count - LEAST_HISTORY - HORIZON + 1)
    assert (timing["forecast_trial"]["origin_count"] >= least).sum() == model_count
    sums = found.contribution.filter(pl.col("change_month_count") == 1).group_by(
        "model_code", "month", "contribution_view"
    )
    totals = sums.agg(pl.col("group_contribution_points").sum()).join(
        found.index.filter(pl.col("index_method") == "lowe"), on=["model_code", "month"]
    )
    gap = cast(float | None, (totals["group_contribution_points"] - totals["change_1_month_pct"]).abs().max())
    assert found.lines.height == model_count * LINES * month_count and gap is not None and gap < 1e-9
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"lines": found.lines.height, "cpu": cpu, "ahead": ahead, "wall": wall, "mib": peak}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--models", default="75,150,300")
    parser.add_argument("--months", type=int, default=60)
    parser.add_argument("--elements", type=int, default=20_000)
    parser.add_argument("--one", type=int, help="measure this many models and print JSON")
    given = parser.parse_args()
    if given.one:
        print(json.dumps(measure(given.one, given.months, given.elements)))
        return
    print("| " + " | ".join(HEADINGS) + " |")
    print("|" + " ---: |" * len(HEADINGS))
    for count in (int(text) for text in given.models.split(",")):
        command = [sys.executable, "-m", "tests.benchmarks.trends_bench", "--one", str(count)]
        command += ["--months", str(given.months), "--elements", str(given.elements)]
        measured = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout)
        cells = [
            count,
            given.months,
            f"{given.elements:,}",
            f"{measured['lines']:,}",
            f"{measured['cpu']:.1f}",
            f"{measured['ahead']:.1f}",
            f"{measured['wall']:.1f}",
        ]
        print("| " + " | ".join(map(str, [*cells, f"{measured['mib']:,.0f}"])) + " |", flush=True)


if __name__ == "__main__":
    main()
