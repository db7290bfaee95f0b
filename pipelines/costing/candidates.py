"""Which offers may fill which portion, ready for the optimiser; and what stock on hand fills before."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date

import polars as pl

from pipelines.costing.fitting import PORTION_KEY, fitting_elements
from pipelines.costing.planner.problem import OFFER_SCHEMA, PORTION_SCHEMA, STEP_SCHEMA, USE_SCHEMA, Problem
from pipelines.costing.stock_on_hand import take_from_stock
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import SIZES, TermsBook, assumed_size
from pipelines.inputs import WorkspaceInputs
from pipelines.settings import Scenario

OFFER_KEY = ["vendor_code", "part_code", "colour_code", "condition", "listing_code"]
STEP_FACT_SCHEMA = pl.Schema(
    {
        "offer_index": pl.Int64(),
        "step_from_quantity": pl.Int64(),
        "unit_price": pl.Decimal(18, 6),
        "offer_id": pl.String(),
        "currency_code": pl.String(),
        "last_confirmed_on": pl.Date(),
    }
)


@dataclass(frozen=True)
class Candidates:
    """Offers that may fill portions.

    Attributes:
        portions: PORTION_SCHEMA, what is left to buy after stock on hand.
        offers: OFFER_SCHEMA, only offers with a use.
        steps: STEP_FACT_SCHEMA, the offers' price steps with what the published tables say of them.
        uses: USE_SCHEMA.
        on_hand: pieces taken from stock (stock_on_hand.ON_HAND_SCHEMA).
    """

    portions: pl.DataFrame
    offers: pl.DataFrame
    steps: pl.DataFrame
    uses: pl.DataFrame
    on_hand: pl.DataFrame

    def problem(self, book: TermsBook, scenario: Scenario) -> Problem:
        """The purchase problem of these candidates."""
        terms: dict[str, VendorTerms] = {code: book.vendors[code] for code in self.vendor_codes}
        return Problem(
            self.portions,
            self.offers,
            self.steps.select(STEP_SCHEMA.names()),
            self.uses,
            terms,
            scenario.allow_spares,
            scenario.maximum_vendor_count,
        )

    @property
    def vendor_codes(self) -> list[str]:
        """The vendors with a use, sorted."""
        return sorted(set(self.offers["vendor_code"]))

    def of_vendors(self, vendor_codes: Collection[str]) -> Candidates:
        """The same without other vendors' offers. Make-ups that lost a component are gone, too."""
        kept = self.offers.filter(pl.col("vendor_code").is_in(list(vendor_codes)))
        return self.with_uses(self.uses.join(kept, on="offer_index", how="semi", maintain_order="left"))

    def with_uses(self, uses: pl.DataFrame) -> Candidates:
        """The same with some of the uses only: offers without one are dropped and the rest is numbered anew."""
        return self._renumbered(self.portions, _whole_make_ups(uses, self.uses))

    def with_portions(self, quantities: pl.DataFrame) -> Candidates:
        """The same with other quantities: portion_index and quantity; portions not named are dropped."""
        portions = (
            self.portions.drop("quantity").join(quantities, on="portion_index").filter(pl.col("quantity") > 0)
        ).select(PORTION_SCHEMA.names())
        return self._renumbered(portions.sort("portion_index"), self.uses)

    def _renumbered(self, portions: pl.DataFrame, uses: pl.DataFrame) -> Candidates:
        new_portions = portions.with_row_index("new_portion").cast({"new_portion": pl.Int64})
        used = uses.join(portions, on="portion_index", how="semi")
        offers = self.offers.join(used, on="offer_index", how="semi").sort("offer_index")
        new_offers = offers.with_row_index("new_offer").cast({"new_offer": pl.Int64})
        portion_map = new_portions.select("portion_index", "new_portion")
        offer_map = new_offers.select("offer_index", "new_offer")
        return replace(
            self,
            portions=new_portions.with_columns(portion_index="new_portion").select(PORTION_SCHEMA.names()),
            offers=new_offers.with_columns(offer_index="new_offer").select(OFFER_SCHEMA.names()),
            steps=_steps_sorted(self.steps.join(offer_map, on="offer_index").with_columns(offer_index="new_offer")),
            uses=_uses_sorted(
                used.join(portion_map, on="portion_index")
                .join(offer_map, on="offer_index")
                .with_columns(portion_index="new_portion", offer_index="new_offer")
            ),
        )


