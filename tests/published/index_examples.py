"""Published data sets for index numbers, as frames with month, item_code, price and quantity; the source is named at each."""

from pathlib import Path
from typing import Any

import polars as pl

SCHEMA: Any = {"month": pl.String, "item_code": pl.String, "price": pl.Float64, "quantity": pl.Float64}


def six_goods() -> pl.DataFrame:
    """Six goods, five periods: PPI Manual (IMF 2004) Tables 19.1 and 19.2, also Balk (2008) Tables 3.1 and 3.2.

    Read in the R package gpindex, data/price6 and data/quantity6.
    """
    prices = [
        [1.0, 1.2, 1.0, 0.8, 1.0],
        [1.0, 3.0, 1.0, 0.5, 1.0],
        [1.0, 1.3, 1.5, 1.6, 1.6],
        [1.0, 0.7, 0.5, 0.3, 0.1],
        [1.0, 1.4, 1.7, 1.9, 2.0],
        [1.0, 0.8, 0.6, 0.4, 0.2],
    ]
    quantities = [
        [1.0, 0.8, 1.0, 1.2, 0.9],
        [1.0, 0.9, 1.1, 1.2, 1.2],
        [2.0, 1.9, 1.8, 1.9, 2.0],
        [1.0, 1.3, 3.0, 6.0, 12.0],
        [4.5, 4.7, 5.0, 5.6, 6.5],
        [0.5, 0.6, 0.8, 1.3, 2.5],
    ]
    return _frame(prices, quantities)


def ces_sigma_2() -> pl.DataFrame:
    """Four items, twelve periods, constant elasticity of substitution 2: Diewert and Fox (2017).

    Prices read in the R package IndexNumR, R/CESData.R, with the formula that gives the quantities.
    """
    prices = [
        [2.00, 1.75, 1.60, 1.50, 1.45, 1.40, 1.35, 1.30, 1.25, 1.20, 1.15, 1.10],
        [1.00, 0.50, 1.05, 1.10, 1.12, 1.15, 1.18, 0.60, 1.20, 1.25, 1.28, 1.30],
        [1.00, 0.95, 0.90, 0.85, 0.40, 0.80, 0.75, 0.72, 0.70, 0.40, 0.70, 0.65],
        [0.50, 0.55, 0.60, 0.65, 0.70, 0.75, 0.70, 0.65, 0.70, 0.75, 0.75, 0.80],
    ]
    expenditures = [10, 13, 11, 12, 15, 13, 14, 17, 15, 18, 16, 17]
    liking = [0.2, 0.2, 0.2, 0.4]
    quantities: list[list[float]] = [[], [], [], []]
    for period, expenditure in enumerate(expenditures):
        parts = [a / prices[item][period] for item, a in enumerate(liking)]
        for item in range(4):
            quantities[item].append(expenditure * parts[item] / sum(parts) / prices[item][period])
    return _frame(prices, quantities)


def turvey() -> pl.DataFrame:
    """Turvey's seasonal fruit, 1970-01 to 1973-12, two of five fruits only in season: PPI Manual (IMF 2004), chapter 22.

    Read in the R package GEKS_package, data/turvey.
    """
    text = pl.read_csv(Path(__file__).parent / "turvey_fruit.csv", infer_schema=False)
    return text.rename({"fruit": "item_code"}).cast(SCHEMA)


def _frame(prices: list[list[float]], quantities: list[list[float]]) -> pl.DataFrame:
    """Rows from lists by item and period; periods are numbered from 01."""
    rows = [
        (f"{period:02d}", f"g{item}", price, quantity)
        for item, (of_item, bought) in enumerate(zip(prices, quantities, strict=True), 1)
        for period, (price, quantity) in enumerate(zip(of_item, bought, strict=True), 1)
    ]
    return pl.DataFrame(rows, SCHEMA, orient="row")
