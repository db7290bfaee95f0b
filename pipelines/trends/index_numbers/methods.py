"""Index methods by name: an index from a frame of prices."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import polars as pl

from pipelines.trends.index_numbers.bilateral import (
    FORMULAS,
    chained_index,
    direct_index,
    fisher,
    jevons,
    lowe_index,
    tornqvist,
    walsh,
)
from pipelines.trends.index_numbers.imputation import carry_forward, impute_class_mean, impute_overall_mean
from pipelines.trends.index_numbers.multilateral import geary_khamis, geks, time_product_dummy
from pipelines.trends.index_numbers.panel import FloatArray, Panel
from pipelines.trends.index_numbers.splicing import rolling_index

MULTILATERAL: dict[str, Callable[[Panel], FloatArray]] = {
    "geks-tornqvist": partial(geks, formula=tornqvist),
    "geks-fisher": partial(geks, formula=fisher),
    "geks-walsh": partial(geks, formula=walsh),
    "geks-jevons": partial(geks, formula=jevons),
    "time-product-dummy": time_product_dummy,
    "time-product-dummy-unweighted": partial(time_product_dummy, is_weighted=False),
    "geary-khamis": geary_khamis,
}
METHODS = ("lowe", *FORMULAS, *(f"chained-{name}" for name in FORMULAS), *MULTILATERAL)
"""Names of methods. The bilateral ones compare each month with the base month, ``chained-`` ones each with the month before."""

WITHOUT_QUANTITIES = frozenset(
    {"dutot", "carli", "jevons", "harmonic", "chained-dutot", "chained-carli", "chained-jevons", "chained-harmonic"}
    | {"geks-jevons", "time-product-dummy-unweighted"}
)
IMPUTATIONS = ("class-mean", "overall-mean", "carry-forward")


@dataclass(frozen=True)
class Series:
    """An index, 1 in the base month, NaN where it has no value; with counts of prices imputed.

    Attributes:
        months, levels: of one length, in order.
        base_month: where the level is 1.
        imputed_count: prices imputed.
        cell_count: items times months.
    """

    months: tuple[str, ...]
    levels: FloatArray
    base_month: str
    imputed_count: int
    cell_count: int


def index_of(
    rows: pl.DataFrame,
    method: str,
    base_month: str | None = None,
    window: int | None = None,
    splice: str = "mean",
    on_published: bool = True,
    imputation: str | None = None,
    months: Sequence[str] | None = None,
) -> Series:
    """The index of a frame of prices by a method known by name.

    ``lowe`` prices one basket: what was bought of each item in all months up to and including the base month. With the first
    month as base it is ``laspeyres``. Items without a price in the base month or in the month compared are left out of that
    comparison unless they are imputed.

    Args:
        rows: month, item_code, price, quantity (0 where unknown), one row per month and item; item_class too for ``class-mean``.
        method: one of ``METHODS``.
        base_month: the first month if None.
        window: months of a rolling window, for multilateral methods; all months are one window if None.
        splice, on_published: how windows are joined: see :mod:`pipelines.trends.index_numbers.splicing`.
        imputation: one of ``IMPUTATIONS``; None leaves gaps. An imputed price has the quantity of its row, or 0 without a row.
        months: the order of months; sorted as text if None.

    Raises:
        ValueError: a name is unknown, the base month is not there, a price is not above 0, or rows share a month and an item.
    """
    panel = Panel.from_frame(rows, months)
    classes = _classes(rows, panel) if imputation == "class-mean" else None
    completed, imputed_count = _imputed(panel, imputation, classes)
    base = panel.months[0] if base_month is None else base_month
    levels = _levels(completed, method, base, window, splice, on_published)
    return Series(panel.months, levels, base, imputed_count, panel.prices.size)


def _levels(
    panel: Panel, method: str, base_month: str, window: int | None, splice: str, on_published: bool
) -> FloatArray:
    base = panel.row(base_month)
    if method == "lowe":
        return lowe_index(panel, panel.quantities[: base + 1].sum(axis=0), base_month)
    if method in FORMULAS:
        return direct_index(panel, FORMULAS[method], base_month)
    if method in MULTILATERAL:
        whole = max(len(panel.months), 2)
        levels = rolling_index(panel, MULTILATERAL[method], window or whole, splice, on_published)
    elif method.startswith("chained-") and method in METHODS:
        levels = chained_index(panel, FORMULAS[method.removeprefix("chained-")])
    else:
        raise ValueError(f"no index method is called {method!r}; there are {', '.join(METHODS)}")
    found: FloatArray = levels / levels[base]
    return found


def _imputed(panel: Panel, imputation: str | None, classes: list[str] | None) -> tuple[Panel, int]:
    if imputation is None:
        return panel, 0
    if imputation == "class-mean":
        filled = impute_class_mean(panel.prices, classes or [])
    elif imputation == "overall-mean":
        filled = impute_overall_mean(panel.prices)
    elif imputation == "carry-forward":
        filled = carry_forward(panel.prices)
    else:
        raise ValueError(f"no imputation is called {imputation!r}; there are {', '.join(IMPUTATIONS)}")
    completed = Panel(panel.months, panel.item_codes, filled.prices, panel.quantities)
    return completed, int(filled.is_imputed.sum())


def _classes(rows: pl.DataFrame, panel: Panel) -> list[str]:
    """The class of each item: the first that its rows name, or ""."""
    if "item_class" not in rows.columns:
        return [""] * len(panel.item_codes)
    named = rows.filter(pl.col("item_class").fill_null("") != "").unique("item_code", keep="first", maintain_order=True)
    of_item = dict(named.select("item_code", "item_class").iter_rows())
    return [of_item.get(code, "") for code in panel.item_codes]
