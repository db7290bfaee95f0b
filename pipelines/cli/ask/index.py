"""``kitfare index``: calculates a price index straight from a file."""

from __future__ import annotations

import csv
import json
import math
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.terminal.common import note

if TYPE_CHECKING:
    from pipelines.intake.single_files.index_file import IndexPrices
    from pipelines.trends.index_numbers.methods import Series

BASE_LEVEL = 100.0
SHOWN_DIGITS = 13
"""Further digits differ between processors."""


class Splice(StrEnum):
    """Where windows are joined."""

    movement = "movement"
    window = "window"
    half = "half"
    mean = "mean"


class SpliceOn(StrEnum):
    """What a window is joined to."""

    published = "published"
    windows = "windows"


class Imputation(StrEnum):
    """How a missing price is estimated."""

    class_mean = "class-mean"
    overall_mean = "overall-mean"
    carry_forward = "carry-forward"


def run(
    prices: Annotated[Path, typer.Option("--prices", metavar="FILE", help="Prices by month and item.")],
    method: Annotated[str, typer.Option("--method", metavar="NAME", help="The index method; the list stands above.")],
    window: Annotated[
        int | None,
        typer.Option(
            min=2,
            metavar="MONTHS",
            help="Length of a rolling window, for methods that compare all months. Default: one window.",
        ),
    ] = None,
    splice: Annotated[
        Splice | None, typer.Option(help="In which months a window is joined to earlier results. Default: mean.")
    ] = None,
    splice_on: Annotated[
        SpliceOn | None,
        typer.Option(help="Join a window to the published series or to the window before. Default: published."),
    ] = None,
    impute: Annotated[
        Imputation | None, typer.Option(help="How to estimate missing prices. Default: not at all.")
    ] = None,
    base: Annotated[
        str | None, typer.Option(metavar="MONTH", help="The month that is 100. Default: the first.")
    ] = None,
    unit_values: Annotated[
        bool,
        typer.Option(
            "--unit-values", help="Combine several rows of one month and item into their mean price per piece."
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print a JSON list instead of CSV.")] = False,
) -> None:
    """Calculate a price index straight from a file.

    It needs no workspace. The file may be CSV, Parquet or any other kind that a workspace takes. Its columns are month
    (2026-10, a date, or whole numbers), item_code and price; quantity and item_class (for class-mean) are optional. An
    empty price is missing, an empty quantity is 0. The output has month and index_level, 100 in the base month. A month
    without a value has an empty level (null in JSON).

    \b
    Methods that compare each month with the base month, on the items of both:
      without quantities: dutot carli jevons harmonic
      with quantities:    laspeyres paasche fisher tornqvist walsh
      lowe: one basket, all that was bought up to the base month
    With chained- in front (not lowe), such as chained-fisher: each month is
    compared with the month before, and the changes are multiplied.
    Methods that compare all months of a window:
      geks-tornqvist geks-fisher geks-walsh geks-jevons time-product-dummy
      time-product-dummy-unweighted geary-khamis

    \b
    Examples:
      kitfare index --prices prices.csv --method jevons
      kitfare index --prices prices.parquet --method geks-tornqvist --window 25 \\
        --splice mean --base 2026-01 --json
      kitfare index --prices prices.csv --method lowe --impute class-mean
    """
    from pipelines.errors import UsageError
    from pipelines.intake.single_files.index_file import read_index_prices
    from pipelines.trends.index_numbers.methods import METHODS, MULTILATERAL

    if method not in METHODS:
        raise UsageError(
            f"there is no index method {method!r}", where="--method", next_step=f"choose one of {', '.join(METHODS)}"
        )
    if window is not None and method not in MULTILATERAL:
        raise UsageError(
            f"{method} has no window: it compares two months at a time",
            where="--window",
            next_step=f"leave out --window, or choose one of {', '.join(MULTILATERAL)}",
        )
    if window is None and (splice is not None or splice_on is not None):
        raise UsageError(
            "without a window there is nothing to join",
            where="--splice" if splice is not None else "--splice-on",
            next_step="give --window as well, such as --window 25",
        )
    found = read_index_prices(prices, combine=unit_values)
    on_published = splice_on is not SpliceOn.windows
    series = _series(found, prices, method, base, window, (splice or Splice.mean).value, on_published, impute)
    _note_cautions(found, series, impute)
    _print(series, as_json)


def _series(
    found: IndexPrices,
    path: Path,
    method: str,
    base: str | None,
    window: int | None,
    splice: str,
    on_published: bool,
    impute: Imputation | None,
) -> Series:
    import numpy as np

    from pipelines.errors import InputError, UsageError
    from pipelines.trends.index_numbers.methods import WITHOUT_QUANTITIES, index_of
    from pipelines.trends.index_numbers.unit_values import unit_values

    if not found.has_quantities and method == "time-product-dummy":
        note("caution: the file has no column quantity, so all prices count equally (time-product-dummy-unweighted)")
        method = "time-product-dummy-unweighted"
    if not found.has_quantities and method not in WITHOUT_QUANTITIES:
        raise UsageError(
            f"{method} needs quantities, and the file has no column quantity",
            where=str(path),
            next_step=f"add the column, or choose one of {', '.join(sorted(WITHOUT_QUANTITIES))}",
        )
    if base is not None and base not in found.months:
        raise UsageError(
            f"the file has no month {base!r}",
            where="--base",
            next_step=f"choose one from {found.months[0]} to {found.months[-1]}",
        )
    rows = found.rows
    if rows.select("month", "item_code").is_duplicated().any():
        combined = unit_values(rows)
        classes = [name for name in ("item_class",) if name in rows.columns]
        of_item = rows.select("item_code", *classes).unique("item_code", keep="first", maintain_order=True)
        rows = combined.join(of_item, on="item_code", how="left") if classes else combined
    priced = set(rows.filter(rows["price"].is_not_null())["month"])
    for month, role in ((found.months[0], "first"), (base or found.months[0], "base")):
        if month not in priced:
            raise InputError(
                f"no item has a price in {month}, the {role} month",
                where=str(path),
                next_step="leave out its rows" if role == "first" else "choose another one with --base",
            )
    months = tuple(month for month in found.months if month in set(rows["month"]))
    try:
        with np.errstate(all="ignore"):
            return index_of(rows, method, base, window, splice, on_published, impute and impute.value, months)
    except np.linalg.LinAlgError:
        raise InputError(
            f"{method} has no unique result: too few items have prices in several months",
            where=str(path),
            next_step="add such items, or choose another method",
        ) from None


def _note_cautions(found: IndexPrices, series: Series, impute: Imputation | None) -> None:
    for caution in found.cautions:
        note(f"caution: {caution}")
    if impute is not None:
        note(f"{series.imputed_count} of {series.cell_count} prices are imputed ({impute.value})")
        if impute is Imputation.class_mean and "item_class" not in found.rows.columns:
            note("caution: the file has no column item_class, so all items are one class")
    without = [month for month, level in zip(series.months, series.levels, strict=True) if not math.isfinite(level)]
    if without:
        shown = ", ".join(without[:5]) + (", ..." if len(without) > 5 else "")
        what = "no item in common with the base month, or no quantity"
        note(f"caution: {len(without)} of {len(series.months)} months have no level ({shown}): {what}")


def _print(series: Series, as_json: bool) -> None:
    scaled = [float(level) * BASE_LEVEL for level in series.levels]
    levels = [float(f"{level:.{SHOWN_DIGITS}g}") if math.isfinite(level) else None for level in scaled]
    rows = list(zip(series.months, levels, strict=True))
    if as_json:
        listed = [{"month": month, "index_level": level} for month, level in rows]
        sys.stdout.write(json.dumps(listed, ensure_ascii=False, indent=1) + "\n")
        return
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(("month", "index_level"))
    writer.writerows((month, "" if level is None else repr(level)) for month, level in rows)
