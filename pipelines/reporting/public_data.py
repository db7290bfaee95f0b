"""The costs behind the public pages as files for whoever wants to calculate with them, and how they may be quoted."""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.money import cost_interval
from pipelines.reporting.basis.csv_cells import without_formulas
from pipelines.reporting.basis.page_data import PageData, Row, is_usable
from schemas.published.plans import MODEL_COST

FOLDER = "data"
COLUMNS: Mapping[str, tuple[pl.DataType, str]] = {
    "model": (pl.String(), "code of the model: the name of its sheet"),
    "title": (pl.String(), "title of the model"),
    "buyer": (pl.String(), "code of the buyer: where the parcels go, and which taxes and currency count"),
    "way": (pl.String(), "code of the way of buying"),
    "way_title": (pl.String(), "the way of buying in words"),
    "date": (pl.Date(), "the day whose prices count"),
    "currency": (pl.String(), "currency of all amounts (ISO 4217)"),
    "cost": (pl.Decimal(38, 6), "complete cost: parts, shipping, handling, tax, an estimate for missing pieces"),
    "low": (pl.Decimal(38, 6), "what the cheapest possible purchase costs at least; at most it costs cost"),
    "pieces": (pl.Int64(), "pieces needed"),
    "missing": (pl.Int64(), "pieces that can't be bought that day, and are estimated"),
    "unpriced": (pl.Int64(), "missing pieces without an estimate; where there are any, the cost is too low"),
    "status": (pl.String(), "shown; withheld: too few pieces have a price; refused: the plan failed a check"),
}
"""Type and meaning of each column, as ``costs.json`` states them."""


def write_public_data(page_data: PageData, folder: Path) -> list[Path]:
    """Write ``costs.csv`` and ``costs.json``: a row per plan of all dates; nothing while nothing is priced.

    The JSON file says also from which date the figures are, how they may be quoted, and what each column means. Amounts in it are
    text, as JSON has no exact decimals.

    Args:
        page_data: the tables, looked up.
        folder: ``public/`` of the generation.

    Returns:
        The files written.
    """
    if page_data.today is None:
        return []
    rows = [_row(page_data, plan) for plan in page_data.table(MODEL_COST).sort(MODEL_COST.key).to_dicts()]
    place = folder / FOLDER
    place.mkdir(parents=True, exist_ok=True)
    csv, described = place / "costs.csv", place / "costs.json"
    as_text = [{name: str(cell) if isinstance(cell, Decimal) else cell for name, cell in row.items()} for row in rows]
    types = {name: pl.String() if isinstance(kind, pl.Decimal) else kind for name, (kind, _) in COLUMNS.items()}
    without_formulas(pl.DataFrame(as_text, schema=types)).write_csv(csv)
    about = {
        "title": page_data.settings.report.title,
        "prices_up_to": page_data.today.isoformat(),
        "reuse": page_data.settings.report.reuse,
        "columns": {name: meaning for name, (_, meaning) in COLUMNS.items()},
    }
    parts = [f"{json.dumps(name)}: {json.dumps(value, ensure_ascii=False)}" for name, value in about.items()]
    listed = ",\n".join(json.dumps(row, ensure_ascii=False, default=str) for row in as_text)
    parts.append(f'"costs": [\n{listed}\n]')
    described.write_text("{\n" + ",\n".join(parts) + "\n}\n", encoding="utf-8", newline="\n")
    return [csv, described]


def _row(page_data: PageData, plan: Row) -> dict[str, Any]:
    is_withheld = page_data.cost_is_withheld(plan)
    is_shown = is_usable(plan) and not is_withheld
    cost = cost_interval(plan)
    return {
        "model": plan["model_code"],
        "title": plan["model_title"],
        "buyer": plan["buyer_code"],
        "way": plan["scenario_code"],
        "way_title": page_data.scenario_title(plan["scenario_code"]),
        "date": plan["priced_on"],
        "currency": plan["currency_code"],
        "cost": plan["complete_cost"] if is_shown else None,
        "low": cost.low if is_shown else None,
        "pieces": plan["piece_count"],
        "missing": plan["unfilled_piece_count"],
        "unpriced": plan["unfilled_estimate_count"],
        "status": "shown" if is_shown else "withheld" if is_usable(plan) else "refused",
    }
