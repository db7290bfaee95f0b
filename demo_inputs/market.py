"""The invented market: which vendor offers which element, and how prices and stocks change from month to month.

Reports can be checked against the constants below. A price in a vendor's own
currency in month m is exp(constant of the offer + trend(m, family) + wobble(m)), rounded to the vendor's decimals; the
wobble has mean zero. Prices change from one month's level to the next: all at once in the monthly exports, and in the
nightly ones each offer on a night of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from .catalogue import NOWHERE, OPEN_FORMS, USED_ONLY, by_code, maker_assortment, parts
from .model_plans import PLANS
from .palette import BY_CODE
from .revisions import COPIES, amendments_of, versions_of
from .vendor_list import MAKER, SCALE, VENDORS

DRIFT_PER_YEAR = 0.06
"""Log change of all prices in a year: they rise by 6.2 % a year."""
SEASON_AMPLITUDE = 0.03
"""Prices are this much above trend (in logs) at the end of December, and as much below at the end of June."""
SHOCK_MONTH, SHOCK_FAMILY, SHOCK_LOG = "2026-03", "frames", 0.30
"""In this one month the family costs 35 % more; a month later the shock is over."""
OFFER_SPREAD = 0.12
"""Standard deviation, in logs, of an offer's price around its element's usual price at its vendor's level."""
CHOOSY_SPREAD = 0.45
"""For one part in three the price differs this much, in logs, from colour to colour, besides the colours' usual dearness."""
WOBBLE = 0.03
"""Standard deviation, in logs, of a month's price around the offer's own level."""
USED_LOG = -0.35
"""Used pieces cost this much less, in logs."""
PRICE_SCALE = 1.55
"""Lifts the catalogue's base prices to the market's level."""

BULK_FOCUS = 9.0
"""How much more than others the large vendors keep to elements that models need."""
SURE_VENDORS = 4
"""Vendors that list an element needed by a model, sold out or not."""

LAST_NIGHT = date(2026, 10, 31)
NIGHT_COUNT = 30
MONTH_COUNT = 24  # monthly exports before the month of the nightly ones
MISSED = {("kettlesea", "2025-04"), ("norrayvow", "2025-11")}
"""Vendors that sent no export in a month."""


DROUGHTS = (
    ("B145", "FOX", "2025-01", "2025-03"),
    ("K130", "KLN", "2025-07", "2025-08"),
    ("B109", "MST", "2026-05", "2026-05"),
    ("S235", "BLY", "2025-10", "2026-01"),
    ("R145", "MOS", "2025-04", "2025-06"),
    ("P241", "STW", "2026-02", "2026-04"),
)
"""Elements that models need and nobody has from one month to another: such prices must be imputed."""


def _month_ends() -> list[date]:
    ends, first = [LAST_NIGHT], LAST_NIGHT.replace(day=1)
    for _ in range(MONTH_COUNT):
        ends.append(first - timedelta(days=1))
        first = ends[-1].replace(day=1)
    return ends[::-1]


MONTH_ENDS = _month_ends()
"""The 25 month ends; the last one is the last night."""
NIGHTS = [LAST_NIGHT - timedelta(days=NIGHT_COUNT - n) for n in range(1, NIGHT_COUNT + 1)]


def trend(month_end: date, family: str) -> float:
    """The planted log price level of a month for a part family; 0 is the first month without season."""
    months = (month_end.year - MONTH_ENDS[0].year) * 12 + month_end.month - MONTH_ENDS[0].month
    season = SEASON_AMPLITUDE * math.cos(2 * math.pi * (month_end.month - 12) / 12)
    shock = SHOCK_LOG if (f"{month_end:%Y-%m}", family) == (SHOCK_MONTH, SHOCK_FAMILY) else 0.0
    return DRIFT_PER_YEAR * months / 12 + season + shock


