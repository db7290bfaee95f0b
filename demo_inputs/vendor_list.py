"""The invented vendors: forty independents in three regions and one maker's shop, and the terms they sell on."""

from __future__ import annotations

import random
from dataclasses import dataclass

REGIONS = ("coast", "isles", "fells")
CURRENCY = {"coast": "EUR", "isles": "GBP", "fells": "SEK"}
MAKER = "mainhall"
ASSORTMENTS = ("stockroom", "workshop")
"""The maker's two assortments; each has its own handling charge."""
SCALE = {"EUR": 1.0, "GBP": 0.86, "SEK": 11.2}
"""Invented number of units that buy about what one EUR buys."""


@dataclass(frozen=True)
class Vendor:
    """One vendor. ``range_size`` is the number of elements it would list new; ``level`` is added to its log prices.

    ``layout`` names the shape of its exports (see layouts.py). ``opens`` and ``closes`` are months, '' for ever.
    Habits: used (a fifth of its offers are used), steps (price steps), multiples (sells in fives and tens), bulk (large
    stocks), small (small stocks), open (often leaves the form open), or a part family it specialises in.
    """

    code: str
    name: str
    region: str
    layout: str
    range_size: int
    level: float
    opens: str = ""
    closes: str = ""
    habits: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        """independent or maker's shop."""
        return "maker" if self.code == MAKER else "independent"

    @property
    def currency(self) -> str:
        """Currency of its prices."""
        return CURRENCY[self.region]


_TABLE = """
mainhall    | The Main Hall             | coast | hall   | 720 | -0.11 |         |         | bulk
vessmoor    | Vessmoor Bins             | coast | bins   | 640 | -0.10 |         |         | bulk,steps
ardlepuck   | Ardlepuck Loose Parts     | coast | bins   | 600 | -0.06 |         |         | bulk
quillrock   | Quillrock Drawers         | coast | bins   | 560 | -0.02 |         |         | used,bulk
hobblecote  | Hobblecote Oddments       | coast | bins   | 430 |  0.00 |         |         | multiples
fennaby     | Fennaby Back Room         | coast | bins   | 380 |  0.04 |         |         | frames
drovelow    | Drovelow Tray             | coast | bins   | 340 | -0.08 |         |         | used,small
saltmarrow  | Saltmarrow Sorting Table  | coast | bins   | 330 |  0.10 |         |         | open
kettlesea   | Kettlesea Parts Shelf     | coast | bins   | 310 | -0.16 |         |         |
brindlecomb | Brindlecomb Boxes         | coast | bins   | 300 | -0.12 |         | 2026-02 | bulk
mossgarrow  | Mossgarrow Attic          | coast | bins   | 280 |  0.15 |         |         | used,small
plovergate  | Plovergate Bins           | coast | bins   | 270 | -0.14 | 2025-03 |         |
thistledyke | Thistledyke Drawers       | coast | bins   | 250 | -0.04 |         |         | slopes
wintercoff  | Wintercoff Loose Parts    | coast | bins   | 240 |  0.08 |         | 2025-06 |
ombrelwick  | Ombrelwick Shelf          | coast | bins   | 220 |  0.12 | 2025-09 |         | small
gullanter   | Gullanter Heap            | coast | bins   | 200 | -0.15 |         |         | used,multiples
marlipool   | Marlipool Tables          | coast | fells  | 560 | -0.05 |         |         | steps,bulk
hedgeworth  | Hedgeworth Jars           | coast | fells  | 320 | -0.05 |         |         |
cobblemere  | Cobblemere Cabinet        | coast | fells  | 260 |  0.07 |         |         | tiles
larkhythe   | Larkhythe Parts           | coast | fells  | 230 | -0.09 | 2026-05 |         | small
sandwhistle | Sandwhistle Chest         | coast | bins   | 260 |  0.00 |         |         | plates
skerrywig   | Skerrywig Bins            | isles | isles  | 560 | -0.07 |         |         | bulk
tangleholt  | Tangleholt Lockers        | isles | isles  | 420 |  0.00 |         |         | multiples
puffinsby   | Puffinsby Loose Parts     | isles | isles  | 360 |  0.05 |         |         |
norrayvow   | Norrayvow Shed            | isles | isles  | 320 | -0.03 |         |         | used
whelknoss   | Whelknoss Oddments        | isles | isles  | 300 |  0.09 |         |         | open
selkwick    | Selkwick Drawers          | isles | isles  | 280 | -0.10 |         |         | frames
driftayle   | Driftayle Boxes           | isles | isles  | 260 |  0.02 |         | 2026-08 |
cairnmuddle | Cairnmuddle Tins          | isles | isles  | 240 |  0.12 |         |         | small
limpetvow   | Limpetvow Parts           | isles | isles  | 220 | -0.05 |         |         |
ravenook    | Ravenook Bench            | isles | isles  | 210 |  0.04 |         |         | used,small
ljungmyrra  | Ljungmyrra lådor          | fells | fells  | 540 | -0.08 |         |         | bulk
vrakeback   | Vråkebäcks hyllor         | fells | fells  | 400 |  0.00 |         |         | steps
stenmoka    | Stenmöka lösa bitar       | fells | fells  | 340 |  0.05 |         |         |
asoknagg    | Åsöknaggens förråd        | fells | fells  | 280 | -0.04 |         |         | used
morknava    | Mörknäva bitar            | fells | bins   | 460 | -0.11 |         |         | bulk
gaddtratt   | Gäddtrattens bänk         | fells | bins   | 260 |  0.06 |         |         | bricks
snohopp     | Snöhopps fack             | fells | bins   | 220 |  0.10 |         |         | small
alvpimpa    | Älvpimpa vind             | fells | tarn   | 170 | -0.02 |         |         |
tjarnhake   | Tjärnhakens skåp          | fells | tarn   | 150 |  0.03 |         |         | frames
bjorkhola   | Björkhöla krokar          | fells | tarn   | 130 |  0.08 |         |         | used
"""