def candidates(
    portions: pl.DataFrame,
    market: pl.DataFrame,
    inputs: WorkspaceInputs,
    day: date,
    scenario: Scenario,
    book: TermsBook,
) -> Candidates:
    """Which offers may fill which portion under a scenario.

    Left out are suspect offers, empty ones, those that can't be bought at all (stock or limit below the multiple or the
    first step), vendors without terms or forbidden by the scenario, and offers in another currency than their vendor's.

    Args:
        portions: PORTIONS_SCHEMA of demand.py, with or without freedoms as the scenario says.
        market: the columns of PRICE_HISTORY and ``is_suspect``: what can be bought on the day.
        inputs: the workspace.
        day: whose interchange holds.
        scenario: the rules.
        book: the vendors' terms on the day for the buyer.
    """
    fits = fitting_elements(
        portions, inputs.tables, day, use_interchange=scenario.use_interchange, conditions=list(scenario.conditions)
    )
    stock = inputs.tables["stock_on_hand"] if scenario.use_stock_on_hand else inputs.tables["stock_on_hand"].clear()
    on_hand = take_from_stock(portions, fits, stock)
    taken = on_hand.group_by(PORTION_KEY).agg(pl.col("quantity").sum().alias("taken"))
    wanted = (
        portions.join(taken, on=PORTION_KEY, how="left")
        .with_columns(pl.col("quantity") - pl.col("taken").fill_null(0))
        .filter(pl.col("quantity") > 0)
        .sort(PORTION_KEY)
        .with_row_index("portion_index")
        .cast({"portion_index": pl.Int64})
        .select(PORTION_SCHEMA.names())
    )
    steps = of_vendors_allowed(buyable_steps(market), scenario, book)
    return offers_that_fit(wanted, fits, steps, inputs.tables["parts"], on_hand)


def buyable_steps(market: pl.DataFrame) -> pl.DataFrame:
    """The price steps of offers that can be bought: not suspect in any step, with enough stock for the least purchase.

    Steps of one offer share one stock; should they disagree, the most careful figure counts.
    """
    is_suspect = pl.col("is_suspect") if "is_suspect" in market.columns else pl.lit(False)
    shared = [
        pl.col("quantity_available").min(),
        pl.col("maximum_per_order").min(),
        pl.col("sold_in_multiples_of").max(),
        pl.col("last_confirmed_on").min(),
        pl.col("form_certainty").min(),  # "open" sorts before "stated"
        pl.col("assortment_code").max(),
    ]
    multiple = pl.col("sold_in_multiples_of")
    most = pl.min_horizontal("quantity_available", "maximum_per_order") // multiple * multiple
    return (
        market.with_columns(is_suspect.any().over(OFFER_KEY).alias("is_suspect"))
        .filter(~pl.col("is_suspect"))
        .with_columns(column.over(OFFER_KEY) for column in shared)
        .filter((most >= multiple) & (most >= pl.col("step_from_quantity").min().over(OFFER_KEY)))
    )


def of_vendors_allowed(steps: pl.DataFrame, scenario: Scenario, book: TermsBook) -> pl.DataFrame:
    """Price steps of vendors with terms, used by the scenario, in the currency of their terms."""
    allowed = [terms for terms in book.vendors.values() if not why_forbidden(terms, scenario)]
    currencies = pl.DataFrame(
        {
            "vendor_code": [terms.vendor_code for terms in allowed],
            "currency_code": [terms.currency_code for terms in allowed],
        },
        schema={"vendor_code": pl.String, "currency_code": pl.String},
    )
    return steps.join(currencies, on=["vendor_code", "currency_code"], how="semi")