@dataclass(frozen=True)
class Market:
    """The offers (one row each) and their monthly state: arrays of offers by months."""

    offers: pl.DataFrame
    is_listed: np.ndarray
    price: np.ndarray  # in the vendor's currency, unrounded
    stock: np.ndarray
    night_of_price: np.ndarray
    night_of_stock: np.ndarray
    night_of_listing: np.ndarray

    def month(self, index: int) -> pl.DataFrame:
        """What vendors list at a month's end."""
        return self._rows(MONTH_ENDS[index], self.is_listed[:, index], self.price[:, index], self.stock[:, index])

    def night(self, number: int) -> pl.DataFrame:
        """What vendors list on a night, 1 to 30: between the last two month ends, each offer changing on its own night."""
        before, after = MONTH_COUNT - 1, MONTH_COUNT

        def moved(values: np.ndarray, night: np.ndarray) -> np.ndarray:
            return np.where(number >= night, values[:, after], values[:, before])

        return self._rows(
            NIGHTS[number - 1],
            moved(self.is_listed, self.night_of_listing),
            moved(self.price, self.night_of_price),
            moved(self.stock, self.night_of_stock),
        )

    def _rows(self, day: date, is_listed: np.ndarray, price: np.ndarray, stock: np.ndarray) -> pl.DataFrame:
        rows = self.offers.with_columns(
            pl.Series("price", price), pl.Series("quantity", stock), pl.lit(day).alias("observed_on")
        )
        return _with_steps(rows.filter(pl.Series(is_listed)))


def _with_steps(rows: pl.DataFrame) -> pl.DataFrame:
    """Round prices to whole ten-thousandths of the vendor's decimals, and add the price steps of vendors that have them."""
    large = rows.filter(pl.col("has_steps") & (pl.col("quantity") >= 80))
    levels = [(rows, 1, 1.0), (large, 25, 0.95), (large.filter(pl.col("quantity") >= 200), 100, 0.89)]
    every = pl.concat(
        frame.with_columns(pl.col("price") * factor, pl.lit(step, pl.Int64).alias("step"))
        for frame, step, factor in levels
    )
    unit = pl.col("price_unit")
    whole = pl.max_horizontal((pl.col("price") * 10_000 / unit).round().cast(pl.Int64), pl.lit(1)) * unit
    quantity = pl.col("quantity") // pl.col("multiple") * pl.col("multiple")
    return every.with_columns(whole.alias("price_e4"), quantity.alias("quantity")).filter(pl.col("quantity") > 0)


def needed_pieces() -> dict[tuple[str, str], int]:
    """The most any model needs of each element, its forms resolved: the market keeps more than that."""
    forms = {code: [form for form, _, _ in resolved] for code, _, _, resolved in OPEN_FORMS}
    most: dict[tuple[str, str], int] = {}
    for plan in PLANS:
        lines = [
            (line.part_code, line.colour_code, line.quantity)
            for version in versions_of(plan).values()
            for line in version
        ]
        lines += [
            (row["part_code"], "SOO", row["quantity"])
            for row in amendments_of(plan)
            if row["amendment_action"] == "add"
        ]
        for part, colour, quantity in lines:
            for code in [part, *forms.get(part, [])]:
                most[code, colour] = max(most.get((code, colour), 0), quantity * COPIES.get(plan.code, 1))
    return most


def build(seed: int) -> Market:
    """The whole market of a seed."""
    chance = np.random.default_rng([seed, 1])
    offers = _offers(_elements(chance), chance)
    count, months = offers.height, MONTH_COUNT + 1
    levels = np.array([[trend(end, family) for end in MONTH_ENDS] for family in _families()])
    family_index = (
        offers["family"].replace_strict({f: i for i, f in enumerate(_families())}, return_dtype=pl.Int64).to_numpy()
    )
    wobble = np.empty((count, months))
    wobble[:, 0] = chance.normal(0, WOBBLE, count)
    for m in range(1, months):
        wobble[:, m] = np.where(chance.random(count) < 0.4, chance.normal(0, WOBBLE, count), wobble[:, m - 1])
    price = np.exp(offers["log_price"].to_numpy()[:, None] + levels[family_index] + wobble)
    is_listed = _listed(offers, chance)
    stock = _stock(offers["base_stock"].to_numpy(), chance)
    nights = [chance.integers(1, NIGHT_COUNT + 1, count) for _ in range(3)]
    return Market(offers, is_listed, price, stock, *nights)


def _families() -> list[str]:
    return sorted({part.family for part in parts()})


def _elements(chance: np.random.Generator) -> pl.DataFrame:
    """Every element that could be sold: how dear, how often stocked, how much of it a model needs."""
    needed = needed_pieces()
    keys = sorted({(part.code, colour) for part in parts() for colour in part.colours} | set(needed) | set(USED_ONLY))
    rows = []
    for part_code, colour_code in keys:
        part, colour = by_code()[part_code], BY_CODE[colour_code]
        need = needed.get((part_code, colour_code), 0)
        own = chance.normal(0, CHOOSY_SPREAD if _is_choosy(part_code) else 0.14)
        price = math.log(part.base_price * PRICE_SCALE) + colour.dearness * (1.0 + 0.6 * chance.random()) + own
        common = min(1.0, colour.frequency / 6) ** 0.5
        reach = (
            (5.0 + 22.0 * part.popularity * common)
            if need
            else 13.0 * part.popularity * common - 3.0 + 2.0 * chance.random()
        )
        rows.append((part_code, colour_code, part.family, part.weight_grams, part.popularity, need, price, reach))
    names = ["part_code", "colour_code", "family", "weight", "popularity", "need", "log_price", "reach"]
    elements = pl.DataFrame(rows, schema=names, orient="row")
    nowhere = (pl.col("part_code") == NOWHERE[0]) & (pl.col("colour_code") == NOWHERE[1])
    return elements.filter(~nowhere)