def _vendors() -> tuple[Vendor, ...]:
    found = []
    for line in _TABLE.strip().splitlines():
        code, name, region, layout, size, level, opens, closes, habits = (cell.strip() for cell in line.split("|"))
        kept = tuple(habit for habit in habits.split(",") if habit)
        found.append(Vendor(code, name, region, layout, int(size), float(level), opens, closes, kept))
    return tuple(found)


VENDORS = _vendors()

TERMS_COLUMNS = (
    "vendor_code", "buyer_region_code", "valid_from_on", "shipping_charge", "shipping_waived_from", "minimum_order", "soft_minimum",
    "soft_minimum_charge", "minimum_line_value", "order_fee", "order_fee_pct", "discount_from", "discount_pct", "tax_rate_pct", "tax_on",
    "maximum_element_count", "maximum_piece_count",
)  # fmt: skip

# What single vendors do otherwise, in EUR of their home terms; amounts are scaled to the vendor's currency.
_OWN_WAYS: dict[str, dict[str, object]] = {
    "vessmoor": {"minimum_order": 10, "discount_from": 80, "discount_pct": 5, "minimum_line_value": 0.1},
    "ardlepuck": {"shipping_waived_from": 120, "minimum_order": 12},
    "quillrock": {"soft_minimum": 15, "soft_minimum_charge": 1.5},
    "hobblecote": {"shipping_waived_from": 75},
    "fennaby": {"order_fee_pct": 2.5},
    "drovelow": {"minimum_order": 5, "maximum_element_count": 60},
    "saltmarrow": {"shipping_waived_from": 60, "discount_from": 40, "discount_pct": 8},
    "kettlesea": {"tax_rate_pct": 20, "tax_on": "goods", "minimum_order": 8},
    "mossgarrow": {"order_fee": 0.5},
    "plovergate": {"tax_rate_pct": 20, "tax_on": "goods_and_shipping"},
    "thistledyke": {"minimum_order": 15, "minimum_line_value": 0.2},
    "gullanter": {"maximum_piece_count": 600, "soft_minimum": 10, "soft_minimum_charge": 1},
    "marlipool": {"discount_from": 100, "discount_pct": 10, "minimum_order": 20},
    "hedgeworth": {"tax_rate_pct": 8, "tax_on": "goods"},
    "cobblemere": {"order_fee": 0.35, "order_fee_pct": 1.5},
    "sandwhistle": {"minimum_order": 35},
    "skerrywig": {"shipping_waived_from": 90, "minimum_order": 10},
    "tangleholt": {"discount_from": 60, "discount_pct": 6},
    "norrayvow": {"soft_minimum": 12, "soft_minimum_charge": 1.2},
    "selkwick": {"minimum_order": 6},
    "ljungmyrra": {"shipping_waived_from": 150, "minimum_order": 9},
    "vrakeback": {"order_fee_pct": 3},
    "stenmoka": {"discount_from": 70, "discount_pct": 5},
    "morknava": {"minimum_order": 18, "maximum_piece_count": 2500},
    "bjorkhola": {"maximum_element_count": 40},
}
_INCLUDED = {  # registered sellers whose displayed prices contain the tax
    "mainhall", "vessmoor", "ardlepuck", "hobblecote", "fennaby", "saltmarrow", "quillrock", "marlipool", "brindlecomb", "thistledyke", "skerrywig",
    "tangleholt", "puffinsby", "ljungmyrra", "vrakeback", "morknava",
}  # fmt: skip
_STAYS_HOME = {
    "drovelow", "mossgarrow", "wintercoff", "gullanter", "larkhythe", "hedgeworth", "sandwhistle", "ombrelwick", "cairnmuddle", "ravenook",
    "whelknoss", "bjorkhola", "alvpimpa", "snohopp",
}  # fmt: skip
_BY_STEPS = {"fennaby", "puffinsby", "hedgeworth", "kettlesea"}
_RAISED = {"ardlepuck": "2025-07-01", "kettlesea": "2025-07-01", "drovelow": "2026-01-01", "cobblemere": "2026-01-01", "puffinsby": "2025-10-01",
           "selkwick": "2026-04-01", "ljungmyrra": "2026-01-01", "asoknagg": "2025-04-01"}  # fmt: skip


