"""Hypothesis strategies for tiny purchase problems with every rule, small enough for brute force."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl
from hypothesis import strategies as st

from pipelines.costing.order_penalties import NO_PENALTIES, OrderPenalties
from pipelines.costing.terms import VendorTerms
from pipelines.planner.statement.problem import PORTION_SCHEMA, STEP_SCHEMA, USE_SCHEMA, WHOLE_OFFER_SCHEMA, Problem
from tests.oracle.random_terms import ASSORTMENTS, amounts, maybe, vendor_terms

PARTS, COLOURS = ("brick", "plate"), ("olive", "teal")
ELEMENTS = [(part, colour) for part in PARTS for colour in COLOURS]


def plain_terms(vendor_code: str) -> st.SearchStrategy[VendorTerms]:
    """A shipping charge and a tax on goods, no more."""
    return st.builds(
        VendorTerms, st.just(vendor_code), shipping_charge=amounts("0", "4"), tax_rate_pct=st.sampled_from([Decimal(0), Decimal(7)])
    )  # fmt: skip


@st.composite
def problems(draw: st.DrawFn, rules: bool = True, packs: bool = False) -> Problem:
    """A problem with at most three portions, three vendors and six offers, which may all be sold in packs."""
    terms = {}
    for number in range(1, draw(st.integers(1, 3)) + 1):
        code = f"v{number}"
        terms[code] = draw(st.one_of(vendor_terms(code), plain_terms(code)) if rules else plain_terms(code))
    offers, steps = draw(_offers(sorted(terms), rules, packs))
    portions = []
    uses = []
    for index in range(draw(st.integers(1, 3))):
        group = draw(maybe(st.just("g"), "")) if rules else ""
        portions.append((index, index + 1, 1, draw(st.integers(1, 3 if rules else 5)), group))
        accepted = draw(st.lists(st.sampled_from(ELEMENTS), min_size=1, max_size=4, unique=True))
        uses += [
            (index, offer["offer_index"], offer["colour_code"], "", "", 1)
            for offer in offers
            if (offer["part_code"], offer["colour_code"]) in accepted
        ]
        if rules and draw(st.integers(0, 3)) == 0:
            uses += draw(_combination(index, offers))
    return Problem(
        pl.DataFrame(portions, PORTION_SCHEMA, orient="row"),
        pl.DataFrame(offers, WHOLE_OFFER_SCHEMA),
        pl.DataFrame(steps, STEP_SCHEMA, orient="row"),
        pl.DataFrame(uses, USE_SCHEMA, orient="row"),
        terms,
        allow_spares=draw(st.booleans()) if rules else True,
        maximum_vendor_count=draw(maybe(st.integers(1, 2), None)) if rules else None,
        forced_vendors=draw(maybe(st.frozensets(st.sampled_from(sorted(terms)), max_size=2), frozenset()))
        if rules
        else frozenset(),
        penalties=draw(_penalties(sorted(terms))) if rules else NO_PENALTIES,
    )


def _penalties(vendor_codes: list[str]) -> st.SearchStrategy[OrderPenalties]:
    """Of parcels, and of those from vendors that are not preferred."""
    return st.builds(
        OrderPenalties,
        maybe(amounts("0.25", "5").map(Fraction), Fraction(0)),
        maybe(st.frozensets(st.sampled_from([*vendor_codes, "nobody"]), max_size=2), frozenset()),
        st.sampled_from([Fraction(1, 100), Fraction(1, 2), Fraction(3)]),
    )


@st.composite
def _combination(draw: st.DrawFn, portion: int, offers: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
    """A combination of one or two bricks and a plate, in every colour on offer."""
    counts = {"brick": draw(st.integers(1, 2)), "plate": 1}
    return [
        (portion, offer["offer_index"], offer["colour_code"], "m", offer["part_code"], counts[offer["part_code"]])
        for offer in offers
        if offer["part_code"] in counts
    ]


@st.composite
def _offers(
    draw: st.DrawFn, vendor_codes: list[str], rules: bool, packs: bool
) -> tuple[list[dict[str, Any]], list[tuple[Any, ...]]]:
    offers, steps = [], []
    sellers = [code for code in vendor_codes for _ in range(draw(st.integers(0, 3)))][:6]
    for index, vendor_code in enumerate(sellers):
        part, colour = draw(st.sampled_from(ELEMENTS))
        multiple = draw(st.integers(2, 4) if packs else maybe(st.integers(2, 3), 1)) if rules else 1
        offers.append(
            {
                "offer_index": index,
                "offer_id": f"o{index}",
                "vendor_code": vendor_code,
                "part_code": part,
                "colour_code": colour,
                "condition": "new",
                "listing_code": str(index),
                "assortment_code": draw(st.sampled_from(["", *ASSORTMENTS])),
                "quantity_available": draw(st.integers(4, 8) if packs else st.integers(1, 5)),
                "sold_in_multiples_of": multiple,
                "maximum_per_order": draw(maybe(st.integers(4 if packs else 1, 4), None)) if rules else None,
                "weight_grams": draw(st.sampled_from([Decimal("0.5"), Decimal("1.25"), Decimal(4)])),
                "largest_dimension_mm": draw(st.sampled_from([Decimal(8), Decimal(15), Decimal(40)])),
                "step_kind": draw(st.sampled_from(["all_units", "incremental"])) if rules else "all_units",
            }
        )
        price = draw(st.one_of(amounts("0.25", "3"), st.decimals("0.0001", 3, places=4)))
        starts = sorted(
            {draw(maybe(st.integers(2, 4), 1))} | draw(maybe(st.sets(st.integers(2, 5), max_size=2), set()))
        )
        for start in starts if rules else [1]:
            steps.append((index, start, price))
            price = max(Decimal("0.0001"), draw(st.sampled_from([price / 2, price - Decimal("0.01"), price * 2])))
            price = round(price, 4)
    return offers, steps
