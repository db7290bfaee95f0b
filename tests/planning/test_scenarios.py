from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.settings import Buyer, Discount, Instructions, Scenario
from tests.builders.length import examples
from tests.builders.markets import (
    DAY,
    flexibility,
    line,
    make_market,
    make_model,
    offer,
    terms,
    vendor,
)
from tests.planning.planned_costs import TILL, Other, costs, only, planned, refuse


def test_every_scenario_has_a_row_and_flexibility_pays() -> None:
    model = make_model([line(1, "brick", "red", 4), line(2, "brick", "grey", 4)], [flexibility(1, "any")])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("a", "brick", "grey", "0.10"))
    found = planned(model, market)
    assert costs(found) == {
        "listed": Decimal("2.40"), "flexible": Decimal("0.80"), "maker_marked": Decimal("0.80"), "maker_first": Decimal("0.80"),
        "cheapest": Decimal("0.80"),
    }  # fmt: skip
    assert set(found.tables["model_cost"]["plan_status"]) == {"proven"}
    row = only(found)
    assert (row["goods"], row["piece_count"], row["element_count"], row["vendor_count"]) == (Decimal("0.80"), 8, 1, 1)
    assert (row["list_version"], row["copy_count"], row["currency_code"], row["effort"]) == (1, 1, "EUR", "standard")
    assert row["oldest_offer_on"] == date(2026, 11, 20)
    assert row["gap_pct"] == 0 and row["lower_bound"] == row["landed_cost"]
    assert not found.hit_time_limit


def test_plan_rows_say_what_is_bought_and_what_for() -> None:
    model = make_model([line(1, "brick", "red", 4), line(2, "plate", "red", 5)], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "blue", "0.105", 100, sold_in_multiples_of=5),
        offer("b", "plate", "red", "0.3"), offer("b", "plate", "red", "0.2", step_from_quantity=5),
    )  # fmt: skip
    found = planned(model, market)
    purchases = only(found, table="plan_purchase")
    names = (
        "vendor_code", "part_code", "colour_code", "step_from_quantity", "bought_piece_count", "used_piece_count",
        "spare_piece_count", "unit_price", "purchase_value",
    )  # fmt: skip
    assert sorted(tuple(row[name] for name in names) for row in purchases) == [
        ("a", "brick", "blue", 1, 5, 4, 1, Decimal("0.105"), Decimal("0.525")),
        ("b", "plate", "red", 5, 5, 5, 0, Decimal("0.2"), Decimal("1")),
    ]
    lines = only(found, table="plan_line")
    columns = (
        "line_number", "portion_source", "listed_part_code", "listed_colour_code", "colour_rule", "colour_code", "quantity",
        "is_listed_colour", "is_listed_part", "combination_code",
    )  # fmt: skip
    assert [tuple(row[name] for name in columns) for row in lines] == [
        (1, "designer", "brick", "red", "any", "blue", 4, False, True, ""),
        (2, "designer", "plate", "red", "undecided", "red", 5, True, True, ""),
    ]
    assert {row["offer_id"] for row in lines} == {row["offer_id"] for row in purchases}


def test_money_comes_rounded_from_the_landed_cost() -> None:
    tables = {
        "vendors": [vendor("a", currency_code="USD")],
        "vendor_terms": [terms("a", shipping_charge="5", tax_rate_pct="21")],
        "exchange_rates": [
            {"rate_on": str(DAY), "from_currency_code": "USD", "to_currency_code": "EUR", "exchange_rate": "0.923456"}
        ],
    }
    model = make_model([line(1, "brick", "red", 3)])
    found = planned(model, make_market(offer("a", "brick", "red", "0.333", currency_code="USD")), **tables)
    row = only(found, "listed", "plan_vendor")[0]
    # 0.999 USD rounds to 1.00; tax 0.20979 to 0.21; converted at 0.923456 and rounded: 0.92, 4.62, 0.19.
    assert (row["goods"], row["shipping"], row["tax"]) == (Decimal("0.92"), Decimal("4.62"), Decimal("0.19"))
    assert row["vendor_total"] == Decimal("6.21")
    assert row["exchange_rate_used"] == Decimal("0.923456")
    assert (row["vendor_currency_code"], row["currency_code"]) == ("USD", "EUR")


