"""Why a plan is as it is: every variant says what it would cost and change, and nothing that can't be compared is."""

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.page_tables import NOTHING
from pipelines.reporting.pages import write_pages
from pipelines.reporting.sections.variants import why_this_plan
from schemas.published.keys import PLAN_KEY
from schemas.published.plans import PLAN_VENDOR, SECOND_SOURCE
from schemas.published.what_if import PLAN_VARIANT
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import Night, frame
from tests.present import present


@pytest.fixture(scope="module")
def night() -> Night:
    return sample(month_count=2)


OWN = ["alder", "quay", "sumi"]
"""Vendors of the sample's plan, which costs 85.33 EUR."""


@pytest.fixture(scope="module")
def plan(night: Night) -> Any:
    page_data = PageData(*night)
    found = present(page_data.plan("m00", "inland", "cheapest"))
    assert (found["landed_cost"], found["currency_code"], found["unfilled_piece_count"]) == (Decimal("85.33"), "EUR", 0)
    assert page_data.rows_of_plan(PLAN_VENDOR, found)["vendor_code"].sort().to_list() == OWN
    return found


def variant(plan: Any, kind: Any, value: Any, extra: Any, vendors: Any, missing: int = 0) -> Any:
    return {
        **{name: plan[name] for name in PLAN_KEY},
        "variant_kind": kind, "variant_value": value, "landed_cost": plan["landed_cost"] + Decimal(extra),
        "unfilled_piece_count": plan["unfilled_piece_count"] + missing, "vendor_count": len(vendors),
        "variant_vendor_codes": ";".join(vendors),
    }  # fmt: skip


def source(
    plan: Any, line: Any, count: Any, in_plan: Any, second: str = "", price: Any = None, quantity: int = 4
) -> Any:
    return {
        **{name: plan[name] for name in PLAN_KEY},
        "line_number": line, "portion_number": 1, "quantity": quantity, "source_vendor_codes": "north",
        "paid_unit_price": Decimal("0.10"), "source_count": count, "source_in_plan_count": in_plan,
        "second_vendor_code": second, "second_unit_price": price, "is_second_in_plan": in_plan > 1 and bool(second),
    }  # fmt: skip


def why(night: Night, plan: Any, variants: Sequence[Any] = (), sources: Sequence[Any] = ()) -> Any:
    tables, inputs = night
    added = {
        "plan_variant": frame(PLAN_VARIANT, list(variants)),
        "second_source": frame(SECOND_SOURCE, list(sources)),
    }
    return why_this_plan(PageData({**tables, **added}, inputs), plan)


def test_a_plan_without_variants_needs_no_words(night: Night, plan: Any) -> None:
    assert why(night, plan) is None


def test_what_leaving_a_vendor_out_would_cost_and_the_runner_up(night: Night, plan: Any) -> None:
    reported = why(
        night,
        plan,
        [
            variant(plan, "without_vendor", "alder", "4.20", ["quay", "sumi"]),
            variant(plan, "without_vendor", "quay", "1.07", ["alder", "faraway", "sumi"]),
            variant(plan, "without_vendor", "sumi", "-9", ["alder", "quay"], missing=16),
        ],
    )
    (without,) = reported["tables"]
    assert without.rows == (
        ("Alder & Daughters", "18.73", "89.53", "4.46", "2", "0"),
        ("Quayside Parts", "35.92", "86.40", "1.33", "3", "0"),
        ("Sumi Bricks", "30.68", "76.33", NOTHING, "2", "16"),  # cheaper, but it lacks pieces: no comparison
    )
    assert reported["words"] == [
        "Next best vendors found: Alder & Daughters, Faraway Loft, Sumi Bricks, for 86.40 EUR."
    ]


def test_no_runner_up_where_nothing_else_buys_as_much(night: Night, plan: Any) -> None:
    reported = why(night, plan, [variant(plan, "without_vendor", "sumi", "-9", ["alder", "quay"], missing=16)])
    assert reported["words"] == []


def test_what_fewer_parcels_would_cost(night: Night, plan: Any) -> None:
    variants = [
        variant(plan, "at_most_vendors", "10", "0.50", OWN),
        variant(plan, "at_most_vendors", "2", "3", ["alder", "quay"]),
        variant(plan, "at_most_vendors", "1", "-20", ["quay"], missing=100),
    ]
    assert why(night, plan, variants)["tables"][0].rows == (
        ("at most 1", "65.33", NOTHING, "100"),
        ("at most 2", "88.33", "3.26", "0"),
        ("at most 10", "85.83", "0.76", "0"),
        ("this plan's", "85.33", NOTHING, "0"),
    )


