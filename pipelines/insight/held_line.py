"""A plan with one line held to its listed colour: first by moving the line's pieces, then by planning anew around it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import polars as pl

from pipelines.costing.candidates import Candidates
from pipelines.costing.fitting import PORTION_KEY
from pipelines.costing.planner import mip
from pipelines.costing.plans import Plan, as_solution, plan_of
from pipelines.costing.receipt import work_out
from pipelines.costing.terms_on import TermsBook
from pipelines.errors import PlanRefusedError
from pipelines.insight.moves import Limits, Moved, Orders, Portion, offers_of
from pipelines.insight.published_plans import EFFORT
from pipelines.settings import Scenario

OTHER_VENDORS = 2
"""Vendors looked at besides the plan's own and the listed plan's: those cheapest for the line in its listed colour."""
OFFERS_PER_VENDOR = 2
"""Offers of one vendor that stay open to a portion besides those the plan uses: its cheapest."""


@dataclass(frozen=True)
class Line:
    """A line to hold.

    Attributes:
        wanted: pieces by freed portion.
        colour_code: the listed colour.
        offers: line_number, portion_number, offer_index, offer_id, vendor_code: what serves it in that colour, cheapest
            first.
        vendors: vendors to look at, the plan's own included.
    """

    wanted: dict[Portion, int]
    colour_code: str
    offers: pl.DataFrame
    vendors: frozenset[str]


class HeldLines:
    """One published plan, whose lines can be held one at a time.

    Args:
        candidates: of the plan's scenario.
        plan: the published plan with its exact cost and bound.
        scenario: its rules.
        book: the vendors' terms.
        freed: the lines to hold: PORTIONS_SCHEMA of demand.py.
    """

    def __init__(
        self, candidates: Candidates, plan: Plan, scenario: Scenario, book: TermsBook, freed: pl.DataFrame
    ) -> None:
        self.candidates, self.plan, self.scenario, self.book = candidates, plan, scenario, book
        self.priced = _priced_uses(candidates, plan, book)
        listed = freed.select(*PORTION_KEY, "listed_colour_code")
        self.in_listed_colour = (
            self.priced.join(listed, on=PORTION_KEY)
            .filter((pl.col("colour_code") == pl.col("listed_colour_code")) & (pl.col("make_up_code") == ""))
            .sort("price", "offer_index")
        )
        bought = candidates.offers.join(plan.purchases, on="offer_id", how="semi")["offer_index"]
        offers = offers_of(candidates, [*bought, *self.in_listed_colour["offer_index"]])
        self.orders = Orders(plan, offers, book.vendors)
        forced = frozenset(scenario.forced_vendors)
        self._limits = Limits(scenario.allow_spares, scenario.maximum_vendor_count, forced)

    def line(self, portions: pl.DataFrame, listed_vendors: Collection[str]) -> Line | None:
        """The line of some freed portions; None where its listed colour is refused or nobody offers it."""
        wanted = self.candidates.portions.join(portions.select(PORTION_KEY), on=PORTION_KEY, how="semi")
        offers = self.in_listed_colour.join(wanted, on=PORTION_KEY, how="semi", maintain_order="left")
        if offers.is_empty():
            return None
        own = {*self.plan.purchases["vendor_code"], *listed_vendors}
        cheapest = offers["vendor_code"].unique(maintain_order=True).to_list()
        others = [code for code in cheapest if code not in own][:OTHER_VENDORS]
        return Line(
            _pieces(wanted),
            portions["listed_colour_code"][0],
            offers,
            frozenset({*own, *others} & set(self.candidates.vendor_codes)),
        )

    def without(self, portions: pl.DataFrame) -> Moved | None:
        """The plan without the pieces of some portions, which stay unfilled."""
        wanted = self.candidates.portions.join(portions.select(PORTION_KEY), on=PORTION_KEY, how="semi")
        return self.orders.moved(_pieces(wanted), {}, [frozenset()], self._limits)

    def moved(self, line: Line) -> Moved | None:
        """The line's pieces bought in its listed colour, all else as it is: the cheapest way found, if there is one.

        Bought from the plan's vendors, or from them and one of the others.
        """
        options: dict[Portion, list[str]] = {}
        for number, portion, offer_id in line.offers.select(*PORTION_KEY, "offer_id").iter_rows():
            options.setdefault((number, portion), []).append(offer_id)
        own = frozenset(self.plan.purchases["vendor_code"])
        choices = [own, *(own | {code} for code in sorted(line.vendors - own))]
        return self.orders.moved(line.wanted, options, choices, self._limits)

    def replanned(self, line: Line, start: Moved | None) -> Moved | None:
        """The best plan found with the line held and its vendors alone, from ``start``; None where planning is refused."""
        held = self._held_candidates(line)
        started = None if start is None else as_solution(start.plan, held, self.scenario)
        try:
            solution = mip.solve(held.problem(self.book, self.scenario), EFFORT, started)
        except PlanRefusedError:
            return None
        plan = plan_of(held, solution)
        receipt = work_out(plan.purchases, self.book.vendors)
        if receipt.broken_rules or receipt.exact_cost != plan.cost:
            return None
        if start is not None and start.plan.rank < plan.rank:
            return Moved(start.plan.bounded_like(plan), start.landed_cost)
        return Moved(plan, receipt.landed_cost)

    def _held_candidates(self, line: Line) -> Candidates:
        """The candidates with the line held, its vendors only, and a few offers of each for every other portion.

        A held portion leaves its colour group, as a line as listed would. Portions of groups keep all their offers, so
        that a group can still choose its colour.
        """
        held = pl.DataFrame(list(line.wanted), schema=dict.fromkeys(PORTION_KEY, pl.Int64), orient="row")
        of_vendors = self.priced.filter(pl.col("vendor_code").is_in(list(line.vendors)))
        in_colour = of_vendors.join(held, on=PORTION_KEY, how="semi").filter(pl.col("colour_code") == line.colour_code)
        place = pl.int_range(pl.len()).over("portion_index", "vendor_code", "make_up_code", "component_part_code")
        is_kept = (place < OFFERS_PER_VENDOR) | pl.col("is_used") | (pl.col("group_code") != "")
        others = of_vendors.join(held, on=PORTION_KEY, how="anti", maintain_order="left").filter(is_kept)
        uses = pl.concat([frame.select(self.candidates.uses.columns) for frame in (others, in_colour)])
        marked = self.candidates.portions.join(
            held.with_columns(pl.lit(True).alias("is_held")), on=PORTION_KEY, how="left", maintain_order="left"
        )
        alone = pl.when(pl.col("is_held")).then(pl.lit("")).otherwise("group_code").alias("group_code")
        portions = marked.with_columns(alone).drop("is_held")
        return replace(self.candidates, portions=portions).with_uses(uses)


def _pieces(portions: pl.DataFrame) -> dict[Portion, int]:
    return {(line, number): n for line, number, n in portions.select(*PORTION_KEY, "quantity").iter_rows()}


def _priced_uses(candidates: Candidates, plan: Plan, book: TermsBook) -> pl.DataFrame:
    """Uses, cheapest first within a portion: with its key and group, the offer's identity and vendor, a price, and use.

    ``price`` is that of one piece at the step the portion's quantity reaches, in the buyer's currency; it only ranks.
    """
    rates = pl.DataFrame(
        {
            "vendor_code": candidates.vendor_codes,
            "rate": [float(book.vendors[code].rate) for code in candidates.vendor_codes],
        },
        schema={"vendor_code": pl.String, "rate": pl.Float64},
    )
    portions = candidates.portions.select("portion_index", *PORTION_KEY, "group_code", "quantity")
    uses = (
        candidates.uses.join(portions, on="portion_index")
        .join(candidates.offers.select("offer_index", "offer_id", "vendor_code"), on="offer_index")
        .join(rates, on="vendor_code")
    )
    key = ["portion_index", "offer_index", "make_up_code", "component_part_code"]
    reached = pl.col("step_from_quantity") <= pl.col("quantity") * pl.col("component_count")
    is_first = pl.col("step_from_quantity") == pl.col("step_from_quantity").min().over("offer_index")
    prices = (
        uses.join(candidates.steps.select("offer_index", "step_from_quantity", "unit_price"), on="offer_index")
        .filter(reached | is_first)
        .group_by(key)
        .agg((pl.col("unit_price").cast(pl.Float64) * pl.col("rate")).min().alias("price"))
    )
    in_use = plan.allocations.select(*PORTION_KEY, "offer_id", "make_up_code").unique()
    return (
        uses.join(prices, on=key)
        .join(in_use.with_columns(pl.lit(True).alias("is_used")), on=in_use.columns, how="left")
        .with_columns(pl.col("is_used").fill_null(False))
        .drop("quantity", "rate")
        .sort("portion_index", "price", "offer_index", "make_up_code", "component_part_code")
    )
