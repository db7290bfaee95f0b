"""Text for CSV files that no spreadsheet takes for a formula."""

from __future__ import annotations

import polars as pl

_FORMULA_START = r"^[=+\-@\t\r\n]"


def without_formulas(frame: pl.DataFrame) -> pl.DataFrame:
    """Text that a spreadsheet would take for a formula gets a quote before it (OWASP, CSV Injection)."""
    texts = [name for name, kind in frame.schema.items() if kind == pl.String]
    return frame.with_columns(
        pl.when(pl.col(name).str.contains(_FORMULA_START))
        .then(pl.concat_str(pl.lit("'"), pl.col(name)))
        .otherwise(pl.col(name))
        .alias(name)
        for name in texts
    )
