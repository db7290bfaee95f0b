"""The files the demo writes: the same bytes for a seed, taken in by their profiles, and read back as the market has them."""

import hashlib
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from demo_inputs import layouts, market, mishaps
from demo_inputs.catalogue import NOWHERE
from demo_inputs.make_exports import SEED
from pipelines.errors import UnreadableFileError

PROFILE_OF = {
    "bins": "",
    "fells": "fells_lists",
    "isles": "isles_hall",
    "tarn": "tarn_workbook",
    "hall": "main_hall",
    "ledger": "tide_ledger",
}
UNREADABLE = "letter from a vendor.doc"
NIGHTS_WITH_BAD_ROWS = {f"bins_{mishaps.BAD_BINS_NIGHT}.csv.gz": 5, f"fells_{mishaps.BAD_FELLS_NIGHT:%Y%m%d}.csv": 4}


def hashes(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_the_inbox_is_as_large_as_the_readme_states(inbox: Any) -> None:
    files = sorted(inbox.iterdir())
    assert len(files) < 350
    assert sum(path.stat().st_size for path in files) < 60_000_000
    kinds = {kind: [path for path in files if path.name.startswith(f"{kind}_")] for kind in PROFILE_OF}
    assert len(kinds["bins"]) == 24 + 30 + 2, "one copy and one correction"
    assert [len(kinds[kind]) for kind in ("fells", "isles", "hall")] == [54, 54, 54]
    assert len(kinds["ledger"]) == 25


def test_one_file_is_an_exact_copy(inbox: Any) -> None:
    found = hashes(inbox)
    copies = [name for name in found if list(found.values()).count(found[name]) > 1]
    assert copies == ["bins_2026-10-15 (copy).csv.gz", "bins_2026-10-15.csv.gz"]


def as_taken(rows: pl.DataFrame) -> pl.DataFrame:
    """The market's rows as an export should come out of intake."""
    return rows.select(
        "vendor_code",
        "part_code",
        "colour_code",
        "condition",
        pl.col("listing").alias("listing_code"),
        pl.col("step").alias("step_from_quantity"),
        pl.col("currency").alias("currency_code"),
        (pl.col("price_e4") * 100).alias("price_e6"),
        pl.col("quantity").cast(pl.Int64).alias("quantity_available"),
        pl.col("multiple").cast(pl.Int64).alias("sold_in_multiples_of"),
        pl.col("assortment").alias("assortment_code"),
        "observed_on",
    )


@pytest.mark.parametrize("source", ["bins", "fells", "isles", "tarn", "hall"])
def test_a_file_is_read_back_as_the_market_has_it(inbox: Any, take: Any, source: str) -> None:
    """Every shape (separators, commas, packs, codes of its own, dates) gives back the exact prices behind it."""
    day = market.LAST_NIGHT
    name = {
        "fells": f"fells_{day:%Y%m%d}.csv",
        "isles": f"isles_{day:%Y%m%d}.tsv",
        "tarn": f"tarn_{day}.xlsx",
        "hall": f"hall_{day}.jsonl",
    }
    taken = take(inbox / name.get(source, f"bins_{day}.csv.gz"))
    assert taken.error is None and taken.failures.height == 0
    assert taken.profile_name == PROFILE_OF[source]
    rows = mishaps.slipped(market.build(SEED).night(market.NIGHT_COUNT), day).filter(pl.col("layout") == source)
    if source == "tarn":  # the workbook has no column for listings
        rows = rows.filter(pl.col("listing") == "")
    expected = as_taken(rows)
    found = taken.rows.with_columns((pl.col("unit_price") * 1_000_000).cast(pl.Int64).alias("price_e6")).select(
        expected.columns
    )
    key = expected.columns[:6]
    assert found.sort(key).equals(expected.sort(key))
    assert set(taken.rows["coverage"]) == ({"partial"} if source == "tarn" else {"full"})
    if source == "hall":
        assert set(taken.rows["maximum_per_order"]) == {200}
    if source in ("fells", "isles"):
        assert set(taken.rows["form_certainty"]) == {"stated", "open"}


def test_the_summary_has_the_element_that_no_vendor_sells(inbox: Any, take: Any) -> None:
    taken = take(inbox / "ledger_2026-10.txt")
    assert taken.error is None and taken.failures.height == 0 and taken.contract.name == "price_summary"
    part, colour = NOWHERE
    row = taken.rows.filter((pl.col("part_code") == part) & (pl.col("colour_code") == colour))
    assert row.height == 1 and row["offer_vendor_count"].item() == 1
    assert taken.rows.filter(pl.col("lowest_price") > pl.col("average_price")).height == 0


def test_bad_rows_are_quarantined_with_a_reason_and_nothing_else_is(inbox: Any, take: Any) -> None:
    for name, quarantined_count in NIGHTS_WITH_BAD_ROWS.items():
        taken = take(inbox / name)
        assert taken.quarantined_text.height == quarantined_count
        assert taken.failures["what_to_do"].str.len_chars().min() > 0
        assert taken.read_row_count == taken.rows.height + quarantined_count + taken.duplicate_row_count
        assert taken.unreadable_key_count < 0.01 * taken.read_row_count, "the export still closes what it does not list"
    assert take(inbox / f"bins_{mishaps.BAD_BINS_NIGHT}.csv.gz").duplicate_row_count == 1


def test_the_file_that_cannot_be_read_is_reported(inbox: Any, take: Any) -> None:
    taken = take(inbox / UNREADABLE)
    assert isinstance(taken.error, UnreadableFileError) and taken.contract is None


def test_the_late_correction_is_partial_and_has_a_higher_revision(inbox: Any, take: Any) -> None:
    vendor, on, factor = mishaps.CORRECTION
    taken = take(inbox / f"bins_correction_{on}.csv")
    assert taken.rows.height == 12
    assert taken.rows.select("coverage", "revision_number", "vendor_code", "observed_on").unique().rows() == [
        ("partial", 1, vendor, on)
    ]
    first = take(inbox / f"bins_{on}.csv.gz").rows
    key = ["vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity"]
    both = taken.rows.join(first, on=key)
    assert both.height == 12
    ratios = both.select(
        pl.col("unit_price_right").cast(pl.Float64) / pl.col("unit_price").cast(pl.Float64)
    ).to_series()
    assert ratios.to_list() == pytest.approx([factor] * 12, rel=0.05)


def test_decimal_text_pads_and_uses_the_point_asked_for() -> None:
    frame = pl.DataFrame({"units": [43, 5, 12345, 1000]})
    assert frame.select(layouts.decimal_text(pl.col("units"), 3, ",")).to_series().to_list() == [
        "0,043",
        "0,005",
        "12,345",
        "1,000",
    ]


def test_the_dates_are_those_of_the_readme() -> None:
    assert market.LAST_NIGHT == date(2026, 10, 31) == market.NIGHTS[-1] == market.MONTH_ENDS[-1]
    assert market.NIGHTS[0] == date(2026, 10, 2) and len(market.NIGHTS) == 30
    assert market.MONTH_ENDS[0] == date(2024, 10, 31) and len(market.MONTH_ENDS) == 25
