"""How long the plans of a first night take: a table, no test.

    python -m tests.benchmarks.night_bench --models 300 --sample 20

Models of 20 to 255 lines are planned under the five built-in scenarios for one buyer on one date, with an empty plan cache, in this
one process. 40 independents and a maker's shop hold a quarter of a catalogue of 6,000 elements each, at lognormal prices and stocks; an
order costs 7 (all invented, seeded). With --sample only so many of the models, evenly spread over all sizes, are planned and
the night's time is estimated in proportion to their lines, halved for the two processes of a refresh. Seconds are CPU seconds.
"""

from __future__ import annotations

import os
from typing import cast

os.environ.setdefault("POLARS_MAX_THREADS", "1")

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.planning.night import plan_night
from pipelines.settings import ModelSettings
from schemas.published.price_history import PRICE_HISTORY
from schemas.validate import polars_schema
from tests.builders import markets as cases

VENDORS, PARTS, COLOURS, STOCKED, FREE = 40, 1_000, 6, 0.25, 0.3
LEAST_LINES, MOST_LINES = 20, 255
HEADINGS = ("models", "lines", "plans", "proven", "mean gap %", "s", "plans per s", "s for all")


def models(count: int, seed: int = 1) -> list[Model]:
    """Models of lognormal sizes, a third of whose lines are free in any colour, smallest first."""
    draw = np.random.default_rng(seed)
    sizes = np.sort(np.clip(draw.lognormal(np.log(80), 0.7, count).astype(int), LEAST_LINES, MOST_LINES))
    found = []
    for number, size in enumerate(sizes.tolist(), 1):
        elements = draw.permutation(PARTS * COLOURS)[:size].tolist()
        quantities = np.maximum(1, draw.lognormal(1.8, 1.0, size).astype(int)).tolist()
        lines = [
            cases.line(n, f"p{element // COLOURS}", f"c{element % COLOURS}", quantity)
            for n, (element, quantity) in enumerate(zip(elements, quantities, strict=True), 1)
        ]
        flexible_lines = [
            cases.flexibility(n, "any", decided_on="2026-01-01") for n in range(1, size + 1) if draw.random() < FREE
        ]
        model = cases.make_model(lines, flexible_lines, maker_lines=list(range(1, size + 1, 10)))
        settings: ModelSettings = model.settings.model_copy(update={"model_code": f"model{number:04d}"})
        found.append(replace(model, settings=settings))
    return found


def market(seed: int = 2) -> pl.DataFrame:
    """The offers of all vendors, as the market of the date: PRICE_HISTORY and ``is_suspect``."""
    draw = np.random.default_rng(seed)
    base = draw.lognormal(np.log(0.08), 0.8, PARTS)[:, None] * draw.lognormal(0, 0.45, (PARTS, COLOURS))
    vendor, part, colour = np.nonzero(draw.random((VENDORS + 1, PARTS, COLOURS)) < STOCKED)
    price = np.maximum(base[part, colour] * draw.lognormal(0, 0.35, len(part)), 0.005)
    stock = np.ceil(draw.lognormal(np.log(25), 1.2, len(part)))
    (one,) = cases.make_market(cases.offer("v0", "p0", "c0", "1")).to_dicts()
    return (
        pl.DataFrame(
            {
                "vendor_code": [f"v{number}" for number in vendor.tolist()],
                "part_code": [f"p{number}" for number in part.tolist()],
                "colour_code": [f"c{number}" for number in colour.tolist()],
                "unit_price": pl.Series(price).round(4),
                "quantity_available": stock,
            }
        )
        .with_columns(pl.format("{}|{}|{}", "vendor_code", "part_code", "colour_code").alias("offer_id"))
        .with_columns(pl.lit(one[name]).alias(name) for name in one if name not in _DRAWN)
        .cast({name: kind for name, kind in _SCHEMA.items() if name in one})
        .select(_SCHEMA.names())
    )


_SCHEMA = pl.Schema({**polars_schema(PRICE_HISTORY), "is_suspect": pl.Boolean()})
_DRAWN = ("vendor_code", "part_code", "colour_code", "unit_price", "quantity_available", "offer_id")


def workspace(chosen: list[Model]) -> WorkspaceInputs:
    """The models, palette and vendors, one of them a maker's shop."""
    codes = [f"v{number}" for number in range(VENDORS + 1)]
    kinds = ["independent"] * VENDORS + ["maker"]
    inputs = cases.make_inputs(
        tuple(chosen),
        colours=[
            {
                "colour_code": f"c{n}",
                "colour_name": f"C{n}",
                "srgb_hex": f"#{40 * n:02X}2040",
                "colour_family": "x",
            }
            for n in range(COLOURS)
        ],
        vendors=[cases.vendor(code, vendor_kind=kind) for code, kind in zip(codes, kinds, strict=True)],
        vendor_terms=[cases.terms(code, shipping_charge="7") for code in codes],
    )
    refresh = inputs.settings.refresh.model_copy(update={"workers": 1})
    return replace(inputs, settings=inputs.settings.model_copy(update={"refresh": refresh}))


def main() -> None:
    """Plan the night, or a sample of it, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--models", type=int, default=300, help="models that are followed")
    parser.add_argument("--sample", type=int, default=0, help="models that are planned; 0 for all")
    args = parser.parse_args()
    everyone = models(args.models)
    count = min(args.sample or args.models, args.models)
    # From the middle of as many equal slices of the models in the order of their sizes.
    chosen = [everyone[(2 * place + 1) * args.models // (2 * count)] for place in range(count)]
    lines, all_lines = (sum(len(model.parts_list) for model in some) for some in (chosen, everyone))
    offers, inputs = market(), workspace(chosen)
    markets = {cases.DAY: offers}
    began = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        tables = plan_night(inputs, markets, markets, {cases.DAY: cases.make_summaries()}, cases.DAY, Path(folder))
    spent = time.process_time() - began
    costs = tables["model_cost"]
    plans, proven = costs.height, int((costs["plan_status"] == "proven").sum())
    gap = cast(float, costs.filter(pl.col("gap_pct").is_finite())["gap_pct"].mean())
    print(
        f"{VENDORS} independents and a maker's shop, {offers.height:,} offers; effort {inputs.settings.refresh.effort}"
    )
    print(" | ".join(HEADINGS))
    whole = spent * all_lines / lines
    row = [
        count,
        lines,
        plans,
        proven,
        f"{gap:.2f}",
        f"{spent:.0f}",
        f"{plans / spent:.2f}",
        f"{whole:.0f}",
    ]
    print(" | ".join(map(str, row)))
    print(f"all {args.models} models: {all_lines:,} lines, so about {whole / 60 / 2:.0f} min on two idle cores")


if __name__ == "__main__":
    main()
