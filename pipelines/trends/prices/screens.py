"""Screens that flag price changes unlike those of their group; they change no price.

All are Polars expressions, so that they work per group: ``quartile_outliers(pl.col("x")).over("part_family")``. Quartiles are of
type 7 (linear interpolation).
"""

from __future__ import annotations

import polars as pl


def quartile_limits(values: pl.Expr, cutoff: float = 2.5, minimum_spread: float = 0.0) -> tuple[pl.Expr, pl.Expr]:
    """Limits median - c max(median - Q1, d) and median + c max(Q3 - median, d) (CPI Manual 2020, 5.113 to 5.135; Rais 2008).

    Meant for logarithms of price relatives: on the relatives themselves the lower limit may fall below 0 and never flag a crash.
    ``minimum_spread`` d keeps a group in which most prices stand still from flagging every change; the manual's a times the median
    of the relatives is about d = a in logarithms.
    """
    return limits_from_quartiles(
        _quartile(values, 0.25), values.median(), _quartile(values, 0.75), cutoff, minimum_spread
    )


def limits_from_quartiles(
    first: pl.Expr, median: pl.Expr, third: pl.Expr, cutoff: float = 2.5, minimum_spread: float = 0.0
) -> tuple[pl.Expr, pl.Expr]:
    """As :func:`quartile_limits` where the quartiles are columns already: much faster over many small groups."""
    below = pl.max_horizontal(median - first, pl.lit(minimum_spread))
    above = pl.max_horizontal(third - median, pl.lit(minimum_spread))
    return median - cutoff * below, median + cutoff * above


def quartile_outliers(values: pl.Expr, cutoff: float = 2.5, minimum_spread: float = 0.0) -> pl.Expr:
    """Whether a value lies outside :func:`quartile_limits`; null where the value is."""
    low, high = quartile_limits(values, cutoff, minimum_spread)
    return (values < low) | (values > high)


def symmetric_distance(relatives: pl.Expr) -> pl.Expr:
    """Distance of a relative from its group's median, alike for rises and falls: 1 - m/r below it, r/m - 1 above it."""
    median = relatives.median()
    return pl.when(relatives < median).then(1 - median / relatives).otherwise(relatives / median - 1)


def size_weighted_effect(price_before: pl.Expr, price: pl.Expr, size_exponent: float = 0.5) -> pl.Expr:
    """Hidiroglou and Berthelot's effect: the symmetric distance times max(price before, price) to the power U.

    U = 0 leaves size out, U = 1 gives it full weight: the same relative change of a dear item counts for more.
    """
    size = pl.max_horizontal(price_before, price)
    return symmetric_distance(price / price_before) * size.pow(size_exponent)


def hidiroglou_berthelot_limits(
    effects: pl.Expr, cutoff: float = 4.0, median_share: float = 0.05
) -> tuple[pl.Expr, pl.Expr]:
    """Limits E_M - C max(E_M - E_Q1, |A E_M|) and E_M + C max(E_Q3 - E_M, |A E_M|) (Hidiroglou and Berthelot 1986).

    C between 4 and 7 is usual; some offices use up to 20. A keeps effects that nearly all agree from being flagged.
    """
    median = effects.median()
    least = (median_share * median).abs()
    below = pl.max_horizontal(median - _quartile(effects, 0.25), least)
    above = pl.max_horizontal(_quartile(effects, 0.75) - median, least)
    return median - cutoff * below, median + cutoff * above


def hidiroglou_berthelot_outliers(
    price_before: pl.Expr,
    price: pl.Expr,
    cutoff: float = 4.0,
    size_exponent: float = 0.5,
    median_share: float = 0.05,
) -> pl.Expr:
    """Whether a price change's effect lies outside its group's limits; null where a price is. Prices must be above 0."""
    effects = size_weighted_effect(price_before, price, size_exponent)
    low, high = hidiroglou_berthelot_limits(effects, cutoff, median_share)
    return (effects < low) | (effects > high)


def _quartile(values: pl.Expr, share: float) -> pl.Expr:
    return values.quantile(share, interpolation="linear")