def test_what_cannot_be_bought_is_named_estimated_and_helped() -> None:
    model = make_model([line(1, "brick", "red", 10), line(2, "tile", "red", 3)])
    market = make_market(offer("a", "brick", "red", "0.10", 4), offer("a", "brick", "blue", "0.10", 40))
    found = planned(model, market)
    row = only(found, "listed")
    assert (row["plan_status"], row["unfilled_piece_count"], row["unfilled_estimate_count"]) == ("partial", 9, 3)
    assert (row["landed_cost"], row["unfilled_estimate"], row["complete_cost"]) == tuple(
        map(Decimal, ("0.4", "0.6", "1"))
    )
    first, second = only(found, "listed", "unfilled_line")
    assert (first["unfilled_piece_count"], first["estimated_unit_price"], first["estimate_basis"]) == (
        6,
        Decimal("0.1"),
        "last_seen",
    )
    assert first["remedies"].startswith(("another colour", "other colours"))
    assert (second["estimated_unit_price"], second["unfilled_estimate"], second["estimate_basis"]) == (None, 0, "none")


def test_nothing_on_offer_at_all() -> None:
    found = planned(make_model([line(1, "brick", "red", 10)]), make_market())
    assert set(found.tables["model_cost"]["plan_status"]) == {"partial"}
    assert costs(found) == dict.fromkeys(costs(found), Decimal(0))
    assert found.tables["plan_vendor"].height == found.tables["plan_line"].height == 0
    assert only(found)["oldest_offer_on"] is None


def test_marked_lines_are_bought_at_the_maker_as_far_as_it_has_them() -> None:
    model = make_model(
        [line(1, "brick", "red", 10), line(2, "plate", "red", 10), line(3, "tile", "red", 2)], maker_lines=[1]
    )
    market = make_market(
        *[offer("a", part, "red", "0.10") for part in ("brick", "plate", "tile")],
        offer("till", "brick", "red", "0.50", 6), offer("till", "plate", "red", "0.01"), offer("till", "tile", "red", "0.90"),
    )  # fmt: skip
    found = planned(model, market, **TILL)
    bought = {
        scenario: sorted(
            (row["vendor_code"], row["part_code"], row["bought_piece_count"])
            for row in only(found, scenario, "plan_purchase")
        )
        for scenario in ("flexible", "maker_marked", "maker_first", "cheapest")
    }
    assert bought["flexible"] == [("a", "brick", 10), ("a", "plate", 10), ("a", "tile", 2)]
    assert bought["maker_marked"] == [("a", "brick", 4), ("a", "plate", 10), ("a", "tile", 2), ("till", "brick", 6)]
    assert bought["maker_first"] == [
        ("a", "brick", 4),
        ("till", "brick", 6),
        ("till", "plate", 10),
        ("till", "tile", 2),
    ]
    assert bought["cheapest"] == [("a", "brick", 10), ("a", "tile", 2), ("till", "plate", 10)]
    assert found.notes.get("maker_marked") is None
    row = only(found, "maker_marked")
    assert (row["plan_status"], row["lower_bound"]) == ("proven", row["landed_cost"])


def test_a_scenario_with_a_maker_but_nothing_to_ask_it_for_equals_flexible() -> None:
    model = make_model([line(1, "brick", "red", 10)], maker_lines=[])
    found = planned(model, make_market(offer("a", "brick", "red", "0.10")), **TILL)
    assert len(set(costs(found).values())) == 1
    assert "maker" in found.notes["maker_marked"][0] and "maker" in found.notes["maker_first"][0]
    unmarked = planned(
        model, make_market(offer("a", "brick", "red", "0.10"), offer("till", "brick", "red", "0.01")), **TILL
    )
    assert costs(unmarked)["maker_marked"] == costs(unmarked)["flexible"] > costs(unmarked)["maker_first"]


@pytest.mark.parametrize("numbers", [(1, 2), (2, 1)])
def test_the_makers_pieces_go_where_they_leave_the_cheapest_rest(numbers: tuple[int, int]) -> None:
    """The maker has two red bricks for two lines; only the second line may be blue, which is cheap elsewhere."""
    red, free = numbers
    model = make_model([line(red, "brick", "red", 2), line(free, "brick", "red", 2)], [flexibility(free, "any")])
    market = make_market(
        offer("till", "brick", "red", "0.50", 2), offer("a", "brick", "red", "5"), offer("a", "brick", "blue", "0.05")
    )
    assert costs(planned(model, market, **TILL))["maker_first"] == Decimal("1.10")


@pytest.mark.parametrize("cheap", ["red", "blue"])
def test_a_colour_group_begins_at_the_maker_in_the_colour_that_leaves_the_cheapest_rest(cheap: str) -> None:
    """Both colours cost the same at the maker, who has no plate."""
    lines = [line(1, "brick", "red", 2), line(2, "plate", "red", 2)]
    model = make_model(lines, [flexibility(n, "any_one", group_code="g") for n in (1, 2)])
    dear = "blue" if cheap == "red" else "red"
    market = make_market(
        offer("till", "brick", "red", "0.50"), offer("till", "brick", "blue", "0.50"),
        offer("a", "plate", cheap, "0.05"), offer("a", "plate", dear, "5"),
    )  # fmt: skip
    assert costs(planned(model, market, **TILL))["maker_first"] == Decimal("1.10")


