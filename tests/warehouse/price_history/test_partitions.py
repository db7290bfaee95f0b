"""The history by month: whole, readable by another engine, and written only where it changed."""

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipelines.warehouse.publishing.partitions import write_partitions
from schemas.published.price_history import PRICE_HISTORY
from schemas.validate import polars_schema
from tests.builders.taken_files import OFFER
from tests.present import present


def price_period(
    part: str, start: date, end: date | None = None, confirmed: date | None = None, price: str = "0.1"
) -> dict[str, Any]:
    row = {name: OFFER[name] for name in PRICE_HISTORY.columns if name in OFFER}
    return row | {
        "offer_id": f"{part}{start}", "part_code": part, "unit_price": Decimal(price), "valid_from_on": start,
        "valid_to_on": end, "last_confirmed_on": confirmed or start,
    }  # fmt: skip


def history(*rows: Any) -> Any:
    return pl.DataFrame(list(rows), schema=polars_schema(PRICE_HISTORY), orient="row")


OLD = [
    price_period("p1", date(2025, 11, 3), date(2025, 12, 1)),
    price_period("p2", date(2025, 11, 3), date(2026, 1, 7)),
    price_period("p1", date(2025, 12, 1), confirmed=date(2026, 1, 7)),
]


def files(folder: Any) -> Any:
    return {
        path.relative_to(folder).as_posix(): path for path in sorted((folder / "private/history").rglob("*.parquet"))
    }


def test_another_engine_reads_the_whole_history_back(tmp_path: Path) -> None:
    assert write_partitions(tmp_path, history(*OLD), None) == (3, 3)
    sql = f"select * from read_parquet('{tmp_path}/private/history/*/*.parquet', hive_partitioning = true)"
    found = present(duckdb.sql(sql)).pl()
    assert dict(found.select("offer_id", "ended_month").iter_rows()) == {
        OLD[0]["offer_id"]: "2025-12", OLD[1]["offer_id"]: "2026-01", OLD[2]["offer_id"]: "open",
    }  # fmt: skip
    key = list(PRICE_HISTORY.key)
    assert found.select(PRICE_HISTORY.columns).sort(key).equals(history(*OLD).sort(key))


def test_a_night_writes_the_open_price_periods_and_its_own_month_alone(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    write_partitions(first, history(*OLD), None)
    night = date(2026, 1, 8)
    changed = [
        *OLD[:2],
        price_period("p1", date(2025, 12, 1), night, date(2026, 1, 7)),
        price_period("p1", night, price="0.2"),
    ]
    assert write_partitions(second, history(*changed), first) == (3, 2)
    before, after = files(first), files(second)
    shared = before.keys() & after.keys()
    assert [name.split("/")[2] for name in shared] == ["ended_month=2025-12"]
    assert all(before[name].samefile(after[name]) for name in shared)


def test_a_night_without_a_change_writes_nothing_and_order_does_not_matter(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    write_partitions(first, history(*OLD), None)
    assert write_partitions(second, history(*reversed(OLD)), first) == (3, 0)
    assert files(first).keys() == files(second).keys()


def test_any_change_of_a_price_period_is_written(tmp_path: Path) -> None:
    write_partitions(tmp_path / "first", history(*OLD), None)
    for name, value in (("unit_price", Decimal("0.100001")), ("last_confirmed_on", date(2025, 11, 4)), ("listing_code", "b"),
                        ("maximum_per_order", 5)):  # fmt: skip
        changed = history({**OLD[0], name: value}, *OLD[1:])
        assert write_partitions(tmp_path / name, changed, tmp_path / "first") == (3, 1), name


def test_an_empty_history_has_no_files(tmp_path: Path) -> None:
    assert write_partitions(tmp_path, history(), tmp_path / "none") == (0, 0)
    assert (tmp_path / "private/history").is_dir()


def test_what_a_killed_build_left_is_replaced(tmp_path: Path) -> None:
    write_partitions(tmp_path, history(*OLD), None)
    assert write_partitions(tmp_path, history(OLD[0]), None) == (1, 1)
    assert len(files(tmp_path)) == 1
