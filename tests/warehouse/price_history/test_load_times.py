"""How long a load takes."""

import time
from typing import Any

import duckdb
import polars as pl

from pipelines.warehouse.price_history import load
from tests.builders.taken_files import NOW, Taken, taken


def test_loading_a_small_file_does_not_depend_on_the_history(con: duckdb.DuckDBPyConnection) -> None:
    def seconds(file_hash: Any) -> Any:
        began = time.perf_counter()
        load.load_file(con, taken(file_hash, [{"part_code": f"{n}"} for n in range(50)]), NOW)
        return time.perf_counter() - began

    early = sorted(seconds(f"early {n}") for n in range(9))[4]
    big = taken("big", []).rows.clear()
    big = taken("x", [{}]).rows.join(pl.DataFrame({"n": range(1_000_000)}), how="cross").with_columns(
        part_code=pl.col("n").cast(pl.String), record_number=pl.col("n") + 1
    ).select(big.columns)  # fmt: skip
    load.load_file(con, Taken("big", rows=big, read_row_count=big.height), NOW)
    late = sorted(seconds(f"late {n}") for n in range(9))[4]
    assert late < 3 * early + 0.02, (early, late)
