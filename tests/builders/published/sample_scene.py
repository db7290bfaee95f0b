"""What the sample night is about: its models, vendors, buyers, parts and colours."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.money import round_money
from pipelines.settings import Buyer, Instructions, ListVersion, ModelSettings
from pipelines.settings_watches import Watch
from schemas.contract import Contract
from schemas.inputs.catalogue import COLOURS, PARTS
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST
from schemas.inputs.vendors import EXCHANGE_RATES, VENDOR_TERMS, VENDORS
from schemas.published.intake import VENDOR_EXPORT
from schemas.published.runs import INPUT_FILE, REFRESH_RUN
from schemas.validate import empty_frame, polars_schema

TODAY = date(2026, 11, 25)


TITLES = ("Harbour crane", "Night ferry", "Tin lantern", "Clock tower", "Paper kite", "Lighthouse", "Windmill")


PUBLISH = ("none", "some", "all")


SCENARIOS = ("listed", "flexible", "maker_marked", "maker_first", "cheapest")


# What each scenario costs against the listed one, so that the sample has something to show.
SCENARIO_FACTORS = {"listed": 100, "flexible": 88, "maker_marked": 90, "maker_first": 97, "cheapest": 84}


VENDOR_ROWS = (
    ("quay", "Quayside Parts", "independent", "north", "EUR"),
    ("alder", "Alder & Daughters", "independent", "north", "EUR"),
    ("sumi", "Sumi Bricks", "independent", "east", "JPY"),
    ("maker", "The maker's shop", "maker", "north", "EUR"),
    ("faraway", "Faraway Loft", "independent", "south", "EUR"),
)


BUYERS = (
    Buyer(buyer_code="inland", title="a buyer at home", region_code="north", currency_code="EUR"),
    Buyer(
        buyer_code="abroad",
        title="a buyer abroad",
        region_code="east",
        currency_code="JPY",
        exchange_margin_pct=Decimal(2),
    ),
)


RATES = {"EUR": 1, "JPY": 180}


INDEX_SHIFTS = (("lowe", 0.0), ("jevons", 0.9), ("geks-tornqvist", -0.6), ("geks-tornqvist-bought", 0.3))


WATCHES = (
    Watch(watch_code="crane", kind="model_below", model_codes=["m00"], amount=Decimal(100)),
    Watch(watch_code="scarce", kind="line_scarce"),
    Watch(watch_code="vendors", kind="vendor_changes_model"),
)


PART_ROWS = (
    ("00501", "Brick 2 x 4", "bricks"),
    ("00502", "Brick 1 x 2", "bricks"),
    ("01010", "Plate 2 x 6", "plates"),
    ("01011", "Plate 1 x 4, rounded", "plates"),
    ("02200", "Slope 45, 2 x 1", "slopes"),
    ("03100", "Beam, 7 holes", "beams"),
)


COLOUR_ROWS = (
    ("c01", "Chalk", "#F4F4F0", "whites"),
    ("c02", "Coal", "#1B1B1B", "blacks"),
    ("c03", "Rust red", "#9C3B22", "reds"),
    ("c04", "Sea green", "#2F7F70", "greens"),
)


Night = tuple[dict[str, pl.DataFrame], WorkspaceInputs]


def month_ends(count: int, today: date = TODAY) -> list[date]:
    """Today and the month ends before it, earliest first, ``count`` in all."""
    ends = [today]
    while len(ends) < count:
        ends.append(ends[-1].replace(day=1) - timedelta(days=1))
    return ends[::-1]


def frame(contract: Contract, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows as a frame of the contract; columns that are left out take the contract's default."""
    schema = polars_schema(contract)
    filled = [
        [row.get(name, contract.optional.get(name)) if name in contract.optional else row[name] for name in schema]
        for row in rows
    ]
    return pl.DataFrame(filled, schema=schema, orient="row") if rows else empty_frame(contract)


def model_of(number: int, title: str, publish_lines: str, line_count: int) -> Model:
    settings = ModelSettings(
        model_code=f"m{number:02d}",
        title=title,
        designer=("", "A. Nonym")[number % 2],
        publish_lines=publish_lines,
        instructions=Instructions(price=Decimal("12"), currency_code="EUR"),
        versions=[ListVersion(list_version=1, released_on=date(2020, 1, 1))],
    )
    parts_list = [
        {
            "list_version": 1,
            "line_number": line,
            **element(number, line),
            "quantity": quantity(line),
            "section_code": "",
        }
        for line in range(1, line_count + 1)
    ]
    flexible_lines = [
        {
            "line_number": line,
            "portion_number": 1,
            "colour_rule": "any",
            "accept_conditions": "new",
            "is_load_bearing": False,
            "decided_on": date(2026, 11, 10),
        }
        for line in range(1, line_count + 1, 2)
    ]
    return Model(
        settings, frame(PARTS_LIST, parts_list), frame(FLEXIBLE_LINES, flexible_lines), empty_frame(AMENDMENTS)
    )


