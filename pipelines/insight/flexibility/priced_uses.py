"""Every offer that could serve a portion of a model, with its price and the flexibility that it needs.

A use is an offer that may serve a portion: as listed, in another colour, in another form, or in both. Two bits say which
flexibility a use needs. Undecided lines count here as if they could take any colour.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipelines.costing.several_orders import first_orders
from pipelines.demand.fitting import PORTION_KEY, accepted, fitting_elements
from pipelines.demand.stock_on_hand import ON_HAND_SCHEMA
from pipelines.inputs import WorkspaceInputs
from pipelines.planner.statement.bands import VendorBands, compile_terms
from pipelines.planner.statement.problem import PORTION_SCHEMA
from pipelines.planning.candidates import Candidates, allowed_terms, buyable_steps, offers_that_fit, steps_under_terms
from pipelines.planning.scenarios import ModelPlanning
from pipelines.settings import Scenario

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

COLOUR, FORM = 1, 2
"""Bits of the flexibility that a use needs: of its line's colour, of its line's form."""
FLEXIBLE_RULES = ("any", "any_one", "one_of", "near")
ALIKE_RULE = "any_one"
LIKELY_VENDORS, AMONG_CHEAPEST = 40, 3
"""Vendors kept besides the plans' own in large markets; each portion counts for the vendors of so many cheapest offers."""
_BY_ROW = ("vendor", "colour", "needs", "offer", "price", "goods", "weight", "most")
_ELEMENT = ["part_code", "colour_code", "condition", "combination_code"]


@dataclass(frozen=True)
class PricedPortion:
    """A portion of a line, and where its uses stand.

    Attributes:
        line_number, portion_number, quantity: which pieces.
        rule: its colour rule in the flexible scenario.
        group_code: portions that share it end up in one colour; "" unless the rule is any_one.
        is_colour_allowed: it may take other colours now. is_undecided: nobody has decided whether it may.
        is_designers: it is on the designer's list, not an amendment.
        rows: its uses, cheapest first.
    """

    line_number: int
    portion_number: int
    quantity: int
    rule: str
    group_code: str
    is_colour_allowed: bool
    is_undecided: bool
    is_designers: bool
    rows: slice


@dataclass(frozen=True)
class PricedUses:
    """All uses of a model, by portion and rising price: a row per offer, or per combination that one vendor has whole.

    Attributes:
        portions: the portions, by line and portion.
        vendor_codes, bands: by vendor number, the vendors' terms compiled.
        colour_codes: by colour number.
        vendor, colour, needs: numbers of vendor and colour, and the bits of the flexibility needed.
        offer: number of the offer whose stock is used; -1 for combinations.
        price: what one piece adds to landed cost in the vendor's lowest band, in the buyer's currency, multiples and least
            purchases included; charges of the order come on top.
        goods, weight: one piece's goods value in the vendor's currency, and grams.
        most: pieces on offer.
    """

    portions: tuple[PricedPortion, ...]
    vendor_codes: tuple[str, ...]
    bands: tuple[VendorBands, ...]
    colour_codes: tuple[str, ...]
    vendor: Ints
    colour: Ints
    needs: Ints
    offer: Ints
    price: Floats
    goods: Floats
    weight: Floats
    most: Ints


def priced_uses(inputs: WorkspaceInputs, planning: ModelPlanning, listed: Scenario, flexible: Scenario) -> PricedUses:
    """The priced uses of one model, buyer and date.

    Args:
        inputs: the workspace.
        planning: of the model.
        listed: the scenario in which no flexibility counts.
        flexible: the scenario in which it counts; its vendors and conditions are taken.
    """
    as_listed, as_decided = planning.portions(listed), planning.portions(flexible)
    is_open = (pl.col("colour_rule") == "undecided") & (pl.col("portion_source") == "designer")
    opened = as_decided.with_columns(pl.when(is_open).then(pl.lit("any")).otherwise("colour_rule").alias("colour_rule"))
    found: list[pl.DataFrame] = []
    for portions, bit in ((as_listed, 0), (opened, COLOUR)):
        for with_forms in (False, True) if flexible.use_substitutes else (False,):
            fits = fitting_elements(portions, inputs.tables, planning.day, use_substitutes=with_forms)
            needs = bit | (FORM if with_forms else 0)
            found.append(
                accepted(fits, portions, flexible.conditions).with_columns(pl.lit(needs, pl.Int64).alias("needs"))
            )
    # The first that allows an element asks least: nothing, the form, the colour, both.
    fits = pl.concat(found).unique([*PORTION_KEY, *_ELEMENT], keep="first", maintain_order=True)
    steps = steps_under_terms(buyable_steps(planning.market), first_orders(allowed_terms(flexible, planning.book)))
    needed = (
        as_decided.sort(PORTION_KEY)
        .with_row_index("portion_index")
        .cast({"portion_index": pl.Int64})
        .select(PORTION_SCHEMA.names())
    )
    candidates = offers_that_fit(
        needed, fits.drop("needs"), steps, inputs.tables["parts"], pl.DataFrame(schema=ON_HAND_SCHEMA)
    )
    return _uses(candidates, fits, as_decided.sort(PORTION_KEY), planning)


