"""Wrong exports of every kind, made of a good one: well formed, and not true."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from tests.attacks.market_nights import VENDORS, MarketNight, Offer, export_text
from tests.attacks.wrong_nights import Wrong


@dataclass(frozen=True)
class Draft:
    """What an export states, before it is written."""

    vendor: str
    day: date | str
    offers: list[Offer]
    currency: str = "EUR"
    coverage: str = "full"

    def times(self, factor: float, every: int = 1) -> Draft:
        """Prices times a factor, of every so-manieth offer."""
        offers = [
            replace(offer, unit_price=f"{float(offer.unit_price) * factor:.5f}") if n % every == 0 else offer
            for n, offer in enumerate(self.offers)
        ]
        return replace(self, offers=offers)


Change = Callable[[random.Random, Draft, MarketNight], Draft]


def _slipped(rng: random.Random, good: Draft, _night: MarketNight) -> Draft:
    by = rng.randint(5, 20)
    prices = [offer.unit_price for offer in good.offers]
    return replace(
        good,
        offers=[replace(o, unit_price=p) for o, p in zip(good.offers, [*prices[by:], *prices[:by]], strict=True)],
    )


def _other_list(rng: random.Random, good: Draft, night: MarketNight) -> Draft:
    return replace(good, offers=night.offers[rng.choice([vendor for vendor in VENDORS if vendor != good.vendor])])


def _colour_mistyped(_rng: random.Random, good: Draft, _night: MarketNight) -> Draft:
    return replace(good, offers=[replace(o, colour_code=o.colour_code.replace("red", "rde")) for o in good.offers])


def _one_mistyped(rng: random.Random, good: Draft, _night: MarketNight) -> Draft:
    at = rng.randrange(len(good.offers))
    offers = [replace(o, colour_code=o.colour_code[::-1]) if n == at else o for n, o in enumerate(good.offers)]
    return replace(good, offers=offers)


def _year(day: date | str, year: int) -> date:
    assert isinstance(day, date)
    return day.replace(year=year, day=min(day.day, 28))


KINDS: dict[str, Change] = {
    "a later date": lambda rng, good, night: replace(good, day=night.day + timedelta(days=rng.randint(3, 400))),
    "the end of time": lambda rng, good, night: replace(good, day="9999-12-31"),
    "a year long past": lambda rng, good, night: replace(good, day=_year(good.day, rng.randint(2005, 2020))),
    "one row of a year long past": lambda rng, good, night: replace(
        good, day=_year(good.day, 2016), offers=good.offers[:1], coverage="partial"
    ),
    "prices x 100": lambda rng, good, night: good.times(100),
    "prices / 100": lambda rng, good, night: good.times(0.01),
    "prices x 10": lambda rng, good, night: good.times(10),
    "some prices / 10": lambda rng, good, night: good.times(0.1, every=rng.randint(3, 6)),
    "all much dearer": lambda rng, good, night: good.times(rng.uniform(1.7, 3)),
    "prices in other rows": _slipped,
    "another currency": lambda rng, good, night: replace(good, currency="USD"),
    "no currency at all": lambda rng, good, night: replace(good, currency="XQX"),
    "half gone": lambda rng, good, night: replace(good, offers=good.offers[: rng.randint(20, 31)]),
    "nothing listed": lambda rng, good, night: replace(good, offers=[]),
    "another vendor's list": _other_list,
    "a colour mistyped": _colour_mistyped,
    "one code mistyped": _one_mistyped,
    "parts renamed": lambda rng, good, night: replace(
        good, offers=[replace(o, part_code="x" + o.part_code) for o in good.offers]
    ),
    "the vendor mistyped": lambda rng, good, night: replace(good, vendor=good.vendor[:-1] + "0"),
}  # fmt: skip


def wrong_export(rng: random.Random, market: Sequence[MarketNight], number: int) -> Wrong:
    """The number decides the kind; the vendor and the figures are drawn."""
    night = market[-1]
    kind = list(KINDS)[number % len(KINDS)]
    vendor = rng.choice(VENDORS)
    made = KINDS[kind](rng, Draft(vendor, night.day, night.offers[vendor]), night)
    text = export_text(made.vendor, made.day, made.offers, made.currency, made.coverage)
    # Each file differs, as each would have another hash: an empty list is the same for all else.
    return Wrong(kind, f"{rng.choice('az')}-wrong-{number}-{vendor}.csv", text.encode() + b"\n" * (number + 1))
