"""Work for a process of its own, which a test kills: `python -m tests.builders.programs.killed_work load|publish FOLDER`."""

import sys
import time
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from schemas.inputs.price_files import PRICE_EXPORT
from schemas.validate import polars_schema
from tests.builders.taken_files import NOW, OFFER, POSITIONS, Taken

FILE_COUNT = 30
LISTING_COUNT = 3000


def many_files() -> list[Taken]:
    """Full exports of three vendors in which prices move and offers come and go."""
    schema = pl.Schema({**polars_schema(PRICE_EXPORT), **POSITIONS})
    number = pl.int_range(LISTING_COUNT, dtype=pl.Int64)
    files = []
    for n in range(FILE_COUNT):
        rows = (
            pl.select(number.alias("n"))
            .with_columns(*(pl.lit(value).alias(name) for name, value in OFFER.items()))
            .with_columns(
                vendor_code=pl.lit(f"vendor{n % 3}"),
                part_code=pl.col("n").cast(pl.String),
                observed_on=pl.lit(date(2026, 1, 1) + timedelta(days=n)),
                quantity_available=(pl.col("n") * 7 + n // 6) % 11 + 1,
                record_number=pl.col("n") + 1,
                source_line_number=pl.col("n") + 2,
            )
            .filter((pl.col("n") * 31 + n) % 17 != 0)
            .select(schema.names())
            .cast(schema)
        )
        files.append(Taken(f"{(n * 7919) % 100:02d}-{n}", rows=rows, read_row_count=rows.height))
    return files


def load_and_fold(folder: Path) -> None:
    """Load every file, folding after each third; all of it is safe to do again."""
    from pipelines.warehouse import connect
    from pipelines.warehouse.price_history import history, load

    files = many_files()
    with connect.writer(folder / "warehouse.duckdb") as con:
        print("at work", flush=True)
        for n, file in enumerate(files):
            load.load_file(con, file, NOW)
            if n % 3 == 2:
                history.fold(con)
        history.fold(con)
    print("done", flush=True)


def publish_for_ever(folder: Path) -> None:
    """Build and publish one generation after another, as refreshes do."""

    from pipelines.warehouse.publishing import generation
    from pipelines.workspace import Workspace
    from schemas.published.runs import REFRESH_RUN
    from tests.builders.published.small_night import published_tables, run_row, typed

    workspace, tables = Workspace(folder), published_tables()
    generation.clean_leftovers(workspace)
    print("at work", flush=True)
    while True:
        name = f"g{time.time_ns()}"
        building = workspace.generations / f"{name}.building"
        generation.build(building, {**tables, "refresh_run": typed(REFRESH_RUN, run_row(name))})
        final = building.rename(workspace.generations / name)
        generation.publish(workspace, final, keep=3)


if __name__ == "__main__":
    {"load": load_and_fold, "publish": publish_for_ever}[sys.argv[1]](Path(sys.argv[2]))
