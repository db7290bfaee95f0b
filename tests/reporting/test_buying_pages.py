"""What sheets say of whole costs, dear lines, the maker's shop, orders with other models, and the assumption that matters most."""

from decimal import Decimal
from html import unescape
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.inputs import WorkspaceInputs
from pipelines.money import Interval
from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.words import difference_in_words
from pipelines.reporting.orders.order_lists import write_order_lists
from pipelines.reporting.pages import write_pages
from pipelines.reporting.sections.buying import buying_of
from pipelines.reporting.sections.orders_together import copies_table, joint_purchases
from schemas.all_tables import MAKER_CONTRACTS, SENSITIVITY_CONTRACTS, WHOLE_COST_CONTRACTS
from schemas.contract import Contract
from schemas.published.joint_orders import JOINT_ORDER, JOINT_PLAN, JOINT_SEQUENCE, JOINT_SHARE, JOINT_VENDOR
from schemas.published.makers_shop import MAKER_CHOICE, MAKER_FURTHER, MAKER_THRESHOLD
from schemas.published.what_if import SENSITIVITY
from schemas.published.whole_costs import COPY_COST, INSTRUCTIONS_STEP, LINE_COST, WHOLE_COST
from tests.builders.published.order_amounts import order_amounts
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import BUYERS, TODAY, frame
from tests.present import present

MODELS = ("m00", "m01", "m02")  # publish none, some and all of their lines
PART, COLOUR = "Brick 2 x 4", "Coal"


def reported(contract: Contract, *rows: dict[str, Any]) -> pl.DataFrame:
    return frame(contract, [{name: row.get(name) for name in contract.columns if name in row} for row in rows])


def ends_of(low: str, amount: str, high: str) -> dict[str, Decimal]:
    names = ("sensitivity_low", "sensitivity_amount", "sensitivity_high")
    return dict(zip(names, map(Decimal, (low, amount, high)), strict=True))


