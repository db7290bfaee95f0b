"""What the screen of suspect prices costs, against loading the same full export of N offers: a table, no test.

    python -m tests.benchmarks.screen_bench --size 2000000

Two markets: one vendor with N elements, and 400 vendors with the same N / 400 elements. Prices lie evenly, in logarithms, from
0.01 to 10,000, so that nothing is usual. Four nights each: the first, one on which 5 % of the prices are others, one on which all
are, and one on which none is. Every figure comes from a process of its own, so that its peak memory is its own. Seconds are
without the start of Python and its libraries, which a refresh has once; memory is with it.
"""

from __future__ import annotations

import argparse
import json
import re
import resource
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import duckdb

from tests.benchmarks.load_bench import FIRST_NIGHT, VENDOR_COUNT, load_night

MARKET = """
copy (
    select
        'v' || lpad((range % {vendors})::varchar, 4, '0') as vendor_code,
        'p' || lpad((range // {vendors} // 20)::varchar, 6, '0') as part_code,
        'c' || (range // {vendors} % 20) as colour_code,
        'new' as condition,
        pow(10, 6 * (hash(range, version) % 1000000) / 1000000 - 2)::decimal(12, 3) as unit_price,
        'EUR' as currency_code,
        1 + hash(range, 9) % 500 as quantity_available,
        date '{day}' as observed_on,
        'full' as coverage
    from
        range({count}),
        lateral (select case when {night} >= 2 then 2 when {night} = 1 and hash(range, 7) % 20 = 0 then 1 else 0 end as version)
    order by range % {vendors}, range
) to '{path}' (header, delimiter ',')
"""
NIGHTS = ("first night", "5 % changed", "all changed", "none changed")


def write_market(folder: Path, count: int, vendors: int, night: int) -> dict[str, float]:
    """One night's full exports, in one file."""
    duckdb.execute(
        MARKET.format(
            count=count, vendors=vendors, night=night, day=FIRST_NIGHT + timedelta(days=night), path=folder / "night.csv"
        )
    )  # fmt: skip
    return {}


def screen(folder: Path) -> dict[str, float]:
    """Screen the warehouse's prices as a refresh does, without parts and exchange rates."""
    from pipelines.flows.steps.price_screen import screened
    from pipelines.warehouse import connect
    from schemas.inputs.catalogue import PARTS
    from schemas.inputs.price_decisions import CONFIRMED_PRICES
    from schemas.inputs.vendors import EXCHANGE_RATES
    from schemas.validate import empty_frame

    tables = {contract.name: empty_frame(contract) for contract in (PARTS, EXCHANGE_RATES, CONFIRMED_PRICES)}
    with connect.writer(folder / "warehouse.duckdb") as con:
        return {"suspects": screened(con, tables, "EUR").height}


def in_own_process(*arguments: object) -> dict[str, float]:
    """Do one thing in a new process: what it found, its seconds, CPU seconds and peak memory in MiB."""
    command = [sys.executable, "-m", "tests.benchmarks.screen_bench", "--only", *map(str, arguments)]
    answer = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
    found: dict[str, float] = json.loads(answer)
    return found


def only(what: str, folder: Path, *numbers: str) -> None:
    """Do it in this process, and print what it took."""
    import pipelines.flows.steps.history_steps
    import pipelines.intake.take_in  # noqa: F401

    began, cpu_before = time.monotonic(), time.process_time()
    if what == "write":
        count, vendors, night = map(int, numbers)
        found = write_market(folder, count, vendors, night)
    else:
        found = load_night(folder, "night.csv") if what == "load" else screen(folder)
    found |= {
        "seconds": time.monotonic() - began,
        "cpu_seconds": time.process_time() - cpu_before,
        "mebibytes": peak_mebibytes(),
    }
    print(json.dumps(found))


def peak_mebibytes() -> float:
    """The most memory of this program. Linux counts that of the process that started it into getrusage's figure."""
    with suppress(OSError):
        found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text(encoding="ascii"))
        if found:
            return int(found.group(1)) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def run(folder: Path, count: int, vendors: int) -> None:
    """One market: print a line per night."""
    for night, title in enumerate(NIGHTS):
        in_own_process("write", folder, count, vendors, night)
        load, found = in_own_process("load", folder), in_own_process("screen", folder)
        print(
            f"{vendors:>7} | {title:<12} | {load['seconds']:6.1f} | {load['cpu_seconds']:7.1f} | {found['seconds']:8.1f} | "
            f"{found['cpu_seconds']:7.1f} | {found['seconds'] / load['seconds']:5.2f} | "
            f"{found['cpu_seconds'] / load['cpu_seconds']:7.2f} | {found['mebibytes']:5.0f} | {found['suspects']:8,.0f}",
            flush=True,
        )


def main() -> None:
    """Run what was asked for and print the table, row by row."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=2_000_000, help="number of offers")
    parser.add_argument("--folder", type=Path, help="where to work; a temporary folder if left out")
    parser.add_argument("--only", nargs="+", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.only:
        what, folder, *numbers = args.only
        only(what, Path(folder), *numbers)
        return
    print("vendors | night        | load s | its CPU | screen s | its CPU | ratio | its CPU |  MiB  | suspects")
    for vendors in (1, VENDOR_COUNT):
        with tempfile.TemporaryDirectory(dir=args.folder) as folder:
            run(Path(folder), args.size, vendors)


if __name__ == "__main__":
    main()
