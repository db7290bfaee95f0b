"""Watches fire when what they watch is so, say so in words, and a mistaken one is reported, not lost."""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from pydantic import ValidationError

from pipelines.inputs import WorkspaceInputs
from pipelines.insight.over_time.watches import Watched, watch_results
from pipelines.settings import Settings
from schemas.published.availability import ELEMENT_AVAILABILITY
from schemas.published.over_time import VENDOR_CHANGE
from schemas.published.plans import MODEL_COST
from schemas.published.runs import INPUT_FILE
from schemas.validate import empty_frame
from tests.builders.cost_rows import HOME, HUT, TODAY, cost_row, frame


def results(watch: Any, costs: Sequence[Any] = (), elements: Sequence[Any] = (), vendors: Sequence[Any] = ()) -> Any:
    settings = Settings.model_validate({"buyer": [HOME.model_dump()], "watch": [{"watch_code": "w", **watch}]})
    inputs = WorkspaceInputs(settings, {}, (HUT,), empty_frame(INPUT_FILE))
    keyed = {"model_code": "hut", "buyer_code": "home"}
    watched = Watched(
        frame(MODEL_COST, list(costs)),
        frame(ELEMENT_AVAILABILITY, [keyed | row for row in elements]),
        frame(VENDOR_CHANGE, [keyed | {"compared_on": date(2026, 10, 31)} | row for row in vendors]),
    )
    return watch_results(inputs, watched).to_dicts()


def element(part: Any, **other: Any) -> Any:
    row = {
        "part_code": part, "colour_code": "red", "element_status": "current", "needed_piece_count": 10,
        "market_vendor_count": 5, "buyable_piece_count": 100, "fillable_share": 1.0, "copies_on_offer": 10,
        "weakness_rank": 1,
    }  # fmt: skip
    return row | other


@pytest.mark.parametrize(("amount", "fired"), [("100.01", True), ("100.00", False), ("99.99", False)])
def test_a_model_fires_only_below_its_amount(amount: str, fired: bool) -> None:
    (row,) = results({"kind": "model_below", "amount": Decimal(amount)}, [cost_row(TODAY, "100.00")])
    assert row["is_fired"] is fired and row["watched_value"] == 100 and "Costs 100.00 EUR: " in row["watch_message"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"plan_status": "refused"}, "failed a check"),
        ({"unfilled_estimate_count": 2}, "at least 10"),
    ],
)
def test_a_cost_that_is_no_cost_never_fires(changes: dict[str, Any], words: str) -> None:
    (row,) = results({"kind": "model_below", "amount": Decimal(500)}, [cost_row(TODAY, "10", **changes)])
    assert not row["is_fired"] and words in row["watch_message"]
    (row,) = results({"kind": "model_below", "amount": Decimal(500)})
    assert row["watch_message"] == "There is no plan for this date."


def test_scarce_elements_fire_one_by_one_weakest_first() -> None:
    rows = results(
        {"kind": "line_scarce", "vendor_count": 2},
        elements=[
            element("fine"),
            element("lonely", market_vendor_count=1, weakness_rank=3),
            element(
                "gone", market_vendor_count=0, buyable_piece_count=0, fillable_share=0.0, last_seen_on=date(2026, 9, 1)
            ),
            element(
                "going",
                is_running_out=True,
                months_left=3.21,
                months_left_low=2.0,
                months_left_high=5.5,
                weakness_rank=4,
            ),
        ],
    )
    reported = {row["watch_subject"]: row["watch_message"] for row in rows}
    assert set(reported) == {"gone red", "lonely red", "going red"} and all(row["is_fired"] for row in rows)
    assert reported["gone red"] == "Nobody offers it; 10 needed; last seen 2026-09-01."
    assert reported["lonely red"] == "100 on offer from 1 vendor; 10 needed."
    assert reported["going red"].endswith("by its trend gone in about 3.2 months (2.0 to 5.5).")


def test_plenty_is_said_too() -> None:
    (row,) = results({"kind": "line_scarce"}, elements=[element("fine")])
    assert not row["is_fired"] and row["watch_subject"] == "" and "2 vendors or more" in row["watch_message"]


def test_a_vendors_move_fires_up_or_down_beyond_the_limit() -> None:
    vendors = [
        {"vendor_code": v, "vendor_effect_pct": e, "moved_element_count": 7}
        for v, e in (("up", 3.01), ("down", -4.5), ("edge", 3.0))
    ]
    rows = {row["watch_subject"]: row for row in results({"kind": "vendor_changes_model"}, vendors=vendors)}
    assert set(rows) == {"up", "down"}
    assert "-4.5 % (7 elements)" in rows["down"]["watch_message"] and rows["up"]["watch_limit"] == 3
    (quiet,) = results({"kind": "vendor_changes_model", "change_pct": 10}, vendors=vendors)
    assert not quiet["is_fired"] and "the most is -4.5 %" in quiet["watch_message"]


def test_new_terms_fire_alone_together_with_prices_and_when_they_refuse_an_order() -> None:
    vendors = [
        {"vendor_code": "dearer", "terms_effect_pct": 3.2},
        {"vendor_code": "both", "vendor_effect_pct": 1.6, "terms_effect_pct": 1.6, "moved_element_count": 1},
        {"vendor_code": "against", "vendor_effect_pct": 3.5, "terms_effect_pct": -3.4, "moved_element_count": 2},
        {"vendor_code": "closed", "terms_refusal": "an order must be worth 40 EUR."},
        {"vendor_code": "little", "terms_effect_pct": 2.9},
    ]
    rows = {row["watch_subject"]: row for row in results({"kind": "vendor_changes_model"}, vendors=vendors)}
    assert set(rows) == {"dearer", "both", "against", "closed"} and all(row["is_fired"] for row in rows.values())
    assert rows["both"]["watched_value"] == pytest.approx(3.2)
    assert rows["dearer"]["watch_message"] == (
        "dearer, since 2026-10-31: its new terms change the cost of the cheapest mix by +3.2 %."
    )
    assert "+1.6 % (1 element); its new terms" in rows["both"]["watch_message"]
    assert rows["closed"]["watch_message"].endswith(
        "refuse the order of the earlier plan: an order must be worth 40 EUR."
    )


def test_a_model_that_is_not_there_is_reported() -> None:
    (row,) = results({"kind": "line_scarce", "model_codes": ["hutt"]})
    assert row["model_code"] == "hutt" and not row["is_fired"] and "no model hutt" in row["watch_message"]


@pytest.mark.parametrize(
    ("watch", "words"),
    [
        ({"kind": "model_below"}, "needs an amount"),
        ({"kind": "line_scarce", "buyer_codes": ["nobody"]}, "names the buyer nobody"),
        ({"kind": "model_below", "amount": 5, "scenario_code": "bset"}, "names the scenario bset"),
        ({"kind": "weather"}, "model_below"),
    ],
)
def test_watches_that_make_no_sense_are_refused(watch: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        results(watch)


def test_two_watches_of_one_code_are_refused() -> None:
    twice = [{"watch_code": "w", "kind": "line_scarce"}] * 2
    with pytest.raises(ValidationError, match="two watches are called w"):
        Settings.model_validate({"buyer": [HOME.model_dump()], "watch": twice})
