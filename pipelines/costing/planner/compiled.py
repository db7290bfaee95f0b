"""The purchase problem as arrays: what can be bought at all, in which quantities, at which price.

Only what can be part of some plan is kept: price steps that some quantity reaches, offers that ship, make-ups with an offer for
every component. Index arrays name their target in the singular: ``use_offer[u]`` is the offer of use u.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipelines.costing.planner.bands import VendorBands, compile_terms
from pipelines.costing.planner.problem import Problem
from pipelines.costing.receipt import PURCHASE_COLUMNS
from pipelines.costing.terms import VendorTerms

MICRO = 1_000_000
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Vendors:
    """Vendors with something to sell, by code.

    Attributes:
        bands: the compiled terms.
        is_rising: buying less never breaks a rule on goods, and never saves less than the goods at the least factor.
        keeps_flow: no rule of theirs states goods values or weights, which leave fractions in the corners of a flow.
        gains_by_spares: buying more than is used may lower the cost or reach a minimum.
        grain: every goods value of an order is a multiple of this many millionths of the vendor's currency.
        weight_grain: likewise for weights, in millionths of a gram.
        floor: the least cost of goods worth one unit of the vendor's currency, in the buyer's.
    """

    codes: tuple[str, ...]
    bands: tuple[VendorBands, ...]
    is_rising: Flags
    keeps_flow: Flags
    gains_by_spares: Flags
    grain: Ints
    weight_grain: Ints
    floor: Floats

    def __len__(self) -> int:
        return len(self.codes)


@dataclass(frozen=True)
class Compiled:
    """A purchase problem.

    Attributes:
        need: pieces wanted per portion.
        group: number of the portion's colour group, -1 for none.
        use_*: uses; ``use_makeup`` is -1 for direct uses, else a make-up of one portion in one colour, and
            ``use_component`` the component of it that the offer supplies (both numbered over all portions).
        makeup_portion, makeup_colour, component_makeup, component_count: the make-ups.
        offer_*: offers; ``offer_row`` is the row in the problem, ``most`` the most pieces that can be bought, ``want``
            the most that portions can use, ``assortment`` a row of ``handling`` or -1, ``element`` numbers (vendor, part,
            colour), ``size_class`` the vendor's dimension step.
        is_counted: pieces bought may differ from pieces used, so that they are counted apart.
        step_*: price steps by offer and start (``step_from``); quantities in [least, most] cost ``price`` (vendor's currency) each;
            ``gap`` is how many pieces lie between ``least`` and the next smaller quantity that can be bought.
        step_facts: offer_index and what a receipt needs to know of a purchase but its quantity, by price step.
        handling_*: handling charges of (vendor, assortment).
    """

    vendors: Vendors
    need: Ints
    group: Ints
    use_portion: Ints
    use_offer: Ints
    use_colour: Ints
    use_makeup: Ints
    use_component: Ints
    use_row: Ints
    makeup_portion: Ints
    makeup_colour: Ints
    component_makeup: Ints
    component_count: Ints
    offer_row: Ints
    offer_vendor: Ints
    offer_most: Ints
    offer_want: Ints
    offer_multiple: Ints
    offer_assortment: Ints
    offer_element: Ints
    offer_weight: Floats
    offer_size_class: Ints
    is_counted: Flags
    step_offer: Ints
    step_from: Ints
    step_least: Ints
    step_most: Ints
    step_gap: Ints
    step_price: Floats
    step_facts: pl.DataFrame
    handling_vendor: Ints
    handling_charge: Floats
    handling_waived_from: tuple[Fraction | None, ...]
    allow_spares: bool
    maximum_vendor_count: int | None

    @cached_property
    def step_start(self) -> Ints:
        """First step of every offer, and the number of steps."""
        return np.searchsorted(self.step_offer, np.arange(len(self.offer_row) + 1))

    @property
    def step_count(self) -> Ints:
        """Price steps of every offer."""
        return np.diff(self.step_start)

    @property
    def offer_limit(self) -> Ints:
        """Most pieces of every offer that can be used."""
        return np.minimum(self.offer_most, self.offer_want)

    @cached_property
    def use_want(self) -> Ints:
        """Most pieces of its offer that every use can take."""
        pieces = np.ones(len(self.use_offer), np.int64)
        made_up = self.use_component >= 0
        pieces[made_up] = self.component_count[self.use_component[made_up]]
        return self.need[self.use_portion] * pieces

    @cached_property
    def offer_price(self) -> Floats:
        """Price of every offer's first step, in the vendor's currency."""
        return self.step_price[self.step_start[:-1]]

    @cached_property
    def offer_highest_price(self) -> Floats:
        """The highest price of every offer's steps, in the vendor's currency."""
        return np.maximum.reduceat(self.step_price, self.step_start[:-1]) if len(self.step_price) else self.step_price

    @cached_property
    def offer_spread(self) -> Floats:
        """Pieces that have to be bought per piece used, at least: more than 1 if the least on sale exceeds the use."""
        return np.maximum(1.0, self.step_least[self.step_start[:-1]] / self.offer_limit)

    @cached_property
    def offer_floor(self) -> Floats:
        """The least that a piece used of every offer can cost, in the buyer's currency."""
        lowest = np.minimum.reduceat(self.step_price, self.step_start[:-1]) if len(self.step_price) else self.step_price
        return lowest * self.offer_spread * self.vendors.floor[self.offer_vendor]


def compile_problem(problem: Problem) -> Compiled:
    """The problem as arrays."""
    codes = problem.offers["vendor_code"].unique().sort().to_list()
    bands = [compile_terms(problem.terms[code]) for code in codes]
    offers = _offers(problem, codes, bands)
    steps = _reachable_steps(problem, offers)
    uses = _whole_uses(problem, steps)
    offers = offers.join(uses.select("offer_index").unique(), on="offer_index", how="semi")
    offers = offers.sort("offer_index").with_columns(pl.int_range(pl.len()).alias("offer"))
    numbers = offers.select("offer_index", "offer")
    steps = steps.join(numbers, on="offer_index").sort("offer", "step_from_quantity")
    uses = uses.join(numbers, on="offer_index").sort("portion_index", "offer", "use_row")
    return _assembled(problem, codes, bands, offers, steps, uses)


def _offers(problem: Problem, codes: list[str], bands: list[VendorBands]) -> pl.DataFrame:
    """Offers that ship, with the vendor's number, dimension step, and most pieces as stock, limits and multiples allow."""
    limits = pl.DataFrame(
        {
            "vendor_code": codes,
            "vendor": range(len(codes)),
            "piece_limit": [terms.maximum_piece_count for terms in bands],
            "minimum_line": [_micro_ceiling(terms.minimum_line_value) for terms in bands],
            "has_bands": [bool(terms.bands) for terms in bands],
        },
        schema={
            "vendor_code": pl.String,
            "vendor": pl.Int64,
            "piece_limit": pl.Int64,
            "minimum_line": pl.Int64,
            "has_bands": pl.Boolean,
        },
    )
    multiple = pl.col("sold_in_multiples_of")
    most = pl.min_horizontal("quantity_available", "maximum_per_order", "piece_limit") // multiple * multiple
    offers = problem.offers.join(limits, on="vendor_code", maintain_order="left").with_columns(most.alias("most"))
    return offers.with_columns(_size_classes(offers, bands)).filter(
        "has_bands", pl.col("most") >= multiple, pl.col("size_class") >= 0
    )


def _size_classes(offers: pl.DataFrame, bands: list[VendorBands]) -> pl.Series:
    """The dimension step of every offer at its vendor: 0 where the vendor has none, -1 where the piece can't ship."""
    classes = np.zeros(len(offers), np.int64)
    vendor, size = offers["vendor"].to_numpy(), _micro(offers["largest_dimension_mm"])
    for number, terms in enumerate(bands):
        if terms.dimension_steps:
            rows = np.flatnonzero(vendor == number)
            classes[rows] = -1
            for index, step in enumerate(terms.dimension_steps):
                inside = (size[rows] >= _micro_ceiling(step.start)) & (
                    step.end is None or size[rows] < _micro_ceiling(step.end)
                )
                classes[rows[inside]] = index
    return pl.Series("size_class", classes)


def _reachable_steps(problem: Problem, offers: pl.DataFrame) -> pl.DataFrame:
    """Price steps with the least and most pieces they can be bought in; a minimum line value raises the least."""
    multiple = pl.col("sold_in_multiples_of")
    price = pl.Series("price_micro", _micro(problem.offer_steps["unit_price"]))
    at_least = pl.max_horizontal("step_from_quantity", _ceil_div(pl.col("minimum_line"), pl.col("price_micro")), 1)
    before, after = pl.col("offer_index").shift(1), pl.col("offer_index").shift(-1)
    following = pl.when(after == pl.col("offer_index")).then(pl.col("step_from_quantity").shift(-1))
    below = pl.when(before == pl.col("offer_index")).then(pl.col("step_most").shift(1)).otherwise(0)
    return (
        problem.offer_steps.with_columns(price)
        .sort("offer_index", "step_from_quantity")
        .with_columns(following.alias("following"))
        .join(offers.select("offer_index", "vendor", "most", "minimum_line", multiple), on="offer_index")
        .with_columns(
            (_ceil_div(at_least, multiple) * multiple).alias("least"),
            pl.min_horizontal("most", (pl.col("following") - 1) // multiple * multiple).alias("step_most"),
        )
        .filter(pl.col("least") <= pl.col("step_most"))
        .sort("offer_index", "step_from_quantity")
        .with_columns((pl.col("least") - below).alias("gap"))
    )


def _whole_uses(problem: Problem, steps: pl.DataFrame) -> pl.DataFrame:
    """Uses of offers that can be bought, with make-ups and their components numbered; make-ups with a gap left out."""
    key = ["portion_index", "colour_code", "make_up_code"]
    wanted = problem.uses.with_row_index("use_row").cast({"use_row": pl.Int64})
    made_up = wanted.filter(pl.col("make_up_code") != "")
    uses = wanted.join(steps.select("offer_index").unique(), on="offer_index", how="semi")
    if made_up.height:
        part = pl.col("component_part_code").n_unique().alias("part_count")
        whole = made_up.group_by("portion_index", "make_up_code").agg(part)
        found = uses.filter(pl.col("make_up_code") != "").group_by(key).agg(part)
        kept = found.join(whole, on=["portion_index", "make_up_code", "part_count"], how="semi").select(key)
        kept = kept.sort(key).with_row_index("makeup").cast({"makeup": pl.Int64})
    else:
        kept = made_up.select(key).with_columns(pl.lit(-1, pl.Int64).alias("makeup"))
    return uses.join(kept, on=key, how="left").filter((pl.col("make_up_code") == "") | pl.col("makeup").is_not_null())


def _assembled(
    problem: Problem,
    codes: list[str],
    bands: list[VendorBands],
    offers: pl.DataFrame,
    steps: pl.DataFrame,
    uses: pl.DataFrame,
) -> Compiled:
    components = (
        uses.filter(pl.col("makeup") >= 0)
        .unique(["makeup", "component_part_code"])
        .sort("makeup", "component_part_code")
        .with_row_index("component")
        .cast({"component": pl.Int64})
    )
    uses = uses.join(
        components.select("makeup", "component_part_code", "component"),
        on=["makeup", "component_part_code"],
        how="left",
        maintain_order="left",
    )
    colours = uses["colour_code"].rank("dense").cast(pl.Int64).to_numpy() - 1
    vendor = _ints(offers["vendor"])
    need = _ints(problem.portions["quantity"])
    wanted = need[_ints(uses["portion_index"])] * _ints(uses["component_count"])
    want = np.bincount(_ints(uses["offer"]), wanted, len(offers)).astype(np.int64)
    handling = _handling(offers, bands, codes, problem.terms)
    step_offer, multiple = _ints(steps["offer"]), _ints(offers["sold_in_multiples_of"])
    step_micro = _ints(steps["price_micro"])
    vendors = _vendors(codes, bands, vendor, multiple, step_offer, step_micro, offers, problem.allow_spares)
    counts = np.bincount(step_offer, minlength=len(offers))
    first = np.searchsorted(step_offer, np.arange(len(offers)))
    least = _ints(steps["least"])
    is_counted = (multiple > 1) | (counts > 1) | (least[first] > 1) | vendors.gains_by_spares[vendor]
    groups = problem.portions["group_code"]
    makeups = components.unique("makeup", keep="first", maintain_order=True).sort("makeup")
    return Compiled(
        vendors=vendors,
        need=need,
        group=np.where(groups == "", -1, groups.rank("dense").cast(pl.Int64).to_numpy()),
        use_portion=_ints(uses["portion_index"]),
        use_offer=_ints(uses["offer"]),
        use_colour=colours,
        use_makeup=_ints(uses["makeup"].fill_null(-1)),
        use_component=_ints(uses["component"].fill_null(-1)),
        use_row=_ints(uses["use_row"]),
        makeup_portion=_ints(makeups["portion_index"]),
        makeup_colour=_first_colours(uses, colours, len(makeups)),
        component_makeup=_ints(components["makeup"]),
        component_count=_ints(components["component_count"]),
        offer_row=_ints(offers["offer_index"]),
        offer_vendor=vendor,
        offer_most=_ints(offers["most"]),
        offer_want=want,
        offer_multiple=multiple,
        offer_assortment=handling.row_of_offer,
        offer_element=offers.select(pl.struct("vendor", "part_code", "colour_code").rank("dense"))
        .to_series()
        .cast(pl.Int64)
        .to_numpy()
        - 1,
        offer_weight=_micro(offers["weight_grams"]) / MICRO,
        offer_size_class=_ints(offers["size_class"]),
        is_counted=is_counted,
        step_offer=step_offer,
        step_from=_ints(steps["step_from_quantity"]),
        step_least=least,
        step_most=_ints(steps["step_most"]),
        step_gap=_ints(steps["gap"]),
        step_price=step_micro / MICRO,
        step_facts=steps.select("offer_index", "step_from_quantity")
        .join(problem.offers, on="offer_index", how="left", maintain_order="left")
        .join(problem.offer_steps, on=["offer_index", "step_from_quantity"], how="left", maintain_order="left")
        .select("offer_index", *(name for name in PURCHASE_COLUMNS if name != "quantity")),
        handling_vendor=handling.vendor,
        handling_charge=handling.charge,
        handling_waived_from=handling.waived_from,
        allow_spares=problem.allow_spares,
        maximum_vendor_count=problem.maximum_vendor_count,
    )


@dataclass(frozen=True)
class _Handling:
    row_of_offer: Ints
    vendor: Ints
    charge: Floats
    waived_from: tuple[Fraction | None, ...]


def _handling(
    offers: pl.DataFrame, bands: list[VendorBands], codes: list[str], terms: Mapping[str, VendorTerms]
) -> _Handling:
    rows = [
        (number, code, band) for number, vendor in enumerate(bands) for code, band in sorted(vendor.handling.items())
    ]
    table = pl.DataFrame(
        [(number, code, row) for row, (number, code, _) in enumerate(rows)],
        schema={"vendor": pl.Int64, "assortment_code": pl.String, "handling": pl.Int64},
        orient="row",
    )
    joined = offers.select("vendor", "assortment_code").join(
        table, on=["vendor", "assortment_code"], how="left", maintain_order="left"
    )
    return _Handling(
        _ints(joined["handling"].fill_null(-1)),
        np.array([number for number, _, _ in rows], np.int64),
        np.array([float(band.charge) for _, _, band in rows], np.float64),
        tuple(band.waived_from for _, _, band in rows),
    )


def _vendors(
    codes: list[str],
    bands: list[VendorBands],
    offer_vendor: Ints,
    multiple: Ints,
    step_offer: Ints,
    step_micro: Ints,
    offers: pl.DataFrame,
    allow_spares: bool,
) -> Vendors:
    grain, weight_grain = np.ones(len(codes), np.int64), np.ones(len(codes), np.int64)
    weights = _micro(offers["weight_grams"]) * multiple
    values = step_micro * multiple[step_offer]
    step_vendor = offer_vendor[step_offer]
    is_rising = np.array([terms.is_rising for terms in bands], np.bool_)
    keeps_flow = np.array([terms.is_one_band and not terms.weight_steps for terms in bands], np.bool_) & is_rising
    for number in np.flatnonzero(~keeps_flow):
        grain[number] = max(1, np.gcd.reduce(values[step_vendor == number], initial=0))
    for number in np.flatnonzero([bool(terms.weight_steps) for terms in bands]):
        weight_grain[number] = max(1, np.gcd.reduce(weights[offer_vendor == number], initial=0))
    floor = np.array([min((float(band.factor) for band in terms.bands), default=0.0) for terms in bands], np.float64)
    return Vendors(
        tuple(codes), tuple(bands), is_rising, keeps_flow, ~is_rising & allow_spares, grain, weight_grain, floor
    )


def _first_colours(uses: pl.DataFrame, colours: Ints, count: int) -> Ints:
    makeup = _ints(uses["makeup"].fill_null(-1))
    found = np.zeros(count, np.int64)
    found[makeup[makeup >= 0]] = colours[makeup >= 0]
    return found


def _ceil_div(above: pl.Expr, below: pl.Expr) -> pl.Expr:
    return (above + below - 1) // below


def _ints(series: pl.Series) -> Ints:
    return series.cast(pl.Int64).to_numpy()


def _micro(series: pl.Series) -> Ints:
    """A DECIMAL(18,6) column in millionths."""
    return series.to_physical().cast(pl.Int64).to_numpy()


def _micro_ceiling(value: Fraction) -> int:
    return -int(-value * MICRO // 1)