def vendor_terms() -> list[dict[str, object]]:
    """The rows of vendor_terms.csv. Small vendors ask about 7 for a parcel, some 6 (common practice, no source)."""
    chance = random.Random("terms")
    rows: list[dict[str, object]] = []
    for vendor in VENDORS:
        cheap_parcel = chance.random() < 0.3
        if vendor.code == MAKER:
            for region, charge in (("coast", 5.9), ("isles", 8.9)):
                tax = {"tax_rate_pct": 20, "tax_on": "included"} if region == "coast" else {}
                rows.append(_terms(vendor, region, charge, shipping_waived_from=35, **tax))
            continue
        for region in REGIONS:
            if region == vendor.region:
                rows.extend(_home_terms(vendor, cheap_parcel))
            elif region == "coast" and vendor.region == "fells" or region != "fells" and vendor.code not in _STAYS_HOME:
                abroad = {"coast": 10.5, "isles": 12.0}[region] - (1.0 if cheap_parcel else 0.0)
                least = {"minimum_order": _money(15, vendor)} if chance.random() < 0.4 else {}
                rows.append(_terms(vendor, region, _money(abroad, vendor), **least))
    return rows


def _home_terms(vendor: Vendor, cheap_parcel: bool) -> list[dict[str, object]]:
    ways = {key: _scaled(key, value, vendor) for key, value in _OWN_WAYS.get(vendor.code, {}).items()}
    tax = {"tax_rate_pct": 20, "tax_on": "included"} if vendor.code in _INCLUDED else {}
    charge = 0 if vendor.code in _BY_STEPS else 6 if cheap_parcel else 7
    rows = [_terms(vendor, vendor.region, _money(charge, vendor), **(tax | ways))]
    if vendor.code in _RAISED and charge:
        before = _terms(vendor, vendor.region, _money(charge - 1, vendor), **(tax | ways))
        rows = [before, rows[0] | {"valid_from_on": _RAISED[vendor.code]}]
    return rows