def why_forbidden(terms: VendorTerms, scenario: Scenario) -> str:
    """Why a scenario does not use a vendor; empty when it may."""
    if terms.vendor_code in scenario.forbidden_vendors:
        return "the scenario forbids it"
    if scenario.only_vendors and terms.vendor_code not in scenario.only_vendors:
        return "the scenario keeps to other vendors"
    if terms.vendor_kind == "counter" and scenario.counter == "none":
        return "the scenario does not use the counter"
    if terms.vendor_kind == "independent" and not scenario.independents:
        return "the scenario does not use independent vendors"
    return ""


def offers_that_fit(
    wanted: pl.DataFrame, fits: pl.DataFrame, steps: pl.DataFrame, parts: pl.DataFrame, on_hand: pl.DataFrame
) -> Candidates:
    """Join portions still to buy (PORTION_SCHEMA) with the offers of fitting elements; drop make-ups with a part missing.

    Args:
        fits: FIT_SCHEMA.
        steps: what ``buyable_steps`` gives.
        parts: the table parts, for weights.
    """
    offers = _numbered_offers(steps, fits, parts)
    numbers = offers.select("offer_index", *OFFER_KEY, "form_certainty")
    is_component = pl.col("make_up_code") != ""
    uses = (
        fits.join(wanted.select("portion_index", *PORTION_KEY), on=PORTION_KEY)
        .join(numbers, on=["part_code", "colour_code", "condition"])
        .filter(~pl.col("needs_stated_form") | (pl.col("form_certainty") == "stated"))
        .with_columns(pl.when(is_component).then("part_code").otherwise(pl.lit("")).alias("component_part_code"))
    )
    in_full = fits.join(wanted.select("portion_index", *PORTION_KEY), on=PORTION_KEY).with_columns(
        pl.when(is_component).then("part_code").otherwise(pl.lit("")).alias("component_part_code")
    )
    return Candidates(
        wanted,
        offers.select(OFFER_SCHEMA.names()).cast(OFFER_SCHEMA),
        _steps_sorted(steps.join(numbers.drop("form_certainty"), on=OFFER_KEY)),
        _uses_sorted(uses),
        on_hand,
    )._renumbered(wanted, _whole_make_ups(_uses_sorted(uses), in_full))


def _whole_make_ups(uses: pl.DataFrame, in_full: pl.DataFrame) -> pl.DataFrame:
    """Uses without those of make-ups that lack, in their colour, a component they have in ``in_full``."""
    needed = in_full.group_by("portion_index", "make_up_code").agg(
        pl.col("component_part_code").n_unique().alias("whole_count")
    )
    in_one_colour = ["portion_index", "colour_code", "make_up_code"]
    return (
        uses.with_columns(pl.col("component_part_code").n_unique().over(in_one_colour).alias("part_count"))
        .join(needed, on=["portion_index", "make_up_code"], maintain_order="left")
        .filter(pl.col("part_count") == pl.col("whole_count"))
        .select(USE_SCHEMA.names())
    )


def _numbered_offers(steps: pl.DataFrame, fits: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    sizes = parts.select("part_code", *SIZES)
    assumed = [pl.col(name).fill_null(assumed_size(parts, name) or 0).alias(name) for name in SIZES]
    return (
        steps.join(fits, on=["part_code", "colour_code", "condition"], how="semi")
        .sort(*OFFER_KEY, "step_from_quantity")
        .unique(OFFER_KEY, keep="first", maintain_order=True)
        .join(sizes, on="part_code", how="left", maintain_order="left")
        .with_columns(assumed)
        .with_row_index("offer_index")
        .cast({"offer_index": pl.Int64, **dict.fromkeys(SIZES, pl.Decimal(18, 6))})
    )


def _steps_sorted(steps: pl.DataFrame) -> pl.DataFrame:
    return steps.select(STEP_FACT_SCHEMA.names()).cast(STEP_FACT_SCHEMA).sort("offer_index", "step_from_quantity")


def _uses_sorted(uses: pl.DataFrame) -> pl.DataFrame:
    return (
        uses.select(USE_SCHEMA.names())
        .cast(USE_SCHEMA)
        .sort("portion_index", "offer_index", "make_up_code", "component_part_code")
    )