def test_the_cheapest_order_at_the_maker_comes_before_the_cheapest_rest() -> None:
    lines = [line(1, "brick", "red", 2), line(2, "plate", "red", 2)]
    model = make_model(lines, [flexibility(n, "any_one", group_code="g") for n in (1, 2)])
    market = make_market(
        offer("till", "brick", "red", "0.50"), offer("till", "brick", "blue", "0.49"),
        offer("a", "plate", "red", "0.05"), offer("a", "plate", "blue", "5"),
    )  # fmt: skip
    assert costs(planned(model, market, **TILL))["maker_first"] == Decimal("10.98")


def test_a_colour_group_begun_at_the_maker_stays_in_its_colour() -> None:
    model = make_model(
        [line(1, "brick", "red", 2), line(2, "plate", "red", 2)],
        [flexibility(n, "any_one", group_code="g") for n in (1, 2)],
        maker_lines=[1],
    )
    market = make_market(
        offer("till", "brick", "blue", "0.50"), offer("a", "plate", "red", "0.10"), offer("a", "plate", "blue", "0.90"),
        offer("a", "brick", "red", "0.10"),
    )  # fmt: skip
    found = planned(model, market, **TILL)
    assert {row["colour_code"] for row in only(found, "maker_marked", "plan_line")} == {"blue"}
    assert {row["colour_code"] for row in only(found, "flexible", "plan_line")} == {"red"}
    gone = make_market(offer("till", "brick", "blue", "0.50"), offer("a", "plate", "red", "0.10"))
    assert only(planned(model, gone, **TILL), "maker_marked")["unfilled_piece_count"] == 2


def test_a_limit_on_vendors_counts_both_stages() -> None:
    scenario = Scenario(scenario_code="few", title="x", maker="marked", maximum_vendor_count=1)
    model = make_model([line(1, "brick", "red", 2), line(2, "plate", "red", 2)], maker_lines=[1])
    market = make_market(offer("till", "brick", "red", "0.50"), offer("a", "plate", "red", "0.10"))
    row = only(planned(model, market, scenarios=(scenario,), **TILL), "few")
    assert (row["vendor_count"], row["unfilled_piece_count"]) == (1, 2)


def test_stock_on_hand_is_shown_without_a_vendor() -> None:
    scenario = Scenario(scenario_code="bin", title="x", use_stock_on_hand=True)
    rows = [
        {"part_code": "brick", "colour_code": "red", "quantity_on_hand": 3},
        {"part_code": "brick", "colour_code": "red", "condition": "used", "quantity_on_hand": 2},
    ]
    model = make_model([line(1, "brick", "red", 10)], [flexibility(1, "as_listed", accept_conditions="new;used")])
    found = planned(model, make_market(offer("a", "brick", "red", "0.10")), scenarios=(scenario,), stock_on_hand=rows)
    assert only(found, "bin")["on_hand_piece_count"] == 5
    assert costs(found)["bin"] == Decimal("0.50") < costs(found)["listed"]
    shown = {(row["vendor_code"], row["condition"], row["quantity"]) for row in only(found, "bin", "plan_line")}
    assert shown == {("", "new", 3), ("", "used", 2), ("a", "new", 5)}
    full = [{"part_code": "brick", "colour_code": "red", "quantity_on_hand": 99}]
    row = only(planned(model, make_market(), scenarios=(scenario,), stock_on_hand=full), "bin")
    assert (row["plan_status"], row["landed_cost"], row["on_hand_piece_count"]) == ("proven", 0, 10)


@pytest.mark.parametrize(
    "currency,discounts,day,expected",
    [
        ("EUR", [], DAY, "19.99"),
        ("EUR", [("10", "2026-11-01", "2026-11-25"), ("50", "2026-01-01", "2026-11-24")], DAY, "17.99"),
        ("EUR", [("10", "2026-11-01", "2026-11-25"), ("25", "2026-11-25", "2027-01-01")], DAY, "13.49"),
        ("USD", [("10", "2026-11-01", "2026-11-30")], DAY, "16.52"),
        ("GBP", [], DAY, None),
    ],
)
def test_what_the_instructions_cost(
    currency: str, discounts: list[tuple[str, ...]], day: Any, expected: str | None
) -> None:
    buyer = Buyer(buyer_code="x", title="x", region_code="NL", currency_code="EUR", exchange_margin_pct=Decimal(2))
    model = make_model(
        [line(1, "brick", "red", 1)],
        instructions=Instructions(
            price=Decimal("19.99"),
            currency_code=currency,
            discounts=[Discount(pct=Decimal(pct), from_on=start, to_on=end) for pct, start, end in discounts],
        ),
    )
    rates = [{"rate_on": str(DAY), "from_currency_code": "USD", "to_currency_code": "EUR", "exchange_rate": "0.9"}]
    row = only(planned(model, make_market(), day, buyer, exchange_rates=rates))
    assert row["instructions_cost"] == (None if expected is None else Decimal(expected))


