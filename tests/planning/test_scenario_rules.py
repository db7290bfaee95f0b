"""Forced and preferred vendors and the parcel penalty of parcels as a scenario's rules: in plans of one and of two stages, and in settings."""

from decimal import Decimal
from typing import Any

import pytest
from pydantic import ValidationError

from pipelines.planning.scenarios import plan_model
from pipelines.settings import Scenario
from tests.builders.markets import BUYER, DAY, line, make_inputs, make_market, make_model, make_summaries, offer, vendor

MODEL = make_model([line(1, "brick", "red", 4)], maker_lines=[1])
MARKET = make_market(
    offer("a", "brick", "red", "1.00", 2),
    offer("b", "brick", "red", "1.20"),
    offer("c", "brick", "red", "1.50"),
    offer("till", "brick", "red", "2.00", 3),
)
VENDORS = [vendor("a"), vendor("b"), vendor("c"), vendor("till", vendor_kind="maker")]


def planned(**rules: Any) -> Any:
    """The cost row under these rules, and what is said of unfilled lines; built-in scenarios are planned before and after."""
    scenario = Scenario(scenario_code="mine", title="x", **rules)
    inputs = make_inputs((MODEL,), (BUYER,), (scenario,), vendors=VENDORS)
    tables = plan_model(inputs, MODEL, DAY, BUYER, MARKET, MARKET, make_summaries(), "standard").tables
    mine = {name: frame.filter(frame["scenario_code"] == "mine") for name, frame in tables.items()}
    assert tables["model_cost"].filter(tables["model_cost"]["scenario_code"] == "flexible")[
        "landed_cost"
    ].item() == Decimal("4.4")
    (row,) = mine["model_cost"].to_dicts()
    return row, mine["unfilled_line"]["remedies"].to_list()


@pytest.mark.parametrize(
    ("rules", "cost", "vendor_count"),
    [
        ({"forced_vendors": ["c"]}, "4.70", 3),  # 2 at a, 1 at b, 1 at c; the cheaper plan of `flexible` is none here
        ({"forced_vendors": ["a", "b"]}, "4.40", 2),
        ({"parcel_penalty": Decimal("0.39")}, "4.40", 2),
        (
            {"parcel_penalty": Decimal("0.41")},
            "4.80",
            1,
        ),  # all at b; `flexible`'s plan costs less and is more parcel penalty
        ({"preferred_vendors": ["b"], "preference_value": Decimal("0.39")}, "4.40", 2),
        ({"preferred_vendors": ["b"], "preference_value": Decimal("0.41")}, "4.80", 1),  # all at b, none at a
        ({"preferred_vendors": ["c"], "preference_value": Decimal("1.19")}, "4.80", 1),
        ({"preferred_vendors": ["c"], "preference_value": Decimal("1.21")}, "6.00", 1),  # 1.20 more than all at b
        ({"preferred_vendors": ["c"]}, "4.40", 2),
        ({"preferred_vendors": ["b"], "maker": "all_it_has", "preference_value": Decimal(9)}, "7.20", 2),
        ({"parcel_penalty": Decimal(9), "forced_vendors": ["c"]}, "6.00", 1),
        ({"maker": "all_it_has", "forced_vendors": ["till", "c"]}, "7.50", 2),  # 3 at the till, then 1
        ({"maker": "marked", "forced_vendors": ["a"]}, "7.00", 2),
    ],
)
def test_plans_keep_the_scenario_s_rules_at_the_least_cost(rules: dict[str, Any], cost: str, vendor_count: int) -> None:
    row, _ = planned(**rules)
    assert (row["plan_status"], row["landed_cost"], row["vendor_count"]) == ("proven", Decimal(cost), vendor_count)
    assert row["lower_bound"] == row["landed_cost"] and row["gap_pct"] == 0


@pytest.mark.parametrize(
    ("rules", "named"),
    [
        ({"forced_vendors": ["nobody"]}, "nobody"),
        ({"forced_vendors": ["till"]}, "till"),  # the maker's shop is not used
        ({"maker": "all_it_has", "forced_vendors": ["a", "b"]}, "a, b"),  # one piece is left for them
    ],
)
def test_a_plan_without_a_forced_vendor_is_refused_by_name(rules: dict[str, Any], named: str) -> None:
    row, said = planned(**rules)
    assert (row["plan_status"], row["landed_cost"], row["unfilled_piece_count"]) == ("refused", 0, 4)
    assert said == [f"no plan has an order at every forced vendor: {named}"]


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        ({"forced_vendors": ["a"], "forbidden_vendors": ["a"]}, "does not use: a"),
        ({"forced_vendors": ["a", "b"], "only_vendors": ["b"]}, "does not use: a"),
        ({"forced_vendors": ["a", "b"], "maximum_vendor_count": 1}, "more vendors than maximum_vendor_count"),
        ({"preferred_vendors": ["a"], "forbidden_vendors": ["a"]}, "preferred_vendors names .* does not use: a"),
        ({"preferred_vendors": ["a"], "preference_value": Decimal(0)}, "greater than 0"),
        ({"parcel_penalty": Decimal(-1)}, "greater than or equal to 0"),
    ],
)
def test_rules_that_contradict_each_other_are_no_scenario(rules: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Scenario(scenario_code="mine", title="x", **rules)
