"""One purchase plan for a list of needs: no model, no history, one scenario."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import polars as pl

from pipelines.costing.landed_cost import LandedCost, work_out
from pipelines.costing.several_orders import vendor_of, with_order_numbers
from pipelines.costing.terms_on import TermsBook, terms_on
from pipelines.demand.fitting import PORTION_KEY, parts_in_reach
from pipelines.demand.model_portions import PORTIONS_SCHEMA
from pipelines.errors import PlanRefusedError
from pipelines.inputs import WorkspaceInputs
from pipelines.money import currency_digits, round_down
from pipelines.planner import solve
from pipelines.planning.candidates import OFFER_KEY, candidates
from pipelines.planning.plan_check import faults
from pipelines.planning.plan_tables import gap_pct
from pipelines.planning.purchase_plan import PurchasePlan, nothing_bought, plan_of
from pipelines.planning.remedies import remedies

_ELEMENT = ["vendor_code", "part_code", "colour_code", "condition"]
_NO_CODES = pl.lit([], dtype=pl.List(pl.String))


@dataclass(frozen=True)
class NeedsPlan:
    """The plan and what is shown of it; money is in the buyer's currency unless stated otherwise.

    Attributes:
        status: proven, bounded, partial or refused.
        refusal, next_step: why a refused plan must not be used, and what can be done, if that is known. A refused plan buys
            nothing.
        landed_cost: the costs, by order code: one order per vendor, or several where its terms allow that.
        takes_several_orders: whether any vendor's terms allow several orders.
        lower_bound: no plan with as few pieces unfilled costs less; rounded down to the currency's digits.
        gap_pct: how far the cost lies above the bound, in per cent of it; infinite above a bound of 0.
        lines: line_number, portion_number (of the needs), vendor_code, part_code, colour_code, condition, combination_code,
            quantity (pieces used), unit_price (in currency_code, the vendor's), order_number (with the vendor, from 1).
        spares: vendor_code, part_code, colour_code, condition, quantity, unit_price, currency_code, order_number.
        unfilled: line_number, portion_number, part_code, colour_code, quantity, remedies.
        unweighed_count: parts bought whose weight or size is assumed, where shipping depends on it.
        hit_time_limit: a safety limit on time was met, so that the next run may find another plan.
        left_out: vendors that can't be used on the day, with the reason, beside those that were left out before.
    """

    status: str
    refusal: str
    next_step: str
    landed_cost: LandedCost
    takes_several_orders: bool
    lower_bound: Decimal
    gap_pct: float
    lines: pl.DataFrame
    spares: pl.DataFrame
    unfilled: pl.DataFrame
    unweighed_count: int
    hit_time_limit: bool
    left_out: dict[str, str]


def plan_needs(
    inputs: WorkspaceInputs,
    needs: pl.DataFrame,
    offers: pl.DataFrame,
    left_out: Mapping[str, str],
    day: date,
    effort: str,
) -> NeedsPlan:
    """Plan a purchase under the first scenario of the settings, for their first buyer.

    Args:
        inputs: the tables of a workspace.
        needs: PLAN_NEEDS.
        offers: PLAN_OFFERS.
        left_out: vendors that are not used whatever their terms, with the reason.
        day: whose terms, rates and substitutes count.
        effort: quick, standard or deep.
    """
    scenario, buyer = inputs.settings.scenario[0], inputs.settings.buyer[0]
    known = terms_on(inputs, day, buyer)
    usable = {code: terms for code, terms in known.vendors.items() if vendor_of(code) not in left_out}
    book = TermsBook(usable, {**known.left_out, **left_out})
    portions = portions_of(needs)
    market = market_of(offers, inputs, portions, day)
    found = candidates(portions, market, inputs, day, scenario, book)
    plan, refusal, next_step = nothing_bought(found), "", ""
    try:
        if found.uses.height or scenario.forced_vendors:
            plan = plan_of(found, solve.solve(found.problem(book, scenario), effort))
        if wrong := faults(plan, found, work_out(plan.purchases, book.vendors)):
            refusal = f"the plan failed a check: {wrong[0]}"
    except PlanRefusedError as error:
        refusal, next_step = error.what, error.next_step
    if refusal:
        plan = nothing_bought(found)
    missing = portions.drop("quantity").join(plan.unfilled, on=PORTION_KEY).select(portions.columns)
    ways: dict[tuple[int, int], str] = {}
    if missing.height and not refusal:
        bought = plan.purchases.select(*OFFER_KEY, "quantity")
        ways = remedies(missing, bought, market, inputs, day, scenario, book)
    landed_cost = work_out(plan.purchases, book.vendors)
    bound = round_down(plan.lower_bound, currency_digits(buyer.currency_code))
    offset = _rest_offset(needs)
    return NeedsPlan(
        status=_status(plan, refusal),
        refusal=refusal,
        next_step=next_step,
        landed_cost=landed_cost,
        takes_several_orders=any(terms.maximum_order_count > 1 for terms in book.vendors.values()),
        lower_bound=min(bound, landed_cost.total),
        gap_pct=gap_pct(plan.cost, plan.lower_bound),
        lines=_lines(plan, offset),
        spares=_spares(plan),
        unfilled=_unfilled(missing, ways, offset),
        unweighed_count=_unweighed_count(plan, inputs, book),
        hit_time_limit=plan.hit_time_limit,
        left_out={code: reason for code, reason in known.left_out.items() if code not in left_out},
    )


def portions_of(needs: pl.DataFrame) -> pl.DataFrame:
    """The needs as PORTIONS_SCHEMA.

    A row with a flexible quantity becomes two portions. The flexible pieces keep its number; the rest gets a number beyond all
    of the file's, which ``plan_needs`` turns back.
    """
    flexible = pl.min_horizontal("quantity", pl.coalesce("flexible_quantity", "quantity"))
    own_group = pl.format("line {} portion {}", "line_number", "portion_number")
    needs_group = (pl.col("colour_rule") == "any_one") & (pl.col("group_code").fill_null("") == "")
    shared = needs.with_columns(
        pl.lit("designer").alias("portion_source"),
        pl.col("part_code").alias("listed_part_code"),
        pl.col("colour_code").alias("listed_colour_code"),
        pl.when(needs_group).then(own_group).otherwise(pl.col("group_code").fill_null("")).alias("group_code"),
        *(_codes(name) for name in ("accept_colour_codes", "refuse_colour_codes", "accept_conditions")),
        flexible.alias("flexible"),
    )
    rest = shared.with_columns(
        pl.col("portion_number") + _rest_offset(needs),
        pl.col("quantity") - pl.col("flexible"),
        pl.lit("as_listed").alias("colour_rule"),
        _NO_CODES.alias("accept_colour_codes"),
        _NO_CODES.alias("refuse_colour_codes"),
        pl.lit("").alias("group_code"),
        pl.lit(None, dtype=pl.Float64).alias("near_distance"),
    )
    both = [shared.with_columns(pl.col("flexible").alias("quantity")), rest]
    names = PORTIONS_SCHEMA.names()
    return (
        pl.concat([frame.select(names).cast(PORTIONS_SCHEMA) for frame in both])
        .filter(pl.col("quantity") > 0)
        .sort(PORTION_KEY)
    )


def market_of(offers: pl.DataFrame, inputs: WorkspaceInputs, portions: pl.DataFrame, day: date) -> pl.DataFrame:
    """The offers of parts that could fill the portions, in any colour, as a market of the day with offer_ids."""
    reach = parts_in_reach(portions["listed_part_code"], inputs.tables).to_frame()
    near = offers.join(reach, on="part_code", how="semi").with_columns(
        pl.col("listing_code", "assortment_code").fill_null("")
    )
    numbers = near.select(OFFER_KEY).unique().sort(OFFER_KEY).with_row_index("_number", offset=1)
    return (
        near.join(numbers, on=OFFER_KEY, how="left")
        .with_columns(
            pl.format("o{}", pl.col("_number").cast(pl.String).str.zfill(9)).alias("offer_id"),
            pl.lit(day).alias("last_confirmed_on"),
        )
        .drop("_number")
        .sort(*OFFER_KEY, "step_from_quantity")
    )


def _rest_offset(needs: pl.DataFrame) -> int:
    return int(needs["portion_number"].max() or 0)  # type: ignore[arg-type]


def _codes(name: str) -> pl.Expr:
    pieces = pl.col(name).fill_null("").str.split(";").list.eval(pl.element().str.strip_chars())
    return pieces.list.eval(pl.element().filter(pl.element() != "")).alias(name)


def _status(plan: PurchasePlan, refusal: str) -> str:
    if refusal:
        return "refused"
    if plan.unfilled.height:
        return "partial"
    return "proven" if plan.is_proven else "bounded"


def _as_in_the_needs(frame: pl.DataFrame, offset: int) -> pl.DataFrame:
    number = pl.col("portion_number")
    return frame.with_columns(pl.when(number > offset).then(number - offset).otherwise(number).alias("portion_number"))


def _lines(plan: PurchasePlan, offset: int) -> pl.DataFrame:
    prices = plan.purchases.select("offer_id", *_ELEMENT, "unit_price", "currency_code")
    by = [*PORTION_KEY, *_ELEMENT, "combination_code", "unit_price", "currency_code"]
    served = plan.allocations.drop("colour_code").join(prices, on="offer_id")
    return with_order_numbers(_as_in_the_needs(served, offset).group_by(by).agg(pl.col("quantity").sum()).sort(by))


def _spares(plan: PurchasePlan) -> pl.DataFrame:
    used = plan.allocations.group_by("offer_id").agg(pl.col("quantity").sum().alias("used"))
    spares = (
        plan.purchases.join(used, on="offer_id", how="left")
        .with_columns(pl.col("quantity") - pl.col("used").fill_null(0))
        .filter(pl.col("quantity") > 0)
        .select(*_ELEMENT, "quantity", "unit_price", "currency_code")
        .sort(*_ELEMENT, "unit_price")
    )
    return with_order_numbers(spares)


def _unfilled(missing: pl.DataFrame, ways: Mapping[tuple[int, int], str], offset: int) -> pl.DataFrame:
    sentences = [ways.get(key, "") for key in missing.select(PORTION_KEY).iter_rows()]
    rows = missing.select(
        *PORTION_KEY,
        pl.col("listed_part_code").alias("part_code"),
        pl.col("listed_colour_code").alias("colour_code"),
        "quantity",
        pl.Series("remedies", sentences, dtype=pl.String),
    )
    by = [*PORTION_KEY, "part_code", "colour_code"]
    words = pl.col("remedies").filter(pl.col("remedies") != "").unique(maintain_order=True).str.join("; ")
    return (
        _as_in_the_needs(rows, offset).group_by(by, maintain_order=True).agg(pl.col("quantity").sum(), words).sort(by)
    )


def _unweighed_count(plan: PurchasePlan, inputs: WorkspaceInputs, book: TermsBook) -> int:
    bases = {code: {step.basis for step in terms.shipping_steps} for code, terms in book.vendors.items()}
    parts = inputs.tables["parts"]
    unweighed: set[str] = set()
    for column in ("weight_grams", "largest_dimension_mm"):
        by_size = [code for code, used in bases.items() if column in used]
        known = parts.filter(pl.col(column).is_not_null())["part_code"].implode()
        bought = plan.purchases.filter(pl.col("vendor_code").is_in(by_size) & ~pl.col("part_code").is_in(known))
        unweighed |= set(bought["part_code"])
    return len(unweighed)
