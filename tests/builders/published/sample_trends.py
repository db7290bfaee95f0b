"""Price indices and element prices of the sample night."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

from pipelines.inputs import Model
from pipelines.settings import Buyer
from tests.builders.published.sample_scene import (
    INDEX_SHIFTS,
    RATES,
    change_over,
)


def add_trends(
    rows: dict[str, list[dict[str, Any]]], days: list[date], number: int, model: Model, buyer: Buyer
) -> None:
    """Adds the rows of PRICE_INDEX and ELEMENT_PRICE of one model and buyer."""
    months = [f"{day:%Y-%m}" for day in days]
    levels = [100 + 4 * math.sin(step / 3 + number) + 0.4 * step for step in range(len(months))]
    base = {"model_code": model.model_code, "buyer_code": buyer.buyer_code}
    lines = model.parts_list.to_dicts()
    for step, month in enumerate(months):
        withheld = number == 1 and step == len(months) // 2
        for method, shift in INDEX_SHIFTS:
            level = levels[step] + shift * step / 5
            rows["price_index"].append(
                {
                    **base,
                    "month": month,
                    "index_method": method,
                    "base_month": months[0],
                    "index_level": None if withheld else level,
                    "change_1_month_pct": None if withheld else change_over(levels, step, 1),
                    "change_12_months_pct": None if withheld else change_over(levels, step, 12),
                    "basket_line_count": len(lines),
                    "priced_line_count": len(lines) // 2 if withheld else len(lines) - 1,
                    "coverage_share": 0.62 if withheld else 0.97,
                    "imputed_share": 0.38 if withheld else 0.03,
                    "is_withheld": withheld,
                }
            )
        for line in lines:
            wave = math.sin(line["line_number"] * 1.7 + step)
            rows["element_price"].append(
                {
                    **base,
                    "month": month,
                    "line_number": line["line_number"],
                    "part_code": line["part_code"],
                    "colour_code": line["colour_code"],
                    "quantity": line["quantity"],
                    "element_price": (0.1 + 0.02 * wave) * RATES[buyer.currency_code],
                    "is_imputed": line["line_number"] == 1,
                    "price_change_pct": None if step == 0 else 8 * wave,
                    "contribution_points": None if step == 0 or withheld else wave / len(lines),
                    "market_vendor_count": 3,
                    "market_quantity": 900,
                }
            )
