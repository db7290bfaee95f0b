"""A purchase problem with all its money multiplied, its rows in another order, its codes renamed, or an idle vendor more."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.order_penalties import OrderPenalties
from pipelines.costing.terms import BorderStep, Handling, ShippingStep, VendorTerms
from pipelines.planner.statement.problem import Problem

MONEY = pl.Decimal(18, 6)


def with_money_times(problem: Problem, factor: Decimal) -> Problem:
    """All amounts of money multiplied: prices, charges, thresholds, penalties. Rates and per cents stay."""
    penalties = problem.penalties
    prices = [price * factor for price in problem.offer_steps["unit_price"].to_list()]
    return replace(
        problem,
        offer_steps=problem.offer_steps.with_columns(pl.Series("unit_price", prices, dtype=MONEY)),
        terms={code: _terms_times(terms, factor) for code, terms in problem.terms.items()},
        penalties=OrderPenalties(
            penalties.parcel * Fraction(factor),
            penalties.preferred_vendors,
            penalties.preference_value * Fraction(factor),
        ),
    )


def in_another_currency(problem: Problem, factor: Decimal) -> Problem:
    """Every vendor counts in a currency of which it takes ``factor`` times as many; what all costs the buyer stays."""
    scaled = with_money_times(problem, factor)
    terms = {
        code: replace(
            terms,
            rate=terms.rate / Fraction(factor),
            border=problem.terms[code].border,  # in the buyer's currency
        )
        for code, terms in scaled.terms.items()
    }
    return replace(scaled, terms=terms, penalties=problem.penalties)


def _terms_times(terms: VendorTerms, factor: Decimal) -> VendorTerms:
    waived_from = terms.shipping_waived_from
    return replace(
        terms,
        shipping_charge=terms.shipping_charge * factor,
        shipping_waived_from=None if waived_from is None else waived_from * factor,
        minimum_order=terms.minimum_order * factor,
        soft_minimum=terms.soft_minimum * factor,
        soft_minimum_charge=terms.soft_minimum_charge * factor,
        minimum_line_value=terms.minimum_line_value * factor,
        order_fee=terms.order_fee * factor,
        discount_from=terms.discount_from * factor,
        shipping_steps=tuple(_step_times(step, factor) for step in terms.shipping_steps),
        handling={
            code: Handling(
                handling.charge * factor, None if handling.waived_from is None else handling.waived_from * factor
            )
            for code, handling in terms.handling.items()
        },
        border=tuple(
            BorderStep(step.goods_from * factor, step.duty_pct, step.clearance_charge * factor) for step in terms.border
        ),
    )


def _step_times(step: ShippingStep, factor: Decimal) -> ShippingStep:
    by_value = factor if step.basis == "goods_value" else Decimal(1)
    return replace(
        step,
        from_value=step.from_value * by_value,
        to_value=None if step.to_value is None else step.to_value * by_value,
        charge=step.charge * factor,
    )


def shuffled(problem: Problem, seed: int) -> Problem:
    """Portions and offers numbered in another order, rows of uses too; vendors and colours get codes that sort otherwise."""
    rng = random.Random(seed)
    portions, offers = (rng.sample(range(count), count) for count in (len(problem.portions), len(problem.offers)))
    vendor = _renamed(problem.terms, rng)
    colour = _renamed({*problem.offers["colour_code"], *problem.uses["colour_code"]}, rng)
    part = _renamed({*problem.offers["part_code"], *problem.uses["component_part_code"]} - {""}, rng) | {"": ""}
    line = {number: place for place, number in enumerate(portions)}
    offer = {number: place for place, number in enumerate(offers)}

    def mapped(name: str, places: dict[Any, Any]) -> pl.Expr:
        return pl.col(name).replace_strict(places)

    stated = problem.offers.with_columns(
        mapped("offer_index", offer), mapped("vendor_code", vendor), mapped("part_code", part), mapped("colour_code", colour)
    )  # fmt: skip
    uses = problem.uses.with_columns(
        mapped("portion_index", line), mapped("offer_index", offer), mapped("colour_code", colour),
        mapped("component_part_code", part),
    )  # fmt: skip
    return replace(
        problem,
        portions=problem.portions.with_columns(mapped("portion_index", line)).sort("portion_index"),
        offers=stated.sort("offer_index"),
        offer_steps=problem.offer_steps.with_columns(mapped("offer_index", offer)).sample(fraction=1.0, shuffle=True, seed=seed),
        uses=uses.sample(fraction=1.0, shuffle=True, seed=seed + 1),
        terms={vendor[code]: replace(terms, vendor_code=vendor[code]) for code, terms in problem.terms.items()},
        forced_vendors=frozenset(vendor[code] for code in problem.forced_vendors),
        penalties=replace(
            problem.penalties,
            preferred_vendors=frozenset(vendor.get(code, code) for code in problem.penalties.preferred_vendors),
        ),
    )  # fmt: skip


def _renamed(codes: Any, rng: random.Random) -> dict[str, str]:
    names = sorted(codes)
    return dict(zip(names, (f"n{place:04d}" for place in rng.sample(range(len(names)), len(names))), strict=True))


def with_idle_vendor(problem: Problem) -> Problem:
    """One vendor more, which sells all of the first vendor's offers a hundred times dearer."""
    first = problem.offers["vendor_code"].min()
    mine = problem.offers.filter(pl.col("vendor_code") == first)
    shift: Callable[[str], pl.Expr] = lambda name: pl.col(name).replace_strict(  # noqa: E731
        dict(zip(mine["offer_index"], range(len(problem.offers), len(problem.offers) + len(mine)), strict=True))
    )
    steps, uses = (frame.join(mine.select("offer_index"), on="offer_index", how="semi").with_columns(shift("offer_index"))
                   for frame in (problem.offer_steps, problem.uses))  # fmt: skip
    dearer = pl.Series("unit_price", [price * 100 for price in steps["unit_price"].to_list()], dtype=MONEY)
    own = VendorTerms("zz-idle", shipping_charge=Decimal(1000))
    return replace(
        problem,
        offers=pl.concat([problem.offers, mine.with_columns(shift("offer_index"), vendor_code=pl.lit("zz-idle"))]),
        offer_steps=pl.concat([problem.offer_steps, steps.with_columns(dearer)]),
        uses=pl.concat([problem.uses, uses]),
        terms={**problem.terms, "zz-idle": own},
    )
