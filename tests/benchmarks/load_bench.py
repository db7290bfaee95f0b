"""What a night's full export of N offers costs, against reading the same file into a table with DuckDB: a table, no test.

    python -m tests.benchmarks.load_bench --sizes 1000000,3000000

Three nights of one market are loaded: the first night (the history is empty), one on which 5 % of the offers changed (against a
history of N open price periods), and one on which none did; then a small partial export of one vendor. The floor is DuckDB's
``read_csv`` of the second night's file, with stated types, into a table of a file, checkpoint included. At the end the market
of three days is asked of a year of nights at a million offers, 5 % of them changed each night. Every figure comes from
a process of its own, so that its peak memory is its own. Growth is of the blocks in use: those that hold a night's rows until
they were compared stay in the file, free for the next night. Both are measured in the same minute, in seconds on the clock and in CPU
seconds; the parts and the second ratio are of CPU seconds, because a machine may have other things to do.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb

FIRST_NIGHT = date(2026, 10, 1)
VENDOR_COUNT = 400
SMALL_ROW_COUNT = 1000
CHANGED, GONE, NEW = 0.04, 0.005, 0.005
"""Shares of the offers whose price or stock changes, that are gone, and that are new: 5 % in all."""

MARKET = """
copy (
    with offer as (
        select range as number, hash(range) as h from range({first}, {last})
    ),
    shown as (
        select *, case when {is_night} > 0 and hash(number, 1) % 1000 < {changed} then {is_night} else 0 end as version
        from offer
    )
    select
        'v' || lpad((number % {vendors})::varchar, 4, '0') as vendor_code,
        lpad((number // {vendors} // 40)::varchar, 6, '0') as part_code,
        'c' || (number // {vendors} % 40) as colour_code,
        'new' as condition,
        (1 + hash(number, 2 + version) % 2000)::decimal(10, 3) / 1000 as unit_price,
        'EUR' as currency_code,
        1 + hash(number, 3 + version) % 500 as quantity_available,
        date '{day}' as observed_on,
        'full' as coverage
    from shown
    order by number % {vendors}, number
) to '{path}' (header, delimiter ',')
"""


def write_night(path: Path, count: int, night: int) -> None:
    """Write one night's full export; nights 1 and 2 have the same offers, 5 % of them other than on night 0."""
    gone, new = (int(count * GONE), int(count * NEW)) if night else (0, 0)
    duckdb.execute(
        MARKET.format(
            first=gone, last=count + new, is_night=min(night, 1), changed=round(1000 * CHANGED), vendors=VENDOR_COUNT,
            day=FIRST_NIGHT + timedelta(days=night), path=path,
        )
    )  # fmt: skip


def write_small(path: Path, count: int) -> None:
    """A partial export of some offers of one vendor, at other prices."""
    day = FIRST_NIGHT + timedelta(days=3)
    offers = range(VENDOR_COUNT * 5, VENDOR_COUNT * min(SMALL_ROW_COUNT, count // VENDOR_COUNT), VENDOR_COUNT)
    rows = [
        f"v0000,{number // VENDOR_COUNT // 40:06},c{number // VENDOR_COUNT % 40},new,9.5,EUR,7,{day},partial"
        for number in offers
    ]
    header = (
        "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available,observed_on,coverage"
    )
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")


def floor(folder: Path, name: str) -> dict[str, float]:
    """DuckDB's own reader into a table, with its checkpoint."""
    path = folder / "floor.duckdb"
    path.unlink(missing_ok=True)
    types = (
        "{'vendor_code': 'VARCHAR', 'part_code': 'VARCHAR', 'colour_code': 'VARCHAR', 'condition': 'VARCHAR', "
        "'unit_price': 'DECIMAL(18,6)', 'currency_code': 'VARCHAR', 'quantity_available': 'BIGINT', 'observed_on': 'DATE', "
        "'coverage': 'VARCHAR'}"
    )
    with duckdb.connect(str(path)) as con:
        con.execute(
            f"create table night as select * from read_csv('{folder / name}', header = true, columns = {types})"
        )
        con.execute("checkpoint")
    size = path.stat().st_size
    path.unlink()
    return {"bytes": size}


def load_night(folder: Path, name: str) -> dict[str, float]:
    """Read, validate, hash, diff and commit one file, as a refresh does."""
    from pipelines.intake.take_in import take_in
    from pipelines.warehouse import connect
    from pipelines.warehouse.price_history import history, load
    from schemas.inputs.catalogue import CODE_MAP
    from schemas.validate import empty_frame

    parts: dict[str, float] = {}

    def timed(part: str, work: Callable[[], Any]) -> Any:
        began = time.process_time()
        result = work()
        parts[f"{part}_seconds"] = time.process_time() - began
        return result

    (folder / "archive").mkdir(exist_ok=True)
    warehouse = folder / "warehouse.duckdb"
    taken = timed("take_in", lambda: take_in(folder / name, [], empty_frame(CODE_MAP), folder / "archive"))
    with connect.writer(warehouse) as con:
        status = timed(
            "load", lambda: load.load_file(con, taken, datetime(2026, 11, 1, tzinfo=UTC).replace(tzinfo=None))
        )
        assert status == "loaded", (status, taken.error)
        timed("fold", lambda: history.fold(con))
        con.execute("checkpoint")
        block, used = con.execute("select block_size, used_blocks from pragma_database_size()").fetchall()[0]
    return {**parts, "bytes": block * used, "file_bytes": warehouse.stat().st_size}


YEAR = """
insert into price_period
with first_night as (
    select range as number, night
    from range({offers}), range({nights}) as nights(night)
    where night = 0 or hash(number, night) % 1000 < {changed}
)
select
    left(md5(concat_ws('|', number, night)), 16),
    'v' || lpad((number % {vendors})::varchar, 4, '0') as vendor_code,
    lpad((number // {vendors} // 40)::varchar, 6, '0') as part_code,
    'c' || (number // {vendors} % 40) as colour_code,
    'new', '', 1, 'EUR',
    (1 + hash(number, night, 2) % 2000)::decimal(18, 6) / 1000,
    1 + hash(number, night, 3) % 500,
    1, '', null, 'stated',
    date '{day}' + night::integer as valid_from_on,
    date '{day}' + (lead(night) over (partition by number order by night))::integer as valid_to_on,
    valid_from_on,
    valid_to_on - 1,
    'night' || night, number + 2, number + 1, number
from first_night
order by vendor_code, part_code, colour_code, valid_from_on;
insert into vendor_export
select 'night' || night, 'v' || lpad(vendor::varchar, 4, '0'), date '{day}' + night::integer, 'full', 0, 'winner', 1
from range({vendors}) as vendors(vendor), range({nights}) as nights(night);
"""
NIGHTS = 365


def make_year(folder: Path, name: str) -> dict[str, float]:
    """A warehouse with a year of nights, of as many offers as ``name`` says, written straight into its tables."""
    from pipelines.warehouse import connect

    changed = round(1000 * (CHANGED + GONE + NEW))
    with connect.writer(folder / "year.duckdb") as con:
        con.execute(YEAR.format(offers=name, nights=NIGHTS, vendors=VENDOR_COUNT, changed=changed, day=FIRST_NIGHT))
        found = con.execute("select count(*) from price_period").fetchall()[0][0]
    return {"price_periods": found}


def ask_market(folder: Path, name: str) -> dict[str, float]:
    """The whole market on the night numbered ``name``, as a frame."""
    from pipelines.warehouse import connect
    from pipelines.warehouse.price_history import market

    with connect.reader(folder / "year.duckdb") as con:
        began = time.process_time(), time.monotonic()
        rows = market.market_on(con, FIRST_NIGHT + timedelta(days=int(name)), 30).height
        return {"rows": rows, "asked_cpu": time.process_time() - began[0], "asked": time.monotonic() - began[1]}


def write_file(folder: Path, name: str) -> dict[str, float]:
    """The file of ``count/night``; in a process of its own, because the peak memory of a parent counts as its children's."""
    count, night = map(int, name.split("/"))
    path = folder / f"night{night}.csv"
    write_small(path, count) if night == 3 else write_night(path, count, night)
    return {}


MEASURED = {"write": write_file, "floor": floor, "load": load_night, "make_year": make_year, "ask_market": ask_market}


def _in_own_process(folder: Path, what: str, name: str) -> dict[str, float]:
    command = [
        sys.executable,
        "-m",
        "tests.benchmarks.load_bench",
        "--only",
        what,
        "--folder",
        str(folder),
        "--file",
        name,
    ]
    found: dict[str, float] = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout)
    return found


def run(folder: Path, count: int) -> None:
    """One size: print a line per night."""
    before = 0.0
    base = None
    for night in range(4):
        name = f"night{night}.csv"
        _in_own_process(folder, "write", f"{count}/{night}")
        if night < 3:
            base = _in_own_process(folder, "floor", name)
        done = _in_own_process(folder, "load", name)
        assert base is not None
        title = ("first night", "5 % changed", "nothing changed", "small export")[night]
        print(
            f"{count:>11,} | {title:<15} | {(folder / name).stat().st_size / 1e6:7.1f} | {base['seconds']:7.2f} | "
            f"{base['cpu_seconds']:7.2f} | {done['seconds']:8.2f} | {done['cpu_seconds']:8.2f} | "
            f"{done['take_in_seconds']:7.2f} | {done['load_seconds']:6.2f} | {done['fold_seconds']:6.2f} | "
            f"{done['seconds'] / base['seconds']:5.1f} | {done['cpu_seconds'] / base['cpu_seconds']:7.1f} | {done['mebibytes']:6.0f} | {(done['bytes'] - before) / 1e6:8.1f}",
            flush=True,
        )
        before = done["bytes"]
        (folder / name).unlink()


def run_year(folder: Path, count: int) -> None:
    """The market of a late, a middle and an early day of a year of nights."""
    price_periods = _in_own_process(folder, "make_year", str(count))["price_periods"]
    print(f"A year of {NIGHTS} nights at {count:,} offers is {price_periods:,.0f} price periods. Its market:")
    for night in (NIGHTS - 1, NIGHTS // 2, 14):
        found = _in_own_process(folder, "ask_market", str(night))
        print(
            f"  night {night:3}: {found['rows']:,} offers in {found['asked']:.2f} s, {found['asked_cpu']:.2f} CPU s, "
            f"peak {found['mebibytes']:.0f} MiB",
            flush=True,
        )


def main() -> None:
    """Run what was asked for and print the table, row by row."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", default="1000000,3000000,10000000", help="numbers of offers")
    parser.add_argument("--year", type=int, default=1_000_000, help="offers of the year of nights; 0 for none")
    parser.add_argument("--only", choices=sorted(MEASURED), help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help="where to work; a temporary folder if left out")
    parser.add_argument("--file", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.only:
        began = time.monotonic()
        found = MEASURED[args.only](args.folder, args.file)
        used = resource.getrusage(resource.RUSAGE_SELF)
        found |= {
            "seconds": time.monotonic() - began,
            "cpu_seconds": used.ru_utime + used.ru_stime,
            "mebibytes": used.ru_maxrss / 1024,
        }
        print(json.dumps(found))
        return
    print(
        "     offers | night           |      MB | floor s | its CPU |   load s |  its CPU | read s  | load s | fold s | "
        "ratio | its CPU |  MiB   | growth MB"
    )
    for size in filter(None, args.sizes.split(",")):
        with tempfile.TemporaryDirectory(dir=args.folder) as folder:
            run(Path(folder), int(size))
    if args.year:
        with tempfile.TemporaryDirectory(dir=args.folder) as folder:
            run_year(Path(folder), args.year)


if __name__ == "__main__":
    main()