def test_how_vendors_change_with_what_shipping_costs(night: Night, plan: Any) -> None:
    variants = [
        variant(plan, "flat_shipping", "12", "13.5", ["alder", "faraway"]),
        variant(plan, "flat_shipping", "4", "-9", [*OWN, "faraway"]),
        variant(plan, "flat_shipping", "8", "1", OWN),
    ]
    assert why(night, plan, variants)["tables"][0].rows == (
        ("4.00", "76.33", "4", "with Faraway Loft"),
        ("8.00", "86.33", "3", "the same vendors"),
        ("12.00", "98.83", "2", "with Faraway Loft; without Quayside Parts, Sumi Bricks"),
    )


def test_who_else_sells_what_is_bought(night: Night, plan: Any) -> None:
    price = Decimal("0.1234")
    sources = [
        source(plan, 1, 3, 2, "quay", price),
        source(plan, 2, 1, 1),
        source(plan, 3, 2, 1, "faraway", price, quantity=1200),
    ]
    reported = why(night, plan, sources=sources)
    assert reported["words"][0] == (
        "For 1 of 3 portions no other vendor has all pieces. The cheapest other vendor is already in this plan for 1 portion."
    )
    shown = [row[1:] for row in reported["tables"][0].rows]  # the fewest sources first
    assert shown == [
        ("2.1", "4", "north", "0.1000", "nobody", NOTHING),
        ("3.1", "1,200", "north", "0.1000", "Faraway Loft", "0.1234"),
        ("1.1", "4", "north", "0.1000", "Quayside Parts", "0.1234"),
    ]


def test_only_the_ten_portions_with_fewest_sources_are_listed(night: Night, plan: Any) -> None:
    reported = why(night, plan, sources=[source(plan, line, 20 - line, 1) for line in range(1, 13)])
    assert [row[1] for row in reported["tables"][0].rows] == [f"{line}.1" for line in range(12, 2, -1)]


def test_what_a_more_robust_plan_would_cost(night: Night, plan: Any) -> None:
    sources = [source(plan, 1, 3, 2, "quay"), source(plan, 2, 1, 1), source(plan, 3, 2, 1, "faraway")]
    robust = variant(plan, "sources_in_plan", "2", "9.67", [*OWN, "maker", "faraway"])
    beginning = "2 portions could each be filled by two or more vendors"
    exposed = f"{beginning}; for 1 of them this plan orders from at most one of these."
    assert why(night, plan, [robust], sources)["words"][-1] == (
        f"{exposed} A more robust plan also orders from The maker's shop, Faraway Loft, for 95.00 EUR (at most 9.93 dearer)."
    )
    assert why(night, plan, [], sources)["words"][-1] == exposed  # none could be made
    assert why(night, plan, [], sources[:1])["words"][-1] == (
        "1 portion could be filled by two or more vendors; this plan orders from two of these, so no plan is more robust."
    )
    assert len(why(night, plan, [], sources[1:2])["words"]) == 1, "nobody else sells it: no plan is more robust"


def test_the_details_page_says_it_all(night: Night, plan: Any, tmp_path: Path) -> None:
    tables, inputs = night
    variants = [
        variant(plan, "without_vendor", "quay", "1.07", ["alder", "faraway", "sumi"]),
        variant(plan, "sources_in_plan", "2", "9.67", [*OWN, "faraway"]),
    ]
    added = {
        "plan_variant": frame(PLAN_VARIANT, variants),
        "second_source": frame(SECOND_SOURCE, [source(plan, 3, 2, 1, "faraway")]),
    }
    write_pages({**tables, **added}, inputs, tmp_path)
    page = (tmp_path / "private/details/m00.html").read_text(encoding="utf-8")
    assert "Other ways of buying" in page
    assert "Next best vendors found: Alder &amp; Daughters, Faraway Loft, Sumi Bricks, for 86.40 EUR." in page
    assert "also orders from Faraway Loft, for 95.00 EUR (at most 9.93 dearer)" in page
