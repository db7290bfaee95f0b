"""Makes files as intake hands them over, from the rows of the reference fold or from plain values."""

from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.errors import KitfareError
from schemas.contract import Contract
from schemas.inputs.price_files import PRICE_EXPORT, PRICE_SUMMARY
from schemas.validate import FAILURE_SCHEMA, polars_schema

NOW = datetime(2026, 11, 25, 3, 0, 0)

POSITIONS = {"source_line_number": pl.Int64(), "record_number": pl.Int64()}
QUARANTINED_KEY_SCHEMA = pl.Schema(
    {
        "record_number": pl.Int64(),
        "vendor_code": pl.String(),
        "observed_on": pl.Date(),
        "part_code": pl.String(),
        "colour_code": pl.String(),
        "condition": pl.String(),
        "listing_code": pl.String(),
    }
)
PARENT_SCHEMA = pl.Schema(
    {"record_number": pl.Int64(), "parent_file_hash": pl.String(), "parent_record_number": pl.Int64()}
)
OFFER = {
    "vendor_code": "acorn", "part_code": "00501", "colour_code": "7", "condition": "new", "listing_code": "",
    "step_from_quantity": 1, "unit_price": Decimal("0.10"), "currency_code": "EUR", "quantity_available": 100,
    "sold_in_multiples_of": 1, "assortment_code": "", "maximum_per_order": None, "form_certainty": "stated",
    "observed_on": date(2026, 1, 10), "coverage": "full", "revision_number": 0,
}  # fmt: skip
SUMMARY = {
    "source_code": "survey", "part_code": "00501", "colour_code": "7", "condition": "new",
    "observed_on": date(2026, 1, 10), "currency_code": "EUR", "lowest_price": Decimal("0.08"),
    "average_price": Decimal("0.12"), "quantity_available": 900, "offer_vendor_count": 12,
}  # fmt: skip


@dataclass(frozen=True)
class Taken:
    """The attributes the warehouse reads of what intake hands over."""

    file_hash: str
    file_name: str = "prices.csv"
    contract: Contract | None = PRICE_EXPORT
    profile_name: str = ""
    rows: pl.DataFrame = field(default_factory=pl.DataFrame)
    failures: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FAILURE_SCHEMA))
    quarantined_keys: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=QUARANTINED_KEY_SCHEMA))
    unreadable_key_count: int = 0
    read_row_count: int = 0
    duplicate_row_count: int = 0
    parents: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=PARENT_SCHEMA))
    error: KitfareError | None = None


def taken(file_hash: str, offers: Any, **changes: Any) -> Taken:
    """A file of price rows, each given by how it differs from OFFER; records are numbered from 1."""
    rows = typed_rows(PRICE_EXPORT, [{**OFFER, **offer} for offer in offers])
    return Taken(**{"file_hash": file_hash, "rows": rows, "read_row_count": rows.height, **changes})


def summaries(file_hash: str, rows: list[dict[str, Any]], **changes: Any) -> Taken:
    frame = typed_rows(PRICE_SUMMARY, [{**SUMMARY, **row} for row in rows])
    return Taken(
        **{
            "file_hash": file_hash,
            "contract": PRICE_SUMMARY,
            "rows": frame,
            "read_row_count": frame.height,
            # as intake leaves them for tables that hold no keys
            "quarantined_keys": pl.DataFrame(),
            **changes,
        }
    )


def typed_rows(contract: Contract, rows: list[dict[str, Any]]) -> pl.DataFrame:
    schema = pl.Schema({**polars_schema(contract), **POSITIONS})
    numbered = [{"record_number": n, "source_line_number": n + 1, **row} for n, row in enumerate(rows, 1)]
    return pl.DataFrame(numbered, schema=schema)


def failures_of(*records: int) -> pl.DataFrame:
    """One failure of each record."""
    return pl.DataFrame(
        [
            {
                "source_line_number": record + 1,
                "record_number": record,
                "quarantined_column": "unit_price",
                "quarantined_value": "0,x",
                "quarantined_rule": "not a number",
                "what_to_do": "write a number",
            }
            for record in records
        ],
        schema=FAILURE_SCHEMA,
    )


def parents_of(links: dict[int, tuple[str, int]]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {"record_number": record, "parent_file_hash": parent, "parent_record_number": parent_record}
            for record, (parent, parent_record) in links.items()
        ],
        schema=PARENT_SCHEMA,
    )


def quarantined_keys_of(offers: dict[int, dict[str, Any]]) -> pl.DataFrame:
    return pl.DataFrame(
        [{**{name: OFFER[name] for name in QUARANTINED_KEY_SCHEMA if name != "record_number"}, **offer, "record_number": record}
         for record, offer in offers.items()],
        schema=QUARANTINED_KEY_SCHEMA,
    )  # fmt: skip