def test_no_instructions_no_cost() -> None:
    assert only(planned(make_model([line(1, "brick", "red", 1)]), make_market()))["instructions_cost"] is None


def test_a_time_limit_is_passed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    refuse(monkeypatch, lambda solution: Other(solution, hit_time_limit=True))
    assert planned(
        make_model([line(1, "brick", "red", 4)]), make_market(offer("a", "brick", "red", "0.1"))
    ).hit_time_limit


def test_copies_and_dates_shape_the_plan() -> None:
    model = make_model([line(1, "brick", "red", 4)], copy_count=3)
    row = only(planned(model, make_market(offer("a", "brick", "red", "0.1"))))
    assert (row["copy_count"], row["piece_count"], row["landed_cost"]) == (3, 12, Decimal("1.2"))


PARTS, SHADES = ["brick", "plate"], ["red", "blue", "grey"]
offers_drawn = st.lists(
    st.tuples(
        st.sampled_from(["a", "b", "till"]), st.sampled_from(PARTS), st.sampled_from(SHADES), st.integers(1, 50), st.integers(1, 12)
    ),
    min_size=1,
    max_size=9,
    unique_by=lambda row: row[:3],
)  # fmt: skip


@settings(max_examples=examples(10, 25), deadline=None)
@given(
    lines=st.lists(
        st.tuples(st.sampled_from(PARTS), st.sampled_from(SHADES), st.integers(1, 8)), min_size=1, max_size=3
    ),
    rules=st.lists(st.sampled_from(["any", "as_listed", "one_of"]), min_size=3, max_size=3),
    offers=offers_drawn,
    shipping=st.integers(0, 3),
)
def test_freeing_more_never_costs_more_at_equal_fill_and_all_adds_up(
    lines: Any, rules: Any, offers: Any, shipping: Any
) -> None:
    model = make_model(
        [line(n, *given_line) for n, given_line in enumerate(lines, 1)],
        [flexibility(n, rule, accept_colour_codes="grey") for n, rule in enumerate(rules[: len(lines)], 1)],
        maker_lines=[1],
    )
    market = make_market(*[offer(v, p, c, str(Decimal(cents) / 100), q) for v, p, c, cents, q in offers])
    vendor_terms = [terms(code, shipping_charge=str(shipping)) for code in ("a", "b", "till")]
    found = planned(model, market, vendor_terms=vendor_terms, **TILL)
    rows = {row["scenario_code"]: row for row in found.tables["model_cost"].iter_rows(named=True)}
    for narrow, wide in (
        ("listed", "flexible"),
        ("flexible", "cheapest"),
        ("maker_marked", "cheapest"),
        ("maker_first", "cheapest"),
    ):
        assert rows[wide]["unfilled_piece_count"] <= rows[narrow]["unfilled_piece_count"]
        if rows[wide]["unfilled_piece_count"] == rows[narrow]["unfilled_piece_count"]:
            assert rows[wide]["landed_cost"] <= rows[narrow]["landed_cost"]


def test_several_orders_with_one_vendor() -> None:
    """Sixteen pieces at a, ten to an order: two parcels of 2. It has nine red ones in all: the tenth comes from b."""
    model = make_model([line(1, "brick", "red", 10), line(2, "plate", "grey", 6)])
    market = make_market(
        offer("a", "brick", "red", "0.10", 9), offer("a", "plate", "grey", "0.10"), offer("b", "brick", "red", "0.90")
    )
    limits = {"maximum_piece_count": "10", "maximum_order_count": "3"}
    found = planned(model, market, vendor_terms=[terms("a", shipping_charge="2", **limits), terms("b")])
    row = only(found)
    assert (row["landed_cost"], row["vendor_count"], row["plan_status"]) == (Decimal("6.40"), 3, "proven")
    orders = [(v["vendor_code"], v["order_number"], v["bought_piece_count"]) for v in only(found, table="plan_vendor")]
    assert orders == [("a", 1, 10), ("a", 2, 5), ("b", 1, 1)]
    bricks = [p for p in only(found, table="plan_purchase") if (p["vendor_code"], p["part_code"]) == ("a", "brick")]
    assert sum(p["bought_piece_count"] for p in bricks) == 9
    assert len({p["offer_id"] for p in bricks}) == 1
    served = [(r["vendor_code"], r["order_number"], r["quantity"]) for r in only(found, table="plan_line")]
    assert sum(quantity for *_, quantity in served) == 16
    assert {order[:2] for order in served} == {("a", 1), ("a", 2), ("b", 1)}
    assert all(code in "ab" for code, *_ in served)