def _terms(vendor: Vendor, region: str, charge: object, **more: object) -> dict[str, object]:
    blank = dict.fromkeys(TERMS_COLUMNS, "")
    found = {
        "vendor_code": vendor.code,
        "buyer_region_code": region,
        "valid_from_on": "2024-01-01",
        "shipping_charge": charge,
    }
    return blank | found | more


def _scaled(key: str, value: object, vendor: Vendor) -> object:
    plain = key.endswith(("_pct", "_on", "_count"))
    return value if plain else _money(float(str(value)), vendor)


def _money(amount_eur: float, vendor: Vendor) -> object:
    """The amount in the vendor's currency, as a vendor would write it: parcels cost 7 or 75, not 78.40."""
    if vendor.currency == "SEK":
        scaled = amount_eur * 10.7
        return round(scaled / 5) * 5 if scaled >= 10 else round(scaled)
    return round(amount_eur, 2) if amount_eur != int(amount_eur) else int(amount_eur)


def shipping_steps() -> list[dict[str, object]]:
    """The rows of shipping_steps.csv: three vendors ship by weight, one by goods value, one also by length."""
    rows = []
    weight = ((0, 250, 5.5), (250, 1000, 7), (1000, 2000, 9), (2000, 5000, 12.5), (5000, 20000, 22))
    by_vendor = {vendor.code: vendor for vendor in VENDORS}
    for code in sorted(_BY_STEPS - {"kettlesea"}):
        vendor = by_vendor[code]
        for low, high, charge in weight:
            rows.append(_step(vendor, "weight_grams", low, high, _money(charge, vendor)))
    kettlesea = by_vendor["kettlesea"]
    for low, end, charge in ((0, 25, 6), (25, 60, 7), (60, 100, 4), (100, "", 0)):
        rows.append(_step(kettlesea, "goods_value", low, end, charge))
    for low, high, charge in ((0, 100, 0), (100, 400, 2.5)):
        rows.append(_step(by_vendor["fennaby"], "largest_dimension_mm", low, high, charge))
    return rows


def _step(vendor: Vendor, basis: str, low: object, high: object, charge: object) -> dict[str, object]:
    return {
        "vendor_code": vendor.code, "buyer_region_code": vendor.region, "valid_from_on": "2024-01-01", "step_basis": basis, "step_from": low,
        "step_to": high, "step_charge": charge,
    }  # fmt: skip


def handling_charges() -> list[dict[str, object]]:
    """Per assortment, waived once its subtotal reaches 14 (common practice, no source)."""
    return [
        {
            "vendor_code": MAKER,
            "assortment_code": name,
            "valid_from_on": "2024-01-01",
            "handling_charge": charge,
            "handling_waived_from": 14,
        }
        for name, charge in zip(ASSORTMENTS, (3, 3.5), strict=True)
    ]


def border_charges() -> list[dict[str, object]]:
    """Between each pair of regions: small parcels free, then clearance, then duty as well."""
    rows = []
    for buyer, seller, free_to, duty, clearance in (
        ("coast", "isles", 150, 4.5, 11), ("isles", "coast", 135, 4.5, 9), ("isles", "fells", 135, 4.5, 9),
    ):  # fmt: skip
        for goods_from, duty_pct, charge in ((0, 0, 0), (40, 0, 1.5), (free_to, duty, clearance)):
            rows.append({
                "buyer_region_code": buyer, "vendor_region_code": seller, "valid_from_on": "2024-01-01", "currency_code": CURRENCY[buyer],
                "goods_from": goods_from, "duty_pct": duty_pct, "clearance_charge": charge,
            })  # fmt: skip
    return rows


def vendor_closures() -> list[dict[str, object]]:
    """Days without orders: a stocktaking, a summer, and holidays that are announced."""
    return [
        {"vendor_code": code, "closed_from_on": begins, "opens_again_on": opens, "reason": why}
        for code, begins, opens, why in (
            ("hobblecote", "2026-10-15", "2026-10-20", "stocktaking"),
            ("puffinsby", "2026-12-19", "2027-01-04", "winter holidays"),
            ("tangleholt", "2025-07-07", "2025-07-21", "summer holidays"),
            ("tangleholt", "2026-07-06", "2026-07-20", "summer holidays"),
        )
    ]
