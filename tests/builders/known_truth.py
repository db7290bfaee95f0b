"""A workspace so small that each figure it publishes can be worked out by hand; tests/flows/test_known_truth.py does.

One model, the shed: 10 red bricks (4 seen; 6 hidden, in any colour), 20 grey plates, and 4 tiles in any colour that are added
for strength. Three vendors: acorn sells bricks and tiles, tern plates for pounds, works (the maker's shop) bricks and plates.

Rules of thumb that it has (common practice, no source): a small vendor asks 7 for a parcel, 6 for a small order, whatever is in
it; the handling charge of an assortment falls away from a subtotal of 14; tax falls on goods, not on shipping.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipelines.workspace import Workspace
from tests.builders.written_workspaces import full_export, write_workspace

MONTH_ENDS = ("2026-07-31", "2026-08-31", "2026-09-30", "2026-10-31")
SETTINGS = """[refresh]
priced_on = "latest_export"
months_back = 3
planned_months_back = 3
effort = "standard"
workers = 1
inbox_quiet_seconds = 0
copy_counts = [1]
[[buyer]]
buyer_code = "home"
title = "a buyer at home"
region_code = "home"
currency_code = "EUR"
[[watch]]
watch_code = "below_29"
kind = "model_below"
buyer_codes = ["home"]
amount = 29
"""
TABLES: dict[str, list[dict[str, Any]]] = {
    "colours": [
        {"colour_code": "red", "colour_name": "Red", "srgb_hex": "#C01010", "colour_family": "red"},
        {"colour_code": "blue", "colour_name": "Blue", "srgb_hex": "#1030C0", "colour_family": "blue"},
        {"colour_code": "grey", "colour_name": "Grey", "srgb_hex": "#909090", "colour_family": "grey"},
    ],
    "parts": [
        {"part_code": "brick", "part_name": "Brick"},
        {"part_code": "plate", "part_name": "Plate"},
        {"part_code": "tile", "part_name": "Tile"},
    ],
    "vendors": [
        {"vendor_code": "acorn", "vendor_name": "Acorn", "vendor_kind": "independent", "vendor_region_code": "home",
         "currency_code": "EUR"},
        {"vendor_code": "tern", "vendor_name": "Tern", "vendor_kind": "independent", "vendor_region_code": "isles",
         "currency_code": "GBP"},
        {"vendor_code": "works", "vendor_name": "Works", "vendor_kind": "maker", "vendor_region_code": "home",
         "currency_code": "EUR"},
    ],
    "vendor_terms": [
        {"vendor_code": "acorn", "valid_from_on": "2026-01-01", "shipping_charge": "7", "tax_rate_pct": "20", "tax_on": "goods"},
        {"vendor_code": "acorn", "valid_from_on": "2026-08-10", "shipping_charge": "7", "tax_rate_pct": "25", "tax_on": "goods"},
        {"vendor_code": "tern", "valid_from_on": "2026-01-01", "shipping_charge": "0"},
        {"vendor_code": "works", "valid_from_on": "2026-01-01", "shipping_charge": "6", "shipping_waived_from": "15",
         "tax_rate_pct": "20", "tax_on": "included"},
    ],
    "shipping_steps": [
        {"vendor_code": "tern", "valid_from_on": "2026-01-01", "step_basis": "goods_value", "step_from": "0",
         "step_to": "10", "step_charge": "6"},
        {"vendor_code": "tern", "valid_from_on": "2026-01-01", "step_basis": "goods_value", "step_from": "10",
         "step_to": None, "step_charge": "7"},
    ],
    "handling_charges": [
        {"vendor_code": "works", "assortment_code": "small", "handling_charge": "3", "handling_waived_from": "14"},
        {"vendor_code": "works", "assortment_code": "large", "handling_charge": "3", "handling_waived_from": "14"},
    ],
    "exchange_rates": [
        {"rate_on": day, "from_currency_code": "GBP", "to_currency_code": "EUR", "exchange_rate": rate}
        for day, rate in zip(MONTH_ENDS, ("1.10", "1.10", "1.10", "1.25"), strict=True)
    ],
}  # fmt: skip
MODEL = {
    "model.toml": 'model_code = "shed"\ntitle = "A shed"\npublish_lines = "all"\nmaker_lines = [1]\n[instructions]\nprice = 12.50\n'
    'currency_code = "EUR"\n[[versions]]\nlist_version = 1\nreleased_on = 2026-01-01\n',
    "parts.csv": "line_number,part_code,colour_code,quantity\n1,brick,red,10\n2,plate,grey,20\n",
    "flexible_lines.csv": "line_number,portion_number,quantity,colour_rule,decided_on\n"
    "1,1,4,as_listed,2026-01-01\n1,2,6,any,2026-01-01\n2,1,20,as_listed,2026-01-01\n",
    "amendments.csv": "line_number,amendment_action,part_code,colour_code,quantity,colour_rule,valid_from_on,reason\n"
    "3,add,tile,,4,any,2026-01-01,stiffens the floor\n",
}


def exports() -> dict[str, str]:
    """The same prices at each month end."""
    sold: dict[str, tuple[str, list[dict[str, Any]]]] = {
        "acorn": ("EUR", [
            {"part": "brick", "colour": "red", "price": "0.50"},
            {"part": "brick", "colour": "blue", "price": "0.20"},
            {"part": "tile", "colour": "grey", "price": "0.30"},
        ]),
        "tern": ("GBP", [{"part": "plate", "colour": "grey", "price": "0.40"}]),
        "works": ("EUR", [
            {"part": "brick", "colour": "red", "price": "0.70", "assortment_code": "small"},
            {"part": "plate", "colour": "grey", "price": "0.80", "assortment_code": "large"},
        ]),
    }  # fmt: skip
    return {
        f"{vendor}-{day}.csv": full_export(vendor, money, day, *offers)
        for day in MONTH_ENDS
        for vendor, (money, offers) in sold.items()
    }


def known_truth(root: Path) -> Workspace:
    """The workspace, with all its exports in the inbox."""
    workspace = write_workspace(root, SETTINGS, TABLES, {"shed": MODEL})
    for name, text in exports().items():
        (workspace.inbox / name).write_text(text, encoding="utf-8")
    return workspace
