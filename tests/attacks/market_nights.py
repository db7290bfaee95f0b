"""A small market over many nights: six vendors, each with a full export a night, and one model to price."""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from pipelines.workspace import Workspace
from tests.builders.workspaces import EXPORT_HEADER, make_workspace

FIRST_NIGHT = date(2026, 3, 28)
"""Near the end of a month, so that a few nights record index levels of two months."""
VENDORS = ("ash", "birch", "cedar", "elm", "fir", "larch")
COLOURS = ("red", "blue")
PART_COUNT = 40
OFFERED = 60
LINE_COUNT = 12


@dataclass(frozen=True)
class Offer:
    """One row of an export."""

    part_code: str
    colour_code: str
    unit_price: str
    quantity_available: int


@dataclass(frozen=True)
class MarketNight:
    """What every vendor offers on a day."""

    day: date
    offers: dict[str, list[Offer]]

    def export(self, vendor: str) -> str:
        """The vendor's full export."""
        return export_text(vendor, self.day, self.offers[vendor])

    def file_name(self, vendor: str) -> str:
        """The name it is dropped under."""
        return f"{vendor}-{self.day}.csv"


def export_text(
    vendor: str, day: date | str, offers: list[Offer], currency: str = "EUR", coverage: str = "full"
) -> str:
    """An export in our columns."""
    return EXPORT_HEADER + "".join(
        f"{vendor},{offer.part_code},{offer.colour_code},new,{offer.unit_price},{currency},{offer.quantity_available},{day},{coverage}\n"
        for offer in offers
    )


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
        offers = {v: [Offer(*e, f"{price[v, e]:.3f}", stock[v, e]) for e in sorted(listed[v])] for v in VENDORS}
        found.append(MarketNight(FIRST_NIGHT + timedelta(days=number), offers))
    return found


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