def of_likely_vendors(uses: PricedUses, always: Collection[str], most: int = LIKELY_VENDORS) -> PricedUses:
    """The uses of the vendors named and of those most often among the cheapest of a portion.

    Args:
        uses: of a model.
        always: vendors that stay in any case.
        most: how many others stay.
    """
    counts = np.zeros(len(uses.vendor_codes), np.int64)
    for portion in uses.portions:
        needs, vendor = uses.needs[portion.rows], uses.vendor[portion.rows]
        # Rows are sorted by price: the cheapest as listed, and the cheapest of all.
        for among in (vendor[needs == 0], vendor):
            counts[np.unique(among[:AMONG_CHEAPEST])] += 1
    is_kept = np.array([code in always for code in uses.vendor_codes], np.bool_)
    others = [number for number in np.argsort(-counts, kind="stable") if not is_kept[number]]
    is_kept[others[:most]] = True
    if is_kept.all():
        return uses
    rows = is_kept[uses.vendor]
    before = np.concatenate([[0], np.cumsum(rows)])
    portions = tuple(
        replace(portion, rows=slice(int(before[portion.rows.start]), int(before[portion.rows.stop])))
        for portion in uses.portions
    )
    cut = {name: getattr(uses, name)[rows] for name in _BY_ROW}
    return replace(uses, portions=portions, **cut)


def _uses(candidates: Candidates, fits: pl.DataFrame, portions: pl.DataFrame, planning: ModelPlanning) -> PricedUses:
    vendor_codes = tuple(candidates.vendor_codes)
    bands = tuple(compile_terms(planning.book.vendors[code]) for code in vendor_codes)
    priced = _whole_combinations(_priced(candidates, vendor_codes, bands)).join(
        fits.with_columns(
            pl.when(pl.col("combination_code") == "").then("part_code").otherwise(pl.lit("")).alias("part_code")
        )
        .unique([*PORTION_KEY, *_ELEMENT], keep="first", maintain_order=True)
        .select(*PORTION_KEY, *_ELEMENT, "needs"),
        on=[*PORTION_KEY, *_ELEMENT],
    )
    colour_codes = tuple(sorted(set(priced["colour_code"])))
    numbered = priced.with_columns(_numbers("vendor_code", vendor_codes), _numbers("colour_code", colour_codes)).sort(
        "portion_index", "price", "vendor_code", "colour_code", "part_code", "combination_code", "offer_index"
    )
    ends = np.searchsorted(numbered["portion_index"].to_numpy(), np.arange(portions.height + 1))
    priced_portions = tuple(
        PricedPortion(
            row["line_number"],
            row["portion_number"],
            row["quantity"],
            row["colour_rule"],
            row["group_code"] if row["colour_rule"] == ALIKE_RULE else "",
            row["colour_rule"] in FLEXIBLE_RULES and row["portion_source"] == "designer",
            row["colour_rule"] == "undecided" and row["portion_source"] == "designer",
            row["portion_source"] == "designer",
            slice(int(ends[index]), int(ends[index + 1])),
        )
        for index, row in enumerate(portions.iter_rows(named=True))
    )
    integers = ("vendor_code", "colour_code", "needs", "offer_index")
    vendor, colour, needs, offer = (numbered[name].cast(pl.Int64).to_numpy() for name in integers)
    price, goods, weight = (numbered[name].to_numpy() for name in ("price", "goods", "weight"))
    most = numbered["most"].to_numpy()
    return PricedUses(
        priced_portions, vendor_codes, bands, colour_codes, vendor, colour, needs, offer, price, goods, weight, most
    )


