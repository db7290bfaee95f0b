"""Small invented workspaces for the costing tests, written as a user would write them."""

from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.settings import Buyer, ListVersion, ModelSettings, Settings
from schemas.all_tables import WORKSPACE_TABLES
from schemas.contract import Contract
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST
from schemas.inputs.price_files import PRICE_SUMMARY
from schemas.published.price_history import PRICE_HISTORY
from schemas.published.runs import INPUT_FILE
from schemas.validate import empty_frame, polars_schema, require_valid

DAY = date(2026, 11, 25)
BUYER = Buyer(buyer_code="home", title="a buyer at home", region_code="NL", currency_code="EUR")

COLOURS = [
    {"colour_code": "red", "colour_name": "Red", "srgb_hex": "#C01010", "colour_family": "reds"},
    {"colour_code": "brick", "colour_name": "Brick", "srgb_hex": "#B81414", "colour_family": "reds"},
    {"colour_code": "blue", "colour_name": "Blue", "srgb_hex": "#1030C0", "colour_family": "blues"},
    {"colour_code": "grey", "colour_name": "Grey", "srgb_hex": "#909090", "colour_family": "greys"},
    {"colour_code": "clear_red", "colour_name": "Clear red", "srgb_hex": "#C01010", "colour_family": "reds",
     "finish": "transparent"},
    {"colour_code": "clear_blue", "colour_name": "Clear blue", "srgb_hex": "#1030C0", "colour_family": "blues",
     "finish": "transparent"},
    {"colour_code": "steel", "colour_name": "Steel", "srgb_hex": "#909090", "colour_family": "greys",
     "finish": "metallic"},
]  # fmt: skip


def table(contract: Contract, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """A validated frame from rows as a file would have them; what is left out takes its default."""
    if not rows:
        return empty_frame(contract)
    names = list(dict.fromkeys(name for row in rows for name in row))
    text = {name: [None if row.get(name) is None else str(row.get(name)) for row in rows] for name in names}
    frame = pl.DataFrame(text, schema=dict.fromkeys(names, pl.String))
    return require_valid(contract, frame, where=contract.name).select(contract.columns)


def vendor(code: str, **more: Any) -> dict[str, Any]:
    return {
        "vendor_code": code,
        "vendor_name": code.title(),
        "vendor_region_code": "NL",
        "currency_code": "EUR",
        **more,
    }


def terms(code: str, **more: Any) -> dict[str, Any]:
    return {"vendor_code": code, "shipping_charge": "0", **more}


def make_inputs(
    models: Any = (),
    buyers: Any = (BUYER,),
    scenarios: Any = (),
    **tables: list[dict[str, Any]],
) -> WorkspaceInputs:
    """A workspace; tables by name as rows. Vendors default to ``a``, ``b`` and ``c`` with free shipping."""
    tables.setdefault("colours", COLOURS)
    tables.setdefault("vendors", [vendor("a"), vendor("b"), vendor("c")])
    tables.setdefault("vendor_terms", [terms(row["vendor_code"]) for row in tables["vendors"]])
    frames = {contract.name: table(contract, tables.pop(contract.name, [])) for contract in WORKSPACE_TABLES}
    assert not tables, f"no such tables: {sorted(tables)}"
    return WorkspaceInputs(
        Settings(buyer=list(buyers), scenario=list(scenarios)), frames, models, empty_frame(INPUT_FILE)
    )


def make_model(
    parts_list: list[dict[str, Any]],
    flexible_lines: list[dict[str, Any]] | None = None,
    amendments: list[dict[str, Any]] | None = None,
    **settings: Any,
) -> Model:
    """A model ``mill`` with one version since 2026-01-01, unless settings say otherwise."""
    settings.setdefault("versions", [ListVersion(list_version=1, released_on=date(2026, 1, 1))])
    return Model(
        ModelSettings(**{"model_code": "mill", "title": "The mill", **settings}),
        table(PARTS_LIST, parts_list),
        table(FLEXIBLE_LINES, flexible_lines or []),
        table(AMENDMENTS, amendments or []),
    )


def line(number: int, part: str, colour: str, quantity: int, **more: Any) -> dict[str, Any]:
    return {"line_number": number, "part_code": part, "colour_code": colour, "quantity": quantity, **more}


def flexibility(number: int, rule: str, **more: Any) -> dict[str, Any]:
    return {"line_number": number, "colour_rule": rule, **more}


def offer(vendor_code: str, part: str, colour: str, price: str, quantity: int = 100, **more: Any) -> dict[str, Any]:
    return {
        "vendor_code": vendor_code,
        "part_code": part,
        "colour_code": colour,
        "unit_price": Decimal(price),
        "quantity_available": quantity,
        **more,
    }


def make_market(*offers: dict[str, Any]) -> pl.DataFrame:
    """Offers as the market of DAY: PRICE_HISTORY and ``is_suspect``."""
    defaults = {
        "condition": "new",
        "listing_code": "",
        "step_from_quantity": 1,
        "currency_code": "EUR",
        "sold_in_multiples_of": 1,
        "assortment_code": "",
        "maximum_per_order": None,
        "form_certainty": "stated",
        "valid_from_on": date(2026, 11, 1),
        "valid_to_on": None,
        "last_confirmed_on": date(2026, 11, 20),
        "is_suspect": False,
    }
    rows = [{**defaults, **row} for row in offers]
    for row in rows:
        row["offer_id"] = "|".join(str(row[name]) for name in PRICE_HISTORY.key if name != "step_from_quantity")
    return pl.DataFrame(rows, schema={**polars_schema(PRICE_HISTORY), "is_suspect": pl.Boolean()}, orient="row")


def make_summaries(*rows: dict[str, Any]) -> pl.DataFrame:
    return table(PRICE_SUMMARY, list(rows))