def tables(
    *,
    together: tuple[str, str] = ("6.80", "7.40"),
    sequences: tuple[tuple[int, ...], ...] = ((7, 0), (8, 1)),
    further: tuple[Any, ...] = ("8.00", "1.00", 0),
    missing: int = 0,
) -> tuple[dict[str, pl.DataFrame], WorkspaceInputs]:
    """The sample night with something to say about each model, for the first buyer.

    Every cheapest mix costs 5.90 to 6.00 alone; an order for two models lies between the amounts of ``together``.
    """
    found, inputs = sample(buyers=BUYERS[:1], with_missing=False, month_count=1, line_count=3)
    bound, cost = map(Decimal, together)
    rows: dict[str, list[Any]] = {
        contract.name: [] for contract in (*MAKER_CONTRACTS, *WHOLE_COST_CONTRACTS, *SENSITIVITY_CONTRACTS)
    }
    for code in MODELS:
        own = {
            "priced_on": TODAY,
            "model_code": code,
            "buyer_code": "inland",
            "scenario_code": "cheapest",
            "currency_code": "EUR",
        }
        line = {**own, "line_number": 1, "listed_part_code": "00501", "listed_colour_code": "c02", "quantity": 12}
        plan = found["model_cost"].filter(pl.col("model_code") == code, pl.col("scenario_code") == "cheapest", pl.col("priced_on") == TODAY).row(0, named=True)  # fmt: skip
        rows[MAKER_CHOICE.name].append({**line, "portion_number": 1, "maker_vendor_code": "maker", "maker_unit_price": Decimal("0.08"), "elsewhere_vendor_code": "quay", "elsewhere_unit_price": Decimal("0.10"), "maker_saving": Decimal("0.24"), "maker_piece_count": 12, "is_maker_line": True})  # fmt: skip
        rows[MAKER_THRESHOLD.name].append({**own, "maker_vendor_code": "maker", "threshold_kind": "shipping_waiver", "assortment_code": "", "vendor_currency_code": "EUR", "threshold_value": Decimal(5), "spent_value": Decimal("1.20"), "left_to_go": Decimal("3.80"), "threshold_charge": Decimal(4)})  # fmt: skip
        rows[MAKER_FURTHER.name].append({**own, "maker_vendor_code": "maker", "maker_goods_value": Decimal("1.20"), "further_spend": Decimal(5), "landed_cost": Decimal(7), "further_landed_cost": further[0] and Decimal(further[0]), "further_cost_change": further[1] and Decimal(further[1]), "further_piece_count": 20, "unfilled_piece_count": 0, "further_unfilled_piece_count": further[2]})  # fmt: skip
        rows[WHOLE_COST.name].append({**own, **{name: plan[name] for name in ("goods", "shipping", "handling", "tax", "unfilled_estimate", "complete_cost", "piece_count")}, "instructions_list_price": Decimal(15), "instructions_discount": Decimal("2.50"), "instructions_cost": Decimal("12.50"), "amendment_goods": Decimal("0.10"), "whole_cost": plan["complete_cost"] + Decimal("12.50"), "cost_per_piece": Decimal("0.822222"), "cost_per_100_pieces": Decimal("82.22"), "owned_piece_count": 1, "owned_goods": Decimal("0.10")})  # fmt: skip
        rows[INSTRUCTIONS_STEP.name] += [
            {**own, "step_number": 0, "instructions_step": "list_price", "instructions_price": Decimal(15)},
            {**own, "step_number": 1, "instructions_step": "discount", "discount_reason": "November sale", "discount_pct": Decimal("16.67"), "instructions_price": Decimal("12.50")},
        ]  # fmt: skip
        rows[LINE_COST.name] += [
            {**line, "portion_source": "designer", "line_goods": Decimal(3), "line_cost": Decimal(6), "line_cost_share": 0.6, "cost_rank": 1, "other_colour_code": "c01", "other_colour_saving": Decimal("1.25"), "left_out_saving": Decimal("4.75")},
            {**line, "line_number": 2, "portion_source": "designer", "line_goods": Decimal(2), "line_cost": Decimal(4), "line_cost_share": 0.4, "cost_rank": 2},
        ]  # fmt: skip
        rows[COPY_COST.name] += [
            {**own, "copies": copies, "landed_cost": cost, "unfilled_estimate": Decimal(0), "complete_cost": cost, "cost_per_copy": cost / copies, "vendor_count": 2, "unfilled_piece_count": 0, "unfilled_estimate_count": 0, "effort": "quick"}
            for copies, cost in ((1, Decimal(10)), (2, Decimal(18)))
        ]  # fmt: skip
        sensitivity = {**own, "complete_cost": Decimal(1), "unfilled_piece_count": 0}
        rows[SENSITIVITY.name] += [
            {**sensitivity, "assumption": name, "sensitivity_side": side, "changed_to": words, **ends_of(*ends)}
            for name, side, words, ends in (
                ("shipping", "down", "25 % cheaper", ("-1.40", "-1.25", "-1.10")),
                ("shipping", "up", "25 % dearer", ("-0.10", "1.25", "1.30")),
                ("flexible_lines", "up", "everything as listed", ("8.50", "9", "9.40")),
            )
        ]
        fewer = ends_of("-4", "-3", "1") if not missing else {}
        rows[SENSITIVITY.name].append({**sensitivity, "assumption": "vendor_count", "sensitivity_side": "up", "changed_to": "one parcel fewer", **fewer, "unfilled_piece_count": missing})  # fmt: skip
    for contract in (*MAKER_CONTRACTS, *WHOLE_COST_CONTRACTS, *SENSITIVITY_CONTRACTS):
        found[contract.name] = reported(contract, *rows[contract.name])
    joint = {"priced_on": TODAY, "joint_order_code": "both", "buyer_code": "inland", "currency_code": "EUR"}
    parts = dict.fromkeys(("goods", "shipping", "handling", "tax"), Decimal(1))
    parts |= {"landed_cost": cost, "unfilled_estimate": Decimal(0), "lower_bound": bound}
    counts = dict.fromkeys(("piece_count", "bought_piece_count", "spare_piece_count", "unfilled_piece_count", "unfilled_estimate_count", "separate_unfilled_piece_count", "sequence_unfilled_piece_count"), 0)  # fmt: skip
    found[JOINT_ORDER.name] = reported(JOINT_ORDER, {**joint, **parts, **counts, "joint_order_title": "Two at once", "joint_model_codes": "m00;m01", "scenario_code": "cheapest", "complete_cost": cost, "separate_cost": Decimal(12), "sequence_cost": Decimal("11.50"), "joint_saving": 12 - cost, "gap_pct": 2.9, "vendor_count": 1, "order_count": 2, "on_hand_piece_count": 3, "share_method": "shapley", "effort": "quick"})  # fmt: skip
    found[JOINT_SHARE.name] = reported(JOINT_SHARE, *({**joint, "model_code": code, "separate_cost": Decimal(6), "joint_share": Decimal("3.70"), "joint_saving": Decimal("2.30"), "used_piece_count": 1, "on_hand_piece_count": 0, "unfilled_piece_count": 0, "share_method": "shapley"} for code in ("m00", "m01")))  # fmt: skip
    found[JOINT_SEQUENCE.name] = reported(JOINT_SEQUENCE, *({**joint, "model_code": code, "sequence_number": number, "sequence_position": at, "complete_cost": Decimal(cost), "unfilled_piece_count": 0, "on_hand_piece_count": 0, "spares_used_piece_count": 0, "spares_worth": Decimal(worth)} for number, (cost, worth) in enumerate(sequences, start=1) for at, code in enumerate(("m00", "m01"), start=1)))  # fmt: skip
    found[JOINT_PLAN.name] = reported(JOINT_PLAN, {**joint, "vendor_code": "quay", "order_number": 2, "offer_id": "o1", "part_code": "00501", "colour_code": "c02", "condition": "new", "model_code": "m00", "quantity": 5, "unit_price": Decimal("0.10"), "vendor_currency_code": "EUR"})  # fmt: skip
    alone = {
        "complete_cost": Decimal(6),
        "landed_cost": Decimal(6),
        "lower_bound": Decimal("5.90"),
        "unfilled_estimate": Decimal(0),
    }
    costs = found["model_cost"]
    found["model_cost"] = costs.with_columns(
        pl.when(pl.col("scenario_code") == "cheapest")
        .then(pl.lit(amount).cast(costs.schema[name]))
        .otherwise(name)
        .alias(name)
        for name, amount in alone.items()
    )
    return found, inputs


