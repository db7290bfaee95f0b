"""A small market over many nights: six vendors, each with a full export a night, and one model to price."""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from pipelines.workspace import Workspace
from tests.builders.workspaces import make_workspace

FIRST_NIGHT = date(2026, 3, 28)
"""Near the end of a month, so that a few nights record index levels of two months."""
VENDORS = ("ash", "birch", "cedar", "elm", "fir", "larch")
COLOURS = ("red", "blue")
PART_COUNT = 40
OFFERED = 60
USED, STEPPED = 5, 4
"""Every fifth element is offered used; every fourth has a lower price from STEP_FROM pieces on."""
STEP_FROM, STEP_SHARE = 25, 0.85
HEADER = "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available,observed_on,step_from_quantity,coverage\n"
LINE_COUNT = 12


@dataclass(frozen=True)
class Offer:
    """One row of an export."""

    part_code: str
    colour_code: str
    unit_price: str
    quantity_available: int
    condition: str = "new"
    step_from_quantity: int = 1


@dataclass(frozen=True)
class MarketNight:
    """What every vendor offers on a day."""

    day: date
    offers: dict[str, list[Offer]]

    def export(self, vendor: str) -> str:
        """The vendor's full export, in our columns."""
        return HEADER + "".join(
            f"{vendor},{o.part_code},{o.colour_code},{o.condition},{o.unit_price},EUR,{o.quantity_available},{self.day},{o.step_from_quantity},full\n"
            for o in self.offers[vendor]
        )

    def file_name(self, vendor: str) -> str:
        """The name it is dropped under."""
        return f"{vendor}-{self.day}.csv"


def nights(count: int, seed: int) -> list[MarketNight]:
    """Nights one after the other: prices wander a little, stock changes, a few offers come and go."""
    rng = random.Random(seed)
    elements = [(f"{100 + n:05d}", colour) for n in range(PART_COUNT) for colour in COLOURS]
    level = {element: rng.uniform(0.04, 0.9) for element in elements}
    dearness = {vendor: rng.uniform(0.85, 1.2) for vendor in VENDORS}
    price = {(v, e): level[e] * dearness[v] * rng.uniform(0.9, 1.1) for v in VENDORS for e in elements}
    stock = {key: rng.randint(3, 200) for key in price}
    listed = {vendor: rng.sample(elements, OFFERED) for vendor in VENDORS}
    found = []
    for number in range(count):
        for vendor in VENDORS:
            for element in rng.sample(listed[vendor], 8):
                price[vendor, element] *= rng.uniform(0.97, 1.03)
            for element in rng.sample(listed[vendor], 10):
                stock[vendor, element] = rng.randint(3, 200)
            if rng.random() < 0.4:
                listed[vendor].remove(rng.choice(listed[vendor]))
                listed[vendor].append(rng.choice([e for e in elements if e not in listed[vendor]]))
        offers = {
            v: [offer for e in sorted(listed[v]) for offer in _offers(e, elements.index(e), price[v, e], stock[v, e])]
            for v in VENDORS
        }
        found.append(MarketNight(FIRST_NIGHT + timedelta(days=number), offers))
    return found


def _offers(element: tuple[str, str], number: int, price: float, stock: int) -> list[Offer]:
    condition = "new" if number % USED else "used"
    steps = [(1, 1.0)] if number % STEPPED else [(1, 1.0), (STEP_FROM, STEP_SHARE)]
    return [Offer(*element, f"{price * share:.3f}", stock, condition, step) for step, share in steps]


def make_place(root: Path) -> Workspace:
    """A workspace with the vendors, the parts and the model, and nothing in its inbox."""
    place = make_workspace(root)
    for path in place.inbox.iterdir():
        path.unlink()
    tables = {
        "parts": "part_code,part_name\n" + "".join(f"{100 + n:05d},Block {n}\n" for n in range(PART_COUNT)),
        "vendors": "vendor_code,vendor_name,vendor_kind,vendor_region_code,currency_code\n"
        + "".join(f"{vendor},{vendor.title()},independent,home,EUR\n" for vendor in VENDORS),
        "vendor_terms": "vendor_code,shipping_charge\n" + "".join(f"{v},{4 + n % 3}\n" for n, v in enumerate(VENDORS)),
    }
    for name, text in tables.items():
        (place.tables / f"{name}.csv").write_text(text, encoding="utf-8")
    lines = "".join(f"{n + 1},{100 + 3 * n:05d},{COLOURS[n % 2]},{5 + 7 * n % 30}\n" for n in range(LINE_COUNT))
    model = place.models / "hut"
    (model / "parts.csv").write_text("line_number,part_code,colour_code,quantity\n" + lines, encoding="utf-8")
    settings = (place.root / "kitfare.toml").read_text(encoding="utf-8")
    assert 'priced_on = "latest_export"' in settings and 'effort = "quick"' in settings
    return place