def _numbers(name: str, codes: tuple[str, ...]) -> pl.Expr:
    return pl.col(name).replace_strict(list(codes), list(range(len(codes))), return_dtype=pl.Int64)


def _priced(candidates: Candidates, vendor_codes: tuple[str, ...], bands: tuple[VendorBands, ...]) -> pl.DataFrame:
    """One row per use with the price of a piece, if as many are bought as the portion takes or the offer has."""
    factors = pl.DataFrame(
        {
            "vendor_code": list(vendor_codes),
            "factor": [float(each.bands[0].factor) if each.bands else np.nan for each in bands],
            "least_value": [float(each.minimum_line_value) for each in bands],
        },
        schema={"vendor_code": pl.String, "factor": pl.Float64, "least_value": pl.Float64},
    )
    multiple = pl.col("sold_in_multiples_of")
    offers = candidates.offers.select(
        "offer_index",
        "vendor_code",
        "part_code",
        "condition",
        "sold_in_multiples_of",
        (pl.min_horizontal("quantity_available", "maximum_per_order") // multiple * multiple).alias("most"),
        pl.col("weight_grams").cast(pl.Float64).alias("weight"),
    ).join(factors, on="vendor_code", maintain_order="left")
    steps = candidates.steps.select(
        "offer_index",
        "step_from_quantity",
        pl.col("unit_price").cast(pl.Float64),
        pl.col("step_from_quantity").min().over("offer_index").alias("first_step"),
    )
    needed = pl.min_horizontal(pl.col("quantity") * pl.col("component_count"), "most")
    up = -(-pl.max_horizontal("needed", "first_step") // multiple) * multiple
    return (
        candidates.uses.join(candidates.portions.drop("group_code"), on="portion_index")
        .join(offers, on="offer_index")
        .filter(pl.col("factor").is_not_nan())
        .with_columns(needed.alias("needed"))
        .join(steps, on="offer_index")
        .with_columns(pl.min_horizontal(up, "most").alias("bought"))
        .filter(pl.col("step_from_quantity") <= pl.col("bought"))
        .sort("portion_index", "offer_index", "combination_code", "component_part_code", "step_from_quantity")
        .unique(
            ["portion_index", "offer_index", "combination_code", "component_part_code"],
            keep="last",
            maintain_order=True,
        )
        .with_columns(
            (pl.max_horizontal(pl.col("bought") * pl.col("unit_price"), "least_value") / pl.col("needed")).alias(
                "goods"
            )
        )
        .with_columns((pl.col("goods") * pl.col("factor")).alias("price"))
    )


def _whole_combinations(priced: pl.DataFrame) -> pl.DataFrame:
    """Direct uses, and a row for every combination that one vendor has whole, of its cheapest components."""
    names = [
        *("portion_index", *PORTION_KEY, "offer_index", "vendor_code", "part_code", "colour_code", "condition"),
        *("combination_code", "price", "goods", "weight", "most"),
    ]
    is_made_up = pl.col("combination_code") != ""
    direct = priced.filter(~is_made_up).select(names)
    made_up = priced.filter(is_made_up)
    if not made_up.height:
        return direct
    counts = pl.col("component_count")
    component_total = pl.col("component_part_code").n_unique().over("portion_index", "combination_code")
    whole = (
        made_up.with_columns(component_total.alias("component_total"))
        .sort("price", "offer_index")
        .unique(
            ["portion_index", "combination_code", "colour_code", "vendor_code", "condition", "component_part_code"],
            keep="first",
            maintain_order=True,
        )
        .group_by(
            "portion_index",
            *PORTION_KEY,
            "combination_code",
            "colour_code",
            "vendor_code",
            "condition",
            maintain_order=True,
        )
        .agg(
            pl.col("component_total").first(),
            pl.len().alias("component_found"),
            (pl.col("price") * counts).sum().alias("price"),
            (pl.col("goods") * counts).sum().alias("goods"),
            (pl.col("weight") * counts).sum().alias("weight"),
            (pl.col("most") // counts).min().alias("most"),
        )
        .filter((pl.col("component_found") == pl.col("component_total")) & (pl.col("most") > 0))
        .with_columns(pl.lit(-1, pl.Int64).alias("offer_index"), pl.lit("").alias("part_code"))
    )
    return pl.concat([direct, whole.select(names)])