def message_of(code: str, *, in_full: bool = False, **more: Any) -> dict[str, Any]:
    page_data = PageData(*tables(**more))
    model = next(model for model in page_data.models if model.code == code)
    return buying_of(page_data, model, page_data.buyers[0], in_full=in_full)


def test_the_whole_cost_is_a_bill_that_adds_up() -> None:
    found = message_of("m00")["whole"]
    cells = dict(found["table"].rows)
    assert cells["Instructions, list price"] == "15.00" and cells["November sale, 16.67 % off"] == "\u22122.50"
    numbers = [
        Decimal(cell.replace("\u2212", "-").replace(",", "")) for name, cell in cells.items() if "of which" not in name
    ]
    assert sum(numbers[:-1]) == numbers[-1]
    assert found["words"] == (
        "Without the instructions: 82.22 EUR per 100 pieces. 1 piece is on hand, worth 0.10 EUR at these prices; this is not taken off."
    )


def test_lines_are_named_only_where_the_designer_allows_it() -> None:
    for code, named in (("m00", 0), ("m01", 2), ("m02", 2)):
        found = message_of(code)
        assert found["dearest"]["words"] == "1 of 2 lines carries half of the cost; the dearest 2 carry 100 %."
        assert (found["dearest"]["table"] is None) == (not named)
        assert (found["maker"]["table"] is None) == (not named)
    full = message_of("m00", in_full=True)
    assert full["dearest"]["table"].rows[0] == (f"{PART}, {COLOUR}", "12", "6.00", "60.0 %", "Chalk: 1.25", "4.75")
    assert full["maker"]["table"].rows == ((f"{PART}, {COLOUR}", "12", "0.080", "0.100", "+0.24"),)