def _is_choosy(part_code: str) -> bool:
    """One part in three, always the same ones."""
    return sum(map(ord, part_code)) % 3 == 0


def _offers(elements: pl.DataFrame, chance: np.random.Generator) -> pl.DataFrame:
    """Share the elements out among the vendors, and give each offer its own price level and stock."""
    used_only = pl.struct("part_code", "colour_code").is_in([{"part_code": p, "colour_code": c} for p, c in USED_ONLY])
    elements = elements.with_columns(used_only.alias("is_used_only"))
    is_sure = _sure_vendors(elements, chance)
    frames = []
    for place, vendor in enumerate(VENDORS):
        share = chance.random(elements.height)
        if vendor.code == MAKER:
            pairs = elements.select("part_code", "colour_code").rows()
            assortments = [maker_assortment(by_code()[part], colour) for part, colour in pairs]
            carried = pl.Series([1.0 if name else 0.0 for name in assortments])
            score = carried * (elements["reach"] > 0) * (1.5 + pl.Series(share) + (elements["need"] > 0) * 0.5)
        else:
            assortments = [""] * elements.height
            liked = elements["family"].is_in(list(vendor.habits)).to_numpy() * 1.5 + 1.0
            # Large vendors stock what builders ask for; small ones stock the many elements that few ask for.
            asked_for = np.where((elements["need"] > 0).to_numpy() & ("bulk" in vendor.habits), BULK_FOCUS, 1.0)
            score = pl.Series(share ** (1.0 / (np.maximum(elements["reach"].to_numpy(), 0.01) * liked * asked_for)))
            score = score * (elements["reach"] > 0) + pl.Series(is_sure[:, place].astype(float))
        weaker = [form for *_, forms in OPEN_FORMS for form, _, strength in forms if strength == "weaker"]
        if vendor.layout == "fells":  # its codes don't distinguish the weaker form from the other
            score = score * ~elements["part_code"].is_in(weaker)
        score = score * ~elements["is_used_only"]
        new = elements.with_columns(
            score.alias("score"), pl.Series("assortment", assortments), pl.lit("new").alias("condition")
        )
        new = (
            new.filter(pl.col("score") > 0)
            .sort("score", "part_code", "colour_code", descending=True)
            .head(vendor.range_size)
        )
        frames.append(_one_vendor(new, elements, place, chance))
    return pl.concat(frames).sort("vendor_code", "part_code", "colour_code", "condition", "listing")


def _sure_vendors(elements: pl.DataFrame, chance: np.random.Generator) -> np.ndarray:
    """Elements by vendors: four vendors that are there all along list each element a model needs, large ones more often."""
    lasting = np.array([vendor.code != MAKER and not vendor.opens and not vendor.closes for vendor in VENDORS])
    weight = np.array([vendor.range_size for vendor in VENDORS]) * lasting
    keys = chance.random((elements.height, len(VENDORS))) ** (1.0 / np.maximum((weight / 300) ** 3, 1e-9))
    found: np.ndarray = (keys >= np.sort(keys, axis=1)[:, [-SURE_VENDORS]]) & (elements["need"].to_numpy() > 0)[:, None]
    return found


