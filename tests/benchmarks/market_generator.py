"""Random purchase problems of realistic size: seeded, so that a figure measured once can be measured again.

Prices, stock and quantities are lognormal; what vendors charge, and how much they hold, is invented (common practice, no
source).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import polars as pl

from pipelines.costing.terms import Handling, ShippingStep, VendorTerms
from pipelines.planner.statement.problem import OFFER_SCHEMA, PORTION_SCHEMA, STEP_SCHEMA, USE_SCHEMA, Problem

MONEY = pl.Decimal(18, 6)


@dataclass(frozen=True)
class Market:
    """Sizes of a generated problem.

    Attributes:
        line_count: lines of the model; most have one portion, a tenth have two.
        piece_count: pieces of the model, about.
        free_share: share of the lines of which a portion may be in any of up to ``colour_count`` colours.
        vendor_count: vendors, each with ``offers_per_vendor`` (least, most) offers that fit some portion.
        offers_spread: the logarithm's standard deviation of a vendor's offers around the mean of those two, if above 0: most
            vendors hold little of what is needed, and a few much.
        rule_share: share of vendors with waivers, minimums, price steps and multiples.
    """

    line_count: int = 255
    piece_count: int = 3_100
    free_share: float = 0.3
    colour_count: int = 25
    vendor_count: int = 40
    offers_per_vendor: tuple[int, int] = (250, 600)
    offers_spread: float = 0.0
    rule_share: float = 0.0
    shipping: str = "7"
    tax_rate_pct: str = "7"


def vendor_market(vendor_count: int, rule_share: float = 0.0) -> Market:
    """A market of the size of a trade: about 106 fitting offers per vendor, 30 % of the lines free among 2 to 8 colours."""
    return Market(
        piece_count=3_000,
        colour_count=8,
        vendor_count=vendor_count,
        offers_per_vendor=(5, 230),
        offers_spread=0.7,
        rule_share=rule_share,
        tax_rate_pct="0",
    )


def random_problem(seed: int, market: Market = Market()) -> Problem:
    """A purchase problem of the sizes asked for."""
    rng = np.random.default_rng(seed)
    portions, needed = _portions(rng, market)
    elements = _elements(rng, needed)
    offers = _offers(rng, market, elements)
    ruled = {f"v{number:05d}" for number in rng.permutation(market.vendor_count)[: _share(market)]}
    offers = _with_multiples(rng, offers, ruled)
    steps = _steps(rng, offers, ruled)
    uses = (
        needed.join(offers.select("part_code", "colour_code", "offer_index"), on=["part_code", "colour_code"])
        .with_columns(combination_code=pl.lit(""), component_part_code=pl.lit(""), component_count=pl.lit(1, pl.Int64))
        .select(USE_SCHEMA.names())
        .sort("portion_index", "offer_index")
    )
    vendor_codes = sorted(set(offers["vendor_code"]))
    terms = {code: _terms(rng, code, market, code in ruled) for code in vendor_codes}
    return Problem(portions, offers.select(OFFER_SCHEMA.names()), steps, uses, terms)


def _share(market: Market) -> int:
    return round(market.vendor_count * market.rule_share)


def _portions(rng: np.random.Generator, market: Market) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Portions, and which elements each may take (portion_index, part_code, colour_code)."""
    weights = rng.lognormal(0.0, 1.0, market.line_count)
    quantities = np.maximum(1, np.round(weights / weights.sum() * market.piece_count)).astype(int)
    part_count = max(1, market.line_count * 3 // 5)
    chosen = rng.permutation(part_count * market.colour_count)[: market.line_count]
    is_free = rng.random(market.line_count) < market.free_share
    is_split = rng.random(market.line_count) < 0.1
    made_in = 1 + rng.integers(1, market.colour_count, part_count)  # colours a part is made in
    portions: list[Any] = []
    needed: list[Any] = []
    for line, (element, quantity) in enumerate(zip(chosen, quantities, strict=True), start=1):
        part, colour = divmod(int(element), market.colour_count)
        free = set(range(int(made_in[part]))) | {colour}
        shares = [(int(quantity) - int(quantity) // 2, False), (int(quantity) // 2, True)]
        for number, (share, may_be_free) in enumerate(
            shares if is_split[line - 1] else [(int(quantity), True)], start=1
        ):
            if share:
                index = len(portions)
                portions.append((index, line, number, share, ""))
                colours = sorted(free) if is_free[line - 1] and may_be_free else [colour]
                needed += [(index, f"p{part:05d}", f"c{c:02d}") for c in colours]
    return (
        pl.DataFrame(portions, schema=PORTION_SCHEMA, orient="row"),
        pl.DataFrame(needed, schema=["portion_index", "part_code", "colour_code"], orient="row"),
    )


def _elements(rng: np.random.Generator, needed: pl.DataFrame) -> pl.DataFrame:
    """The elements needed, with a typical price each; those only a flexibility asks for are rarer at a vendor."""
    elements = needed.group_by("part_code", "colour_code").agg(pl.len().alias("n")).sort("part_code", "colour_code")
    parts = elements["part_code"].unique().sort()
    base = dict(zip(parts, rng.lognormal(np.log(0.08), 0.8, len(parts)), strict=True))
    factor = rng.lognormal(0.0, 0.45, len(elements))
    price = np.array([base[part] for part in elements["part_code"]]) * factor
    listed = needed.filter(pl.len().over("portion_index") == 1)
    is_listed = elements.join(listed, on=["part_code", "colour_code"], how="semi")
    popularity = rng.lognormal(0.0, 0.8, len(elements))
    keys = set(is_listed.select("part_code", "colour_code").iter_rows())
    bonus = np.array([3.0 if key in keys else 1.0 for key in elements.select("part_code", "colour_code").iter_rows()])
    return elements.with_columns(price=pl.Series(price), popularity=pl.Series(popularity * bonus)).drop("n")


def _offers(rng: np.random.Generator, market: Market, elements: pl.DataFrame) -> pl.DataFrame:
    popularity = elements["popularity"].to_numpy() / elements["popularity"].sum()
    frames = []
    for number in range(market.vendor_count):
        count = min(_offer_count(rng, market), len(elements))
        rows = np.sort(rng.choice(len(elements), count, replace=False, p=popularity))
        level = rng.lognormal(0.0, 0.2)
        price = np.maximum(elements["price"].to_numpy()[rows] * level * rng.lognormal(0.0, 0.35, count), 0.005)
        frames.append(
            elements[rows].select(
                "part_code",
                "colour_code",
                vendor_code=pl.lit(f"v{number:05d}"),
                quantity_available=pl.Series(np.ceil(rng.lognormal(np.log(25), 1.2, count)).astype(np.int64)),
                price_cents=pl.Series(np.ceil(price * 1000).astype(np.int64)),
                assortment_code=pl.Series([f"a{kind}" for kind in rng.integers(0, 4, count)]),
            )
        )
    return (
        pl.concat(frames)
        .with_row_index("offer_index")
        .with_columns(
            pl.col("offer_index").cast(pl.Int64),
            offer_id=pl.format("o{}", "offer_index"),
            condition=pl.lit("new"),
            listing_code=pl.lit(""),
            sold_in_multiples_of=pl.lit(1, pl.Int64),
            maximum_per_order=pl.lit(None, pl.Int64),
            weight_grams=pl.lit(Decimal("1.2")).cast(MONEY),
            largest_dimension_mm=pl.lit(Decimal(32)).cast(MONEY),
        )
    )


def _offer_count(rng: np.random.Generator, market: Market) -> int:
    least, most = market.offers_per_vendor
    if market.offers_spread == 0:
        return int(rng.integers(least, most + 1))
    spread = market.offers_spread
    drawn = rng.lognormal(np.log((least + most) / 2) - spread**2 / 2, spread)
    return int(np.clip(round(drawn), least, most))


def _with_multiples(rng: np.random.Generator, offers: pl.DataFrame, ruled: set[str]) -> pl.DataFrame:
    multiple = rng.choice([1, 1, 1, 2, 5, 10], len(offers))
    has_rules = offers["vendor_code"].is_in(list(ruled)).to_numpy()
    multiple = np.where(has_rules & (multiple <= offers["quantity_available"].to_numpy()), multiple, 1)
    return offers.with_columns(sold_in_multiples_of=pl.Series(multiple, dtype=pl.Int64))


def _steps(rng: np.random.Generator, offers: pl.DataFrame, ruled: set[str]) -> pl.DataFrame:
    first = offers.select("offer_index", pl.lit(1, pl.Int64).alias("step_from_quantity"), "price_cents")
    stepped = offers.filter(
        pl.col("vendor_code").is_in(list(ruled))
        & pl.Series(rng.random(len(offers)) < 0.2)
        & (pl.col("quantity_available") >= 50)
    )
    second = stepped.select(
        "offer_index", pl.lit(50, pl.Int64).alias("step_from_quantity"), (pl.col("price_cents") * 9 + 9) // 10
    )
    return (
        pl.concat([first, second])
        .select(
            "offer_index",
            "step_from_quantity",
            (pl.col("price_cents").cast(pl.Decimal(18, 0)) * pl.lit(Decimal("0.001"))).cast(MONEY).alias("unit_price"),
        )
        .cast(STEP_SCHEMA)
        .sort("offer_index", "step_from_quantity")
    )


def _terms(rng: np.random.Generator, code: str, market: Market, has_rules: bool) -> VendorTerms:
    plain: dict[str, Any] = {"shipping_charge": Decimal(market.shipping), "tax_rate_pct": Decimal(market.tax_rate_pct)}
    if not has_rules:
        return VendorTerms(code, **plain)
    kind = rng.permutation(5)[:3]
    rules: dict[str, Any] = {}
    if 0 in kind:
        rules["shipping_waived_from"] = Decimal(int(rng.integers(20, 60)))
    if 1 in kind:
        rules["minimum_order"] = Decimal(int(rng.integers(3, 15)))
    if 2 in kind:
        rules["handling"] = {f"a{n}": Handling(Decimal(1), Decimal(int(rng.integers(3, 9)))) for n in range(2)}
    if 3 in kind:
        rules["discount_from"], rules["discount_pct"] = Decimal(int(rng.integers(20, 50))), Decimal(5)
    if 4 in kind:
        ends = [(0, 500, "0"), (500, 1500, "1.5"), (1500, 5000, "4")]
        rules["shipping_steps"] = tuple(
            ShippingStep("weight_grams", Decimal(start), Decimal(end), Decimal(charge)) for start, end, charge in ends
        )
    return VendorTerms(code, **plain, **rules)