@pytest.mark.parametrize(
    ("further", "words"),
    [
        (("8.00", "1.00", 0), "would make all orders dearer by at most 1.00 EUR."),
        (("6.50", "-0.50", 0), "Spending at least 5.00 EUR more there would make the orders no dearer."),
        ((None, None, None), "It has not enough to spend 5.00 EUR more on."),
        (("8.00", None, 3), "would leave 3 pieces missing."),
    ],
)
def test_the_maker_question_is_answered_in_words(further: tuple[Any, ...], words: str) -> None:
    found = message_of("m02", further=further)["maker"]
    assert found["words"][0].endswith(words)
    assert found["words"][0].startswith(
        "The maker's shop could serve 1 line or part of a line; 1 costs less there than elsewhere. "
        "The cheapest mix buys 1 there: goods of "
    )
    assert found["thresholds"].rows == (("shipping is free", "5.00 EUR", "3.80 EUR", "4.00 EUR"),)


def test_orders_with_other_models() -> None:
    (found,) = message_of("m00")["together"]
    assert found["title"] == "Two at once"
    assert [row[1:] for row in found["table"].rows] == [("6.00", "3.70", "+2.30")] * 2 + [("12.00", "7.40", "+4.60")]
    words = " ".join(found["words"])
    # Alone 11.80 to 12.00, together 6.80 to 7.40.
    assert (
        "Buying together saves 4.60 EUR (between 4.40 and 5.20), in 2 parcels; it is at most 2.9 % above the best possible with one "
        "order per vendor." in words
    )
    assert "at best: Harbour crane, then Night ferry." in words
    assert "use stock on hand (3 pieces together)" in words and "There is 1 order more than vendors" in words
    assert message_of("m02")["together"] == []


def test_shares_of_many_models_are_reported_as_less_exact() -> None:
    found, inputs = tables()
    (row,) = found[JOINT_SHARE.name].filter(pl.col("model_code") == "m00").to_dicts()
    many = reported(JOINT_SHARE, *({**row, "model_code": code} for code in ("m00", "m01", "m02", "m03")))
    page_data = PageData({**found, JOINT_SHARE.name: many}, inputs)
    (of_many,) = buying_of(page_data, page_data.models[0], page_data.buyers[0], in_full=False)["together"]
    assert "costs of some of the 4 models are planned with little effort" in " ".join(of_many["words"])
    assert "little effort" not in " ".join(message_of("m00")["together"][0]["words"])


def test_a_joint_order_may_cost_more_and_the_sequence_may_not_matter() -> None:
    (found,) = message_of("m01", together=("13.70", "14.00"), sequences=((7, 0), (7, 0)))["together"]
    words = " ".join(found["words"])
    assert (
        "Buying together costs 2.00 EUR more (between 1.70 and 2.20), because each model bought alone counts on the same stock, "
        "in 2 parcels" in words
    )
    (unclear,) = message_of("m01", together=("11.70", "12.10"))["together"]
    assert "Buying together saves nothing that is clear (between \u22120.30 and 0.30), in 2 parcels" in " ".join(
        unclear["words"]
    )
    assert "the sequence makes no difference" in words
    (found,) = message_of("m01", sequences=((7, 2), (8, 0)))["together"]
    assert "with 4.00 EUR saved by spares of earlier ones" in " ".join(found["words"])


def test_the_largest_sensitivity_is_named_and_what_fills_less_is_not_drawn() -> None:
    found = message_of("m00", missing=2)["sensitivities"]
    assert found["words"] == [
        "All as listed changes the cost most: 9.00 dearer (between 8.50 and 9.40).",
        "Each change is planned anew. The difference of the best possible plans lies in the range.",
        "Not comparable, so not drawn: One parcel fewer (2 pieces more missing).",
    ]
    assert found["chart"].figures.rows == (
        ("All as listed", "\u2013", "9.00 dearer (between 8.50 and 9.40)"),  # made one way only: the name says it
        (
            "Shipping \u00b125 %",
            "25 % cheaper: 1.25 cheaper (between 1.10 and 1.40)",
            "25 % dearer: no clear change (between 0.10 cheaper and 1.30 dearer)",
        ),
    )


def test_no_change_is_called_the_largest_where_ranges_overlap() -> None:
    found, inputs = tables()
    wide = pl.when(pl.col("assumption") == "flexible_lines").then(pl.lit(Decimal("1.30"))).otherwise("sensitivity_low")
    table = found[SENSITIVITY.name].with_columns(wide.cast(pl.Decimal(18, 4)).alias("sensitivity_low"))
    page_data = PageData({**found, SENSITIVITY.name: table}, inputs)
    words = buying_of(page_data, page_data.models[0], page_data.buyers[0], in_full=False)["sensitivities"]["words"]
    assert words[0] == "Which change moves the cost most is not clear."