def _one_vendor(new: pl.DataFrame, elements: pl.DataFrame, place: int, chance: np.random.Generator) -> pl.DataFrame:
    vendor = VENDORS[place]
    used_share = 0.0 if vendor.code == MAKER else 0.22 if "used" in vendor.habits else 0.04
    used = new.filter(pl.Series(chance.random(new.height) < used_share))
    if "used" in vendor.habits:
        used = pl.concat([used, elements.filter("is_used_only").with_columns(pl.lit(1.0).alias("score"), pl.lit("").alias("assortment"), pl.lit("").alias("condition")).select(new.columns)])  # fmt: skip
    twice = new.filter(pl.Series(chance.random(new.height) < (0.0 if vendor.code == MAKER else 0.01)))
    rows = pl.concat([
        new.with_columns(pl.lit("").alias("listing")),
        used.with_columns(pl.lit("used").alias("condition"), pl.lit("").alias("listing")),
        twice.with_columns(pl.lit("lot-2").alias("listing")),
    ]).sort("part_code", "colour_code", "condition", "listing")  # fmt: skip
    count = rows.height
    size = 2.2 if "bulk" in vendor.habits else 0.5 if "small" in vendor.habits else 1.0
    usual = 18 * (0.3 + rows["popularity"].to_numpy()) / np.sqrt(np.maximum(rows["weight"].to_numpy(), 0.15))
    common_stock = usual * size * chance.lognormal(0, 0.9, count)
    for_models = rows["need"].to_numpy() * chance.lognormal(-0.15, 0.75, count) * min(size, 1.6)
    common_stock *= np.where(chance.random(count) < 0.01, 30.0, 1.0)  # now and then a whole crate
    is_used = (rows["condition"] == "used").to_numpy()
    log_price = (
        rows["log_price"].to_numpy() + vendor.level + chance.normal(0, OFFER_SPREAD * (0.5 if vendor.code == MAKER else 1.0), count)
        + is_used * USED_LOG + math.log(SCALE[vendor.currency])
    )  # fmt: skip
    in_multiples = ("multiples" in vendor.habits) & (rows["log_price"].to_numpy() < math.log(0.09))
    multiple = np.where(in_multiples, np.where(chance.random(count) < 0.5, 5, 10), 1)
    is_open = chance.random(count) < (0.8 if "open" in vendor.habits else 0.0)
    has_forms = rows["part_code"].is_in([code for *_, forms in OPEN_FORMS for code, _, _ in forms]).to_numpy()
    return rows.with_columns(
        pl.lit(vendor.code).alias("vendor_code"),
        pl.lit(vendor.layout).alias("layout"),
        pl.lit(vendor.currency).alias("currency"),
        pl.lit(vendor.opens).alias("opens"),
        pl.lit(vendor.closes).alias("closes"),
        pl.lit({"EUR": 10, "GBP": 10, "SEK": 100}[vendor.currency] if vendor.code != MAKER else 100).alias(
            "price_unit"
        ),
        pl.lit("steps" in vendor.habits).alias("has_steps"),
        pl.Series("log_price", log_price),
        pl.Series("base_stock", np.maximum(np.maximum(common_stock, for_models), 1.0) * np.where(is_used, 0.4, 1.0)),
        pl.Series("multiple", multiple),
        pl.Series("is_open", is_open & has_forms),
    ).drop("score", "reach", "is_used_only", "weight", "popularity")


def _listed(offers: pl.DataFrame, chance: np.random.Generator) -> np.ndarray:
    """Sold out now and then: 6 % of the offers vanish in a month, 40 % of those gone come back; and vendors come and go."""
    count = offers.height
    listed = np.empty((count, len(MONTH_ENDS)), dtype=bool)
    listed[:, 0] = chance.random(count) < 0.87
    for m in range(1, len(MONTH_ENDS)):
        roll = chance.random(count)
        listed[:, m] = np.where(listed[:, m - 1], roll >= 0.06, roll < 0.40)
    for m, end in enumerate(MONTH_ENDS):
        month = f"{end:%Y-%m}"
        opens = (pl.col("opens") == "") | (pl.col("opens") <= month)
        closes = (pl.col("closes") == "") | (pl.col("closes") >= month)
        sent = ~pl.col("vendor_code").is_in([code for code, missed in MISSED if missed == month])
        dry = [
            {"part_code": part, "colour_code": colour}
            for part, colour, first, last in DROUGHTS
            if first <= month <= last
        ]
        found = ~pl.struct("part_code", "colour_code").is_in(dry) if dry else pl.lit(True)
        listed[:, m] &= offers.select(opens & closes & sent & found).to_series().to_numpy()
    return listed


def _stock(base: np.ndarray, chance: np.random.Generator) -> np.ndarray:
    """Stocks shrink as pieces sell and are filled up again when they run low."""
    stock = np.empty((len(base), len(MONTH_ENDS)))
    stock[:, 0] = base * chance.uniform(0.5, 1.1, len(base))
    for m in range(1, len(MONTH_ENDS)):
        before = stock[:, m - 1]
        sold = before * chance.uniform(0.6, 0.95, len(base))
        filled = np.where(before < 0.45 * base, base * chance.uniform(0.7, 1.2, len(base)), sold)
        stock[:, m] = np.where(chance.random(len(base)) < 0.55, filled, before)
    return np.maximum(np.rint(stock), 1).astype(np.int64)
