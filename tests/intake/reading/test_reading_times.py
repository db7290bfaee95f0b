"""How long large files take to read."""

import time
from pathlib import Path

import polars as pl
import pytest

from pipelines.intake.reading.readers import read_as_text
from pipelines.intake.single_files.plan_files import PlanPaths, read_plan_files
from tests.builders.files import OUR_HEADER, take, write_text
from tests.intake.single_files.test_plan_files import DAY, SCENARIO


@pytest.mark.parametrize(("suffix", "seconds"), [("csv", 6), ("parquet", 4)])
def test_many_offers_are_read_quickly(many_offers: Path, suffix: str, seconds: int) -> None:
    """Processor time of reading and checking 300,000 offers, on a machine half as fast as an ordinary one."""
    paths = PlanPaths(many_offers / "needs.csv", many_offers / f"offers.{suffix}", many_offers / "terms.csv", {})
    began = time.process_time()
    found = read_plan_files(paths, SCENARIO, None, DAY)
    assert time.process_time() - began < seconds
    assert found.offers.height == 300_000 - 750


def test_a_million_rows_in_seconds(tmp_path: Path) -> None:
    import time

    body = "".join(
        f"north,{n:07d},c{n % 60},new,0.{n % 9999 + 1:04d},EUR,{n % 500},2026-10-31,full\n" for n in range(1_000_000)
    )
    path = write_text(tmp_path / "north.csv", ",".join(OUR_HEADER) + "\n" + body)
    began = time.process_time()
    assert read_as_text(path).frame.height == 1_000_000
    reading = time.process_time() - began
    assert take(path, tmp_path).rows.height == 1_000_000
    assert reading < 10, f"reading took {reading:.1f} s"


@pytest.fixture(scope="module")
def many_offers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """300,000 offers as CSV and as Parquet, and needs and terms that go with them."""
    folder = tmp_path_factory.mktemp("many")
    number = pl.int_range(300_000, eager=True)
    frame = pl.DataFrame(
        {
            "vendor_code": "v" + (number % 60).cast(pl.String),
            "part_code": (number // 60 % 500).cast(pl.String).str.zfill(5),
            "colour_code": "c" + (number // 30_000).cast(pl.String),
            "condition": pl.repeat("new", 300_000, eager=True),
            "unit_price": (number % 997 + 1).cast(pl.Decimal(18, 6)) / 1000,
            "currency_code": pl.repeat("EUR", 300_000, eager=True),
            "quantity_available": number % 400,
        }
    )
    frame.write_csv(folder / "offers.csv")
    frame.write_parquet(folder / "offers.parquet")
    (folder / "needs.csv").write_text("line_number,part_code,colour_code,quantity\n1,00001,c1,20\n", encoding="utf-8")
    rows = "".join(f"v{code},2\n" for code in range(60))
    (folder / "terms.csv").write_text(f"vendor_code,shipping\n{rows}", encoding="utf-8")
    return folder
