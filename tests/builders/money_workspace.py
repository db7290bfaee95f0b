"""A workspace of several currencies, kinds of tax, fees, discounts and two orders with one vendor: much to round."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipelines.workspace import Workspace
from tests.builders.written_workspaces import full_export, write_workspace

SETTINGS = """[refresh]
priced_on = "latest_export"
months_back = 2
planned_months_back = 1
effort = "quick"
workers = 1
inbox_quiet_seconds = 0
planned_lines = 1
copy_counts = [1, 3]
[report]
coverage_floor = 0.1
[plausibility]
price_level_factor = 1000
market_level_factor = 1000
far_moved_pct = 100
[[buyer]]
buyer_code = "home"
title = "a buyer at home"
region_code = "home"
currency_code = "EUR"
exchange_margin_pct = 1.37
[[buyer]]
buyer_code = "far"
title = "a buyer far away"
region_code = "far"
currency_code = "JPY"
exchange_margin_pct = 0.5
[[joint_order]]
joint_order_code = "both"
title = "Both in one go"
model_codes = ["hut", "mill"]
buyer_code = "home"
"""
VENDORS = (
    ("north", "independent", "EUR", 1),
    ("south", "independent", "USD", 1.13),
    ("kobo", "independent", "JPY", 171),
    ("brim", "independent", "GBP", 0.87),
    ("works", "maker", "EUR", 1),
)  # fmt: skip
COLOURS = ("red", "blue", "grey")
PARTS = tuple(f"{number:05d}" for number in range(1, 13))
DAYS = ("2026-08-31", "2026-09-30", "2026-10-31")
RATES = {"USD": "0.8853", "JPY": "0.005839", "GBP": "1.1507"}


def tables() -> dict[str, list[dict[str, Any]]]:
    """Terms of every kind that asks for rounding."""
    return {
        "colours": [
            {"colour_code": code, "colour_name": code.title(), "srgb_hex": srgb, "colour_family": code, "finish": "plain"}
            for code, srgb in zip(COLOURS, ("#C01010", "#1030C0", "#909090"), strict=True)
        ],
        "parts": [
            {"part_code": part, "part_name": f"Block {part}", "part_family": "blocks" if part < "00007" else "plates"}
            for part in PARTS
        ],
        "vendors": [
            {"vendor_code": code, "vendor_name": code.title(), "vendor_kind": kind, "currency_code": money,
             "vendor_region_code": "far" if money == "JPY" else "isles" if money == "GBP" else "home"}
            for code, kind, money, _ in VENDORS
        ],
        "vendor_terms": [
            # Two orders of at most 40 pieces; a discount whose half cents are many; tax on goods alone.
            {"vendor_code": "north", "shipping_charge": "1.234", "discount_from": "0.5", "discount_pct": "7.35",
             "tax_rate_pct": "19", "tax_on": "goods", "maximum_piece_count": 40, "maximum_order_count": 2},
            {"vendor_code": "south", "shipping_charge": "0.455", "order_fee": "0.115", "order_fee_pct": "2.9",
             "tax_rate_pct": "8.875", "tax_on": "goods_and_shipping"},
            {"vendor_code": "kobo", "shipping_charge": "77.5", "tax_rate_pct": "10", "tax_on": "included"},
            {"vendor_code": "brim", "shipping_charge": "0.335", "order_fee": "0.125", "discount_from": "0.3",
             "discount_pct": "3.3", "tax_rate_pct": "20", "tax_on": "included"},
            {"vendor_code": "works", "shipping_charge": "0.99", "tax_rate_pct": "19", "tax_on": "included"},
        ],
        "handling_charges": [
            {"vendor_code": "works", "assortment_code": "loose", "handling_charge": "0.335", "handling_waived_from": "14"},
        ],
        "border_charges": [
            {"buyer_region_code": buyer, "vendor_region_code": vendor, "currency_code": money, "goods_from": "0",
             "duty_pct": "4.7", "clearance_charge": clearance}
            for buyer, vendor, money, clearance in (("home", "isles", "EUR", "0.055"), ("home", "far", "EUR", "0.255"),
                                                    ("far", "home", "JPY", "12.5"))
        ],
        "exchange_rates": [
            {"rate_on": day, "from_currency_code": money, "to_currency_code": "EUR", "exchange_rate": rate}
            for day in DAYS for money, rate in RATES.items()
        ] + [
            {"rate_on": day, "from_currency_code": "JPY", "to_currency_code": money, "exchange_rate": rate}
            for day in DAYS for money, rate in (("USD", "0.006613"), ("GBP", "0.005087"))
        ],
        "stock_on_hand": [{"part_code": "00003", "colour_code": "red", "condition": "new", "quantity_on_hand": 2}],
    }  # fmt: skip


def _model(code: str, first: int) -> dict[str, str]:
    lines = [(number, PARTS[(first + number) % 12], COLOURS[number % 3], 5 + 7 * number % 11) for number in range(1, 9)]
    parts = "line_number,part_code,colour_code,quantity\n" + "".join(",".join(map(str, line)) + "\n" for line in lines)
    return {
        "model.toml": f'model_code = "{code}"\ntitle = "A {code}"\npublish_lines = "all"\n[instructions]\nprice = 21.35\n'
        'currency_code = "USD"\n[[instructions.discounts]]\npct = 12.5\nreason = "autumn"\n[[instructions.discounts]]\npct = 3.3\n'
        "[[versions]]\nlist_version = 1\nreleased_on = 2026-01-01\n",
        # Nobody sells part 99999: an estimate has nothing to go by, and 00012 in grey is sold too little.
        "parts.csv": parts + f"9,00012,grey,{400 + first}\n",
        "flexible_lines.csv": "line_number,colour_rule\n2,any\n3,any\n5,any\n",
        "amendments.csv": "line_number,amendment_action,part_code,colour_code,quantity,colour_rule,valid_from_on,reason\n"
        "20,add,00007,,4,any,2026-09-15,stiffer\n",
    }


def exports() -> dict[str, str]:
    """Each vendor's full export at each month end; prices with up to six decimals, cheap vendors different per part."""
    found = {}
    for month, day in enumerate(DAYS):
        for at, (vendor, _, money, level) in enumerate(VENDORS):
            offers = [
                {
                    "part": part, "colour": colour, "stock": 90, "price": f"{_price(number, shade, at, month) * level:.6f}",
                    "assortment_code": "loose" if vendor == "works" and number % 2 else None,
                }
                for number, part in enumerate(PARTS)
                for shade, colour in enumerate(COLOURS)
                if (number + shade + at) % 4
            ]  # fmt: skip
            found[f"{vendor}-{day}.csv"] = full_export(vendor, money, day, *offers)
    return found


def _price(number: int, shade: int, vendor: int, month: int) -> float:
    """Each vendor is by far the cheapest for some elements, so that a plan orders from all."""
    is_cheap = (number + 2 * shade) % 5 == vendor
    return (0.021234 + 0.003331 * ((number * 7 + shade * 3 + month) % 10)) * (1 if is_cheap else 9 + vendor)


def money_workspace(root: Path) -> Workspace:
    """The workspace, with all its exports in the inbox."""
    workspace = write_workspace(root, SETTINGS, tables(), {"hut": _model("hut", 0), "mill": _model("mill", 5)})
    for name, text in exports().items():
        (workspace.inbox / name).write_text(text, encoding="utf-8")
    return workspace