@pytest.mark.parametrize(
    ("low", "amount", "high", "words"),
    [
        ("-8.40", "-8.09", "-7.60", "8.09 EUR cheaper (between 7.60 and 8.40)"),
        ("7.60", "8.09", "8.40", "8.09 EUR dearer (between 7.60 and 8.40)"),
        ("3", "3", "3", "3 EUR dearer"),
        ("0", "0", "0", "no change"),
        ("-1.50", "0", "0.20", "no clear change (between 1.50 cheaper and 0.20 dearer)"),
        ("0", "1.20", "2.40", "no clear change (at most 2.40 dearer)"),
        ("-2.40", "-1", "0", "no clear change (at most 2.40 cheaper)"),
    ],
)
def test_a_difference_is_said_with_its_range(low: str, amount: str, high: str, words: str) -> None:
    between = Interval(Decimal(low), Decimal(high))
    assert difference_in_words(Decimal(amount), between, str, "EUR") == words


def test_one_table_for_all_buyers_and_copies() -> None:
    page_data = PageData(*tables())
    found = copies_table(page_data, page_data.models[0])
    assert [row[1:3] for row in present(found).rows] == [("10.00 EUR", "10.00 EUR"), ("18.00 EUR", "9.00 EUR")]
    assert present(joint_purchases(page_data, page_data.models[0], page_data.buyers[0])).rows == (("Quayside Parts, order 2", PART, COLOUR, "5", "0.10 EUR"),)  # fmt: skip


def test_the_details_hold_all_of_it_and_the_sheet_none(tmp_path: Path) -> None:
    found, inputs = tables()
    write_pages(found, inputs, tmp_path)
    for code in ("m00", "m02"):
        text = unescape((tmp_path / "private/details" / f"{code}.html").read_text(encoding="utf-8"))
        for words in ("The whole cost", "What the cost depends on", "Where the money is", "The maker's shop", "Several copies", "Lines to buy at the maker's shop"):  # fmt: skip
            assert words in text, words
            sheet = (tmp_path / "public/sheets" / f"{code}.html").read_text(encoding="utf-8")
            assert words not in sheet or words == "The maker's shop", "ways of buying may have that name"


def test_joint_orders_have_lists_to_order_from(tmp_path: Path) -> None:
    found, inputs = tables()
    joint = {"priced_on": TODAY, "joint_order_code": "both", "buyer_code": "inland", "currency_code": "EUR"}
    parts = order_amounts("0.70", 1, 0, "0.20")
    counts = {"vendor_currency_code": "EUR", "element_count": 1, "bought_piece_count": 7, "vendor_code": "quay"}
    piece = {**joint, **counts, "offer_id": "o1", "part_code": "00501", "colour_code": "c02", "condition": "new", "unit_price": Decimal("0.10")}  # fmt: skip
    found[JOINT_VENDOR.name] = reported(JOINT_VENDOR, *({**joint, **parts, **counts, "order_number": number} for number in (1, 2)))  # fmt: skip
    found[JOINT_PLAN.name] = reported(
        JOINT_PLAN,
        *(
            {**piece, "order_number": 1, "model_code": code, "quantity": n}
            for code, n in (("m00", 4), ("m01", 2), ("", 1))
        ),
        {**piece, "order_number": 2, "model_code": "m00", "quantity": 7},
    )
    written = [path for path in write_order_lists(found, inputs.settings, tmp_path) if "joint_orders" in path.parts]
    assert [path.relative_to(tmp_path).as_posix() for path in written] == [
        "private/orders/joint_orders/both/inland/quay.csv", "private/orders/joint_orders/both/inland/quay+2.csv",
    ]  # fmt: skip
    lines = written[0].read_text(encoding="utf-8").splitlines()
    assert lines[1] == f"00501,{PART},c02,{COLOUR},new,,7,1,0.10,0.70,EUR"
    assert [line.split(",")[0:10:9] for line in lines[2:-1]] == [
        ["Sum of the lines", "0.70"], ["Shipping", "1.00"], ["Tax", "0.20"], ["Total", "1.90"],
    ]  # fmt: skip
