"""Which offers may fill which portion, as the planner needs them, and what stock on hand fills before."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipelines.costing.order_penalties import penalties_under
from pipelines.costing.several_orders import first_orders, order_number_of, vendor_of, with_order_codes
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import SIZES, TermsBook, assumed_size
from pipelines.demand.fitting import PORTION_KEY, accepted, fitting_elements
from pipelines.demand.stock_on_hand import take_from_stock
from pipelines.inputs import WorkspaceInputs
from pipelines.planner.statement.bands import compile_terms, may_cost_less_apart
from pipelines.planner.statement.problem import PORTION_SCHEMA, STEP_SCHEMA, USE_SCHEMA, WHOLE_OFFER_SCHEMA, Problem
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


BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Portion = tuple[int, int]
"""line_number and portion_number."""
Use = tuple[int, int, str, str]
"""portion_index, offer_index, combination_code and component_part_code."""


@dataclass(frozen=True)
class Candidates:
    """Offers that may fill portions. Dozens of plans are compared with them, so what that takes is kept as dicts.

    Attributes:
        portions: PORTION_SCHEMA, what is left to buy after stock on hand.
        offers: WHOLE_OFFER_SCHEMA, only offers with a use, in the order of OFFER_KEY.
        steps: STEP_FACT_SCHEMA, the offers' price steps with what the published tables state of them, by offer and start.
        uses: USE_SCHEMA, by portion, offer, combination and component.
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
            frozenset(scenario.forced_vendors),
            penalties_under(scenario),
        )

    @cached_property
    def vendor_codes(self) -> list[str]:
        """The vendors with a use, sorted."""
        return sorted(set(self.offers["vendor_code"].to_list()))

    @cached_property
    def needed(self) -> dict[Portion, int]:
        """Pieces to buy by portion, in the order of ``portions``."""
        return dict(zip(self._portion_keys, self.portions["quantity"].to_list(), strict=True))

    @cached_property
    def portion_numbers(self) -> dict[Portion, int]:
        """portion_index by portion."""
        return {portion: index for index, portion in enumerate(self._portion_keys)}

    @cached_property
    def offer_numbers(self) -> dict[str, int]:
        """offer_index by offer_id, in the order of ``offers``."""
        return {offer_id: index for index, offer_id in enumerate(self.offers["offer_id"].to_list())}

    @cached_property
    def component_counts(self) -> dict[Use, int]:
        """Pieces of the offer in one piece of the portion, by use."""
        columns = ("portion_index", "offer_index", "combination_code", "component_part_code", "component_count")
        *use, counts = (self.uses[name].to_list() for name in columns)
        return dict(zip(zip(*use, strict=True), counts, strict=True))

    @cached_property
    def components(self) -> dict[tuple[int, str], set[str]]:
        """The components of each combination by portion_index and combination_code."""
        return _components_of(self.uses)

    @property
    def _portion_keys(self) -> list[Portion]:
        return list(zip(*(self.portions[name].to_list() for name in PORTION_KEY), strict=True))

    def orders_with(self, vendor_codes: Collection[str]) -> list[str]:
        """The order codes of some vendors, sorted."""
        return [code for code in self.vendor_codes if vendor_of(code) in vendor_codes]

    def of_vendors(self, vendor_codes: Collection[str]) -> Candidates:
        """The same with the offers of some orders (by order code) alone; combinations that lose a component go too."""
        kept = set(vendor_codes)
        is_kept = np.array([code in kept for code in self.offers["vendor_code"].to_list()], dtype=bool)
        return self.with_those_uses(is_kept[self.uses["offer_index"].to_numpy()])

    def with_uses(self, uses: pl.DataFrame) -> Candidates:
        """The same with some of the uses only; offers without a use are dropped, and the rest gets new numbers."""
        given = replace(self, uses=_uses_sorted(uses))
        return given._cut(given.portions, _is_in_whole_combination(given.uses, self.components))

    def with_those_uses(self, is_kept: BoolArray) -> Candidates:
        """As ``with_uses``, the uses given by row."""
        if self.components:
            kept = np.flatnonzero(is_kept)
            is_kept = is_kept.copy()
            is_kept[kept] = _is_in_whole_combination(self.uses[kept], self.components)
        return self._cut(self.portions, is_kept)

    def with_quantities(self, quantities: dict[Portion, int]) -> Candidates:
        """The same with other quantities by portion; portions that are not named, or with nothing to buy, are dropped."""
        quantity = np.array([quantities.get(portion, 0) for portion in self._portion_keys], dtype=np.int64)
        rows = np.flatnonzero(quantity > 0)
        portions = _with_numbers(self.portions[rows], quantity=quantity[rows])
        return self._cut(portions, np.ones(self.uses.height, dtype=bool))

    def _cut(self, portions: pl.DataFrame, is_kept: BoolArray) -> Candidates:
        """Some of the portions, in order, and of the uses, with new numbers; offers that lose all their uses are dropped.

        A cut keeps the order of rows, so nothing has to be sorted again.
        """
        of_portion, of_offer = (self.uses[name].to_numpy() for name in ("portion_index", "offer_index"))
        new_portion = np.full(self.portions.height, -1)
        new_portion[portions["portion_index"].to_numpy()] = np.arange(portions.height)
        uses = np.flatnonzero(is_kept & (new_portion[of_portion] >= 0))
        is_used = np.zeros(self.offers.height, dtype=bool)
        is_used[of_offer[uses]] = True
        new_offer = np.cumsum(is_used) - 1
        offers = np.flatnonzero(is_used)
        of_step = self.steps["offer_index"].to_numpy()
        steps = np.flatnonzero(is_used[of_step])
        return replace(
            self,
            portions=_with_numbers(portions, portion_index=np.arange(portions.height)),
            offers=_with_numbers(self.offers[offers], offer_index=np.arange(offers.size)),
            steps=_with_numbers(self.steps[steps], offer_index=new_offer[of_step[steps]]),
            uses=_with_numbers(
                self.uses[uses], portion_index=new_portion[of_portion[uses]], offer_index=new_offer[of_offer[uses]]
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

    Left out are suspect offers, offers that can't be bought at all (stock or limit below the multiple or the first step),
    vendors without terms or forbidden by the scenario, and offers in another currency than their vendor's.

    Args:
        portions: PORTIONS_SCHEMA, with or without flexible lines as the scenario has it.
        market: the columns of PRICE_HISTORY and ``is_suspect``: what can be bought on the day.
        inputs: the workspace.
        day: whose substitutes and combinations count.
        scenario: the rules.
        book: the vendors' terms on the day for the buyer.
    """
    fits = fitting_elements(portions, inputs.tables, day, use_substitutes=scenario.use_substitutes)
    steps = steps_under_terms(buyable_steps(market), allowed_terms(scenario, book))
    return candidates_among(steps, portions, fits, inputs, scenario)


def candidates_among(
    steps: pl.DataFrame, portions: pl.DataFrame, fits: pl.DataFrame, inputs: WorkspaceInputs, scenario: Scenario
) -> Candidates:
    """As ``candidates``, from the price steps that can be bought and the elements that fit the portions."""
    fits = accepted(fits, portions, scenario.conditions)
    stock = inputs.tables["stock_on_hand"] if scenario.use_stock_on_hand else inputs.tables["stock_on_hand"].clear()
    on_hand = take_from_stock(portions, fits, stock)
    taken = on_hand.group_by(PORTION_KEY).agg(pl.col("quantity").sum().alias("taken"))
    needed = (
        portions.join(taken, on=PORTION_KEY, how="left")
        .with_columns(pl.col("quantity") - pl.col("taken").fill_null(0))
        .filter(pl.col("quantity") > 0)
        .sort(PORTION_KEY)
        .with_row_index("portion_index")
        .cast({"portion_index": pl.Int64})
        .select(PORTION_SCHEMA.names())
    )
    return offers_that_fit(needed, fits, steps, inputs.tables["parts"], on_hand)


def buyable_steps(market: pl.DataFrame) -> pl.DataFrame:
    """The price steps of offers that can be bought: not suspect in any step, with enough stock for the least purchase.

    Steps of one offer share one stock; where they differ, the most careful figure counts. Without the column step_kind all
    steps are all_units.
    """
    if "step_kind" not in market.columns:
        market = market.with_columns(pl.lit("all_units").alias("step_kind"))
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


def steps_under_terms(steps: pl.DataFrame, terms: Collection[VendorTerms]) -> pl.DataFrame:
    """Price steps of the vendors with these terms, in the currency of their terms.

    Where several orders with a vendor can cost less than one, its steps come once more for each further order, under that
    order's code.
    """
    first = first_orders(terms)
    currencies = {code: [getattr(each, code) for each in first] for code in ("vendor_code", "currency_code")}
    own = steps.join(
        pl.DataFrame(currencies, schema=dict.fromkeys(currencies, pl.String)), on=list(currencies), how="semi"
    )
    further = [each for each in terms if order_number_of(each.vendor_code) > 1]
    if not further:
        return own
    split_by_offers = set(_with_limits_or_steps(own)["vendor_code"])
    more = [
        (vendor, order_number_of(each.vendor_code))
        for each in further
        if (vendor := vendor_of(each.vendor_code)) in split_by_offers or may_cost_less_apart(compile_terms(each))
    ]
    orders = pl.DataFrame(more, schema={"vendor_code": pl.String, "order_number": pl.Int64}, orient="row")
    return pl.concat([own, with_order_codes(own.join(orders, on="vendor_code"))])


def _with_limits_or_steps(steps: pl.DataFrame) -> pl.DataFrame:
    """Price steps of offers that an order may take only so many of, or whose price depends on how many it takes."""
    return steps.filter(pl.col("maximum_per_order").is_not_null() | (pl.len().over(OFFER_KEY) > 1))


def allowed_terms(scenario: Scenario, book: TermsBook) -> list[VendorTerms]:
    """The terms of the vendors that a scenario uses."""
    return [terms for terms in book.vendors.values() if not why_forbidden(terms, scenario)]


def why_forbidden(terms: VendorTerms, scenario: Scenario) -> str:
    """Why a scenario does not use a vendor; empty where it may."""
    vendor = vendor_of(terms.vendor_code)
    if vendor in scenario.forbidden_vendors:
        return "the scenario forbids it"
    if scenario.only_vendors and vendor not in scenario.only_vendors:
        return "the scenario keeps to other vendors"
    if terms.vendor_kind == "maker" and scenario.maker == "none":
        return "the scenario does not use the maker's shop"
    if terms.vendor_kind == "independent" and not scenario.independents:
        return "the scenario does not use independent vendors"
    return ""


def offers_that_fit(
    needed: pl.DataFrame, fits: pl.DataFrame, steps: pl.DataFrame, parts: pl.DataFrame, on_hand: pl.DataFrame
) -> Candidates:
    """Join portions still to buy with the offers of fitting elements; drop combinations that lack a component.

    Args:
        needed: PORTION_SCHEMA.
        fits: FIT_SCHEMA.
        steps: what ``buyable_steps`` gives.
        parts: the table parts, for weights and sizes.
        on_hand: ON_HAND_SCHEMA, kept beside them.
    """
    offers = _numbered_offers(steps, fits, parts)
    numbers = offers.select("offer_index", *OFFER_KEY, "form_certainty")
    is_component = pl.col("combination_code") != ""
    in_full = fits.join(needed.select("portion_index", *PORTION_KEY), on=PORTION_KEY).with_columns(
        pl.when(is_component).then("part_code").otherwise(pl.lit("")).alias("component_part_code")
    )
    uses = _uses_sorted(
        in_full.join(numbers, on=["part_code", "colour_code", "condition"]).filter(
            ~pl.col("needs_stated_form") | (pl.col("form_certainty") == "stated")
        )
    )
    every_step = (
        steps.join(numbers.drop("form_certainty"), on=OFFER_KEY)
        .select(STEP_FACT_SCHEMA.names())
        .cast(STEP_FACT_SCHEMA)
        .sort("offer_index", "step_from_quantity")
    )
    every_offer = offers.select(WHOLE_OFFER_SCHEMA.names()).cast(WHOLE_OFFER_SCHEMA)
    found = Candidates(needed, every_offer, every_step, uses, on_hand)
    return found._cut(needed, _is_in_whole_combination(uses, _components_of(in_full)))


def _components_of(uses: pl.DataFrame) -> dict[tuple[int, str], set[str]]:
    """Components by portion_index and combination_code; direct uses have none."""
    found: dict[tuple[int, str], set[str]] = {}
    made_up = uses.filter(uses["combination_code"] != "").select(
        "portion_index", "combination_code", "component_part_code"
    )
    for portion, combination, component in made_up.unique().iter_rows():
        found.setdefault((portion, combination), set()).add(component)
    return found


def _is_in_whole_combination(uses: pl.DataFrame, components: dict[tuple[int, str], set[str]]) -> BoolArray:
    """By row: whether the use is direct, or its combination has all its components in the use's colour."""
    rows = (uses["combination_code"] != "").arg_true().to_numpy()
    is_whole = np.ones(uses.height, dtype=bool)
    if rows.size:
        made_up = uses[rows].select("portion_index", "combination_code", "colour_code", "component_part_code").rows()
        present: dict[tuple[int, str, str], set[str]] = {}
        for portion, combination, colour, component in made_up:
            present.setdefault((portion, combination, colour), set()).add(component)
        is_whole[rows] = [
            len(present[portion, combination, colour]) == len(components[portion, combination])
            for portion, combination, colour, _ in made_up
        ]
    return is_whole


def _with_numbers(frame: pl.DataFrame, **columns: IntArray) -> pl.DataFrame:
    """The frame with other numbers in some of its columns."""
    changed = frame.clone()
    for name, numbers in columns.items():
        changed.replace_column(frame.get_column_index(name), pl.Series(name, numbers, dtype=pl.Int64))
    return changed


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


def _uses_sorted(uses: pl.DataFrame) -> pl.DataFrame:
    return (
        uses.select(USE_SCHEMA.names())
        .cast(USE_SCHEMA)
        .sort("portion_index", "offer_index", "combination_code", "component_part_code")
    )
