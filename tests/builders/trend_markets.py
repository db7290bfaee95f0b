"""Small workspaces and markets for the tests of trends."""

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.costing.goods_factors import goods_factors
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.settings import Buyer, ModelSettings, Settings
from pipelines.trends.model_index.monthly import trends_of_models
from schemas.all_tables import WORKSPACE_TABLES
from schemas.contract import Contract
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST
from schemas.published.price_history import PRICE_HISTORY
from schemas.published.runs import INPUT_FILE
from schemas.validate import empty_frame, polars_schema, validate_text

HOME = Buyer(buyer_code="home", title="a buyer at home", region_code="north", currency_code="EUR")
ABROAD = Buyer(
    buyer_code="abroad",
    title="a buyer abroad",
    region_code="south",
    currency_code="USD",
    exchange_margin_pct=Decimal(2),
)
FIRST = date(2025, 1, 1)
MARKET_SCHEMA = pl.Schema({**polars_schema(PRICE_HISTORY), "is_suspect": pl.Boolean()})


def table(contract: Contract, rows: list[Any]) -> pl.DataFrame:
    """A typed table of a contract from rows that name only what matters."""
    if not rows:
        return empty_frame(contract)
    text = pl.DataFrame([{name: None if v is None else str(v) for name, v in row.items()} for row in rows])
    result = validate_text(contract, text, where=contract.name)
    assert not result.failures.height, result.failures.to_dicts()
    return result.rows.select(contract.columns)


def offer(
    part: str,
    price: Any,
    quantity: int = 1000,
    vendor: str = "v1",
    colour: str = "red",
    day: date = date(2026, 1, 31),
    **other: Any,
) -> dict[str, Any]:
    """One offer as market_on gives it, new and single unless said otherwise."""
    row = {
        "vendor_code": vendor, "part_code": part, "colour_code": colour, "condition": "new", "listing_code": "",
        "step_from_quantity": 1, "currency_code": "EUR", "unit_price": Decimal(str(price)),
        "quantity_available": quantity, "sold_in_multiples_of": 1, "assortment_code": "", "maximum_per_order": None,
        "form_certainty": "stated", "valid_from_on": day, "valid_to_on": None, "last_confirmed_on": day,
        "is_suspect": False,
    }  # fmt: skip
    row |= other
    row["offer_id"] = f"{row['vendor_code']}|{part}|{colour}|{row['condition']}|{row['listing_code']}|{day}"
    return row


def market(*offers: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame([*offers], MARKET_SCHEMA, orient="row")


def inputs(
    terms: Any = ("v1", "v2", "v3"),
    rates: Any = (),
    parts: Any = (),
    floor: float = 0.8,
    buyers: tuple[Any, ...] = (HOME,),
) -> WorkspaceInputs:
    """A workspace whose vendors serve every region; ``terms`` may also hold rows of vendor_terms."""
    rows = {
        "vendor_terms": [{"vendor_code": t} if isinstance(t, str) else t for t in terms],
        "exchange_rates": [
            dict(zip(("rate_on", "from_currency_code", "to_currency_code", "exchange_rate"), rate, strict=True))
            for rate in rates
        ],
        "parts": [{"part_code": code, "part_name": code, "part_family": family} for code, family in parts],
    }
    settings = Settings.model_validate({"report": {"coverage_floor": floor}, "buyer": [b.model_dump() for b in buyers]})
    tables = {contract.name: table(contract, rows.get(contract.name, [])) for contract in WORKSPACE_TABLES}
    return WorkspaceInputs(settings, tables, (), empty_frame(INPUT_FILE))


def model(*lines: Any, versions: list[Any] | None = None, **settings: Any) -> Model:
    """A model of lines (part, colour, quantity) or rows of PARTS_LIST, numbered from 1, released long ago."""
    rows = []
    for number, line in enumerate(lines, 1):
        row = line if isinstance(line, dict) else dict(zip(("part_code", "colour_code", "quantity"), line, strict=True))
        rows.append({"line_number": number, **row})
    own = {
        "model_code": "tower", "title": "Tower",
        "versions": versions or [{"list_version": 1, "released_on": "2020-01-01"}],
    }  # fmt: skip
    return Model(
        ModelSettings.model_validate(own | settings),
        table(PARTS_LIST, rows),
        empty_frame(FLEXIBLE_LINES),
        empty_frame(AMENDMENTS),
    )


def month_ends(first: date, count: int) -> list[date]:
    """The last day of each of so many months from the first one's on."""
    starts = [
        date(first.year + (first.month - 1 + n) // 12, (first.month - 1 + n) % 12 + 1, 1) for n in range(count + 1)
    ]
    return [date.fromordinal(start.toordinal() - 1) for start in starts[1:]]


def markets_of(prices: dict[str, Any], first: date = FIRST, stock: int = 1000) -> dict[date, pl.DataFrame]:
    """A market per month from prices by part, one value per month, None where nobody offers it."""
    count = len(next(iter(prices.values())))
    return {
        day: market(*(offer(part, path[n], stock, day=day) for part, path in prices.items() if path[n] is not None))
        for n, day in enumerate(month_ends(first, count))
    }


def price_trends(
    given: WorkspaceInputs, own: Model, buyer: Buyer, markets: dict[date, pl.DataFrame]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """PRICE_INDEX and ELEMENT_PRICE of one model, without any earlier night."""
    settings = given.settings.model_copy(update={"buyer": [buyer]})
    found = trends_of_models(given, [own], buyer, markets, goods_factors(replace(given, settings=settings), markets))
    return found.index, found.lines