def element(model_number: int, line: int) -> dict[str, str]:
    """The listed part and colour of a line."""
    return {
        "part_code": PART_ROWS[(line + model_number) % len(PART_ROWS)][0],
        "colour_code": COLOUR_ROWS[(line // len(PART_ROWS)) % len(COLOUR_ROWS)][0],
    }


def quantity(line: int) -> int:
    """Pieces of a line."""
    return 4 + line * 7 % 23


def workspace_tables(days: list[date]) -> dict[str, pl.DataFrame]:
    vendor_columns = ("vendor_code", "vendor_name", "vendor_kind", "vendor_region_code", "currency_code")
    return {
        "parts": frame(
            PARTS,
            [
                {"part_code": c, "part_name": n, "part_family": f, "surface": "plain", "material": "hard"}
                for c, n, f in PART_ROWS
            ],
        ),
        "colours": frame(
            COLOURS,
            [
                {"colour_code": c, "colour_name": n, "srgb_hex": x, "colour_family": f, "finish": "plain"}
                for c, n, x, f in COLOUR_ROWS
            ],
        ),
        "vendors": frame(VENDORS, [dict(zip(vendor_columns, row, strict=True)) for row in VENDOR_ROWS]),
        "vendor_terms": frame(
            VENDOR_TERMS,
            [
                {
                    **terms_defaults(),
                    "vendor_code": row[0],
                    "valid_from_on": date(2026, 11, 3) if row[0] == "alder" else date(2020, 1, 1),
                }
                for row in VENDOR_ROWS
                if row[0] != "faraway"
            ],
        ),
        "exchange_rates": frame(
            EXCHANGE_RATES,
            [
                {
                    "rate_on": day,
                    "from_currency_code": "EUR",
                    "to_currency_code": "JPY",
                    "exchange_rate": Decimal(RATES["JPY"]),
                }
                for day in days
            ],
        ),
        "input_file": frame(
            INPUT_FILE,
            [{"input_path": "kitfare.toml", "file_hash": "0" * 64, "table_name": "", "row_count": 1}],
        ),
        "vendor_export": frame(
            VENDOR_EXPORT,
            [
                {
                    "file_hash": f"{number:064x}",
                    "vendor_code": row[0],
                    "observed_on": TODAY - timedelta(days=3 * number),
                    "coverage": "full",
                    "revision_number": 0,
                    "export_standing": "winner",
                    "row_count": 100,
                }
                for number, row in enumerate(VENDOR_ROWS)
            ],
        ),
        "refresh_run": frame(
            REFRESH_RUN,
            [
                {
                    "refresh_id": "2026-11-25-sample",
                    "priced_on": TODAY,
                    "started_at": datetime(2026, 11, 25, 2, 0),
                    "software_version": "0",
                    "inputs_hash": "0",
                    "step_name": "publish",
                    "step_seconds": 1.0,
                    "row_count": 1,
                }
            ],
        ),
    }


def terms_defaults() -> dict[str, Any]:
    zero = Decimal(0)
    return {
        "buyer_region_code": "*", "shipping_charge": Decimal(7), "minimum_order": zero, "soft_minimum": zero,
        "soft_minimum_charge": zero, "minimum_line_value": zero, "order_fee": zero, "order_fee_pct": zero,
        "discount_from": zero, "discount_pct": zero, "tax_rate_pct": zero, "tax_on": "goods",
    }  # fmt: skip


def about(line: dict[str, Any]) -> dict[str, Any]:
    return {
        "line_number": line["line_number"],
        "listed_part_code": line["part_code"],
        "listed_colour_code": line["colour_code"],
        "quantity": line["quantity"],
    }


def earlier(plan: dict[str, Any], day: date, factor: float) -> dict[str, Any]:
    """The same plan at another date's prices; amounts still add up."""
    code = plan["currency_code"]
    scale = Decimal(str(round(factor, 4)))
    row = {**plan, "priced_on": day, "effort": "quick", "oldest_offer_on": day - timedelta(days=4)}
    row["goods"] = round_money(plan["goods"] * scale, code)
    row["landed_cost"] = row["goods"] + row["shipping"] + row["handling"] + row["tax"]
    row["complete_cost"] = row["landed_cost"] + row["unfilled_estimate"]
    row["lower_bound"] = round_money(row["landed_cost"] * 1000 / Decimal(1000 + int(plan["gap_pct"] * 10)), code)
    return row


def change_over(levels: list[float], step: int, back: int) -> float | None:
    return 100 * (levels[step] / levels[step - back] - 1) if step >= back else None
