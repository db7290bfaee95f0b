"""Every term of a vendor reaches ``kitfare plan``."""

import json
import re
from collections import Counter
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from pipelines.costing.several_orders import order_code
from pipelines.costing.terms import BorderStep, Handling, ShippingStep, VendorTerms
from pipelines.costing.terms_on import terms_on
from pipelines.intake.single_files.plan_files import PlanPaths, read_plan_files
from pipelines.settings import Scenario
from tests.builders.plan_texts import NEEDS, OFFERS, SEVERAL_NEEDS, SEVERAL_OFFERS, TWO_NEEDS, bought


def test_incremental_steps_price_each_piece_at_its_own_step(planned: Any) -> None:
    """16 pieces: 9 at 0.10 and 7 at 0.06 are 1.32, on average 0.0825; at one price for all they would be 0.96."""
    columns = f"{OFFERS},step_from_quantity,step_kind"
    rows = ["orchard,00501,black,new,0.10,EUR,120,1,{}", "orchard,00501,black,new,0.06,EUR,120,10,{}"]
    terms = ["vendor_code,shipping", "orchard,2"]
    for kind, goods, price in (("incremental", "1.32", "0.0825"), ("all_units", "0.96", "0.06")):
        found = planned(TWO_NEEDS[:2], [columns, *(row.format(kind) for row in rows)], terms)
        assert (found["status"], found["goods"]) == ("proven", goods)
        assert [(line["quantity"], line["unit_price"]) for line in found["lines"]] == [(16, price)]


def test_rates_weights_steps_and_handling(planned: Any) -> None:
    """10 pieces at 2 SEK, 30 SEK up to 250 g or 55 beyond, 5 SEK handling; 1 SEK is 0.1 EUR. 10 pieces weigh 300 g."""
    result = planned(
        [NEEDS, "1,brick,red,10,as_listed"], [f"{OFFERS},assortment_code", "mill,brick,red,new,2,SEK,99,stock"],
        ["vendor_code,shipping", "mill,0"], "--currency", "EUR",
        rates=["from_currency_code,to_currency_code,exchange_rate", "SEK,EUR,0.1"],
        weights=["part_code,weight_grams", "brick,30"],
        shipping_steps=["vendor_code,step_basis,step_from,step_to,step_charge", "mill,weight_grams,0,250,30", "mill,weight_grams,250,2000,55"],
        handling=["vendor_code,assortment_code,charge,waived_from", "mill,stock,5,100"],
    )  # fmt: skip
    money = {name: result[name] for name in ("goods", "shipping", "handling", "tax", "landed_cost", "currency_code")}
    assert money == {
        "goods": "2.00", "shipping": "5.50", "handling": "0.50", "tax": "0.00", "landed_cost": "8.00", "currency_code": "EUR",
    }  # fmt: skip
    assert result["lines"][0]["currency_code"] == "SEK"


def test_unknown_weights_are_reported(planned: Any) -> None:
    found = planned(
        [NEEDS, "1,brick,red,10,as_listed"], [OFFERS, "mill,brick,red,new,2,EUR,99"], ["vendor_code,shipping", "mill,0"],
        weights=["part_code,weight_grams", "plate,30"],
        shipping_steps=["vendor_code,step_basis,step_from,step_to,step_charge", "mill,weight_grams,0,,3"],
    )  # fmt: skip
    assert found["cautions"] == ["1 bought part has no known weight or size and counts as large"]


def test_every_term_reaches_the_planner(tmp_path: Path) -> None:
    values = {
        "shipping": "1.1", "shipping_waived_from": "90", "minimum_order": "2.2", "soft_minimum": "3.3", "soft_minimum_charge": "4.4",
        "minimum_line_value": "0.5", "order_fee": "0.6", "order_fee_pct": "0.7", "discount_from": "80", "discount_pct": "8.8",
        "tax_rate_pct": "9.9", "tax_on": "goods_and_shipping", "maximum_element_count": "10", "maximum_piece_count": "11",
        "maximum_order_count": "2",
        "duty_pct": "1.2", "clearance_charge": "1.3", "currency_code": "SEK",
    }  # fmt: skip
    texts = {
        "needs": f"{NEEDS}\n1,brick,red,1,as_listed\n",
        "offers": f"{OFFERS}\nmill,brick,red,new,2,SEK,99\n",
        "terms": f"vendor_code,{','.join(values)}\nmill,{','.join(values.values())}\n",
        "shipping_steps": "vendor_code,step_basis,step_from,step_to,step_charge\nmill,goods_value,5,7,1.4\n",
        "handling": "vendor_code,assortment_code,charge,waived_from\nmill,shed,1.5,16\n",
        "rates": "from_currency_code,to_currency_code,exchange_rate\nEUR,SEK,10\n",
    }
    paths = {name: tmp_path / f"{name}.csv" for name in texts}
    for name, text in texts.items():
        paths[name].write_text(text, encoding="utf-8")
    needs, offers, own_terms = (paths.pop(name) for name in ("needs", "offers", "terms"))
    day = date(2026, 11, 25)
    files = read_plan_files(
        PlanPaths(needs, offers, own_terms, paths), Scenario(scenario_code="f", title="f"), "EUR", day
    )
    book = terms_on(files.inputs, day, files.inputs.settings.buyer[0])
    numbers: dict[str, Any] = {
        name: Decimal(value) for name, value in values.items() if name not in ("tax_on", "currency_code", "shipping")
    }
    duty, clearance = numbers.pop("duty_pct"), numbers.pop("clearance_charge")
    limits: dict[str, Any] = {
        name: int(numbers.pop(name)) for name in ("maximum_element_count", "maximum_piece_count", "maximum_order_count")
    }
    assert book.vendors == {
        code: VendorTerms(
            vendor_code=code,
            currency_code="SEK",
            rate=Fraction(1, 10),
            shipping_charge=Decimal("1.1"),
            shipping_steps=(ShippingStep("goods_value", Decimal(5), Decimal(7), Decimal("1.4")),),
            handling={"shed": Handling(Decimal("1.5"), Decimal(16))},
            border=(BorderStep(Decimal(0), duty, clearance),),
            tax_on="goods_and_shipping",
            **numbers,
            **limits,
        )
        for code in ("mill", order_code("mill", 2))
    }


def test_several_orders_calculated_by_hand(plan: Any, planned: Any) -> None:
    """Orchard sends 15 pieces at most: 25 go into two orders of 2.50 each. Its stock of 9 red ones is there once, so hall sends one.

    15 in one order: 9 red and 6 black, 1.80 and 0.60; the other 10 black, 1.00; hall: 1 red and 4 of shipping.
    """
    terms = ["vendor_code,shipping,maximum_piece_count,maximum_order_count", "orchard,2.50,15,3", "hall,4,,"]
    found = planned(SEVERAL_NEEDS, SEVERAL_OFFERS, terms)
    assert (found["status"], found["landed_cost"]) == ("proven", "13.40")
    assert (found["vendor_count"], found["vendors"]) == (2, ["hall", "orchard"])
    orders = [(each["vendor_code"], each["order_number"], each["shipping"]) for each in found["orders"]]
    assert orders == [("hall", 1, "4.00"), ("orchard", 1, "2.50"), ("orchard", 2, "2.50")]
    pieces: Counter[Any] = Counter()
    for row in (*found["lines"], *found["spares"]):
        pieces[row["vendor_code"], row["order_number"]] += row["quantity"]
    assert pieces == {(each["vendor_code"], each["order_number"]): each["piece_count"] for each in found["orders"]}
    assert max(pieces.values()) == pieces["orchard", 1] <= 15
    assert bought(found) == {
        ("orchard", "00501", "black"): 16,
        ("orchard", "00502", "red"): 9,
        ("hall", "00502", "red"): 1,
    }
    printed = plan(SEVERAL_NEEDS, SEVERAL_OFFERS, terms).stdout
    assert re.search(r"^orchard  .*\norchard, order 2  ", printed, re.MULTILINE)
    assert "Cost: 13.40 EUR for all 26 pieces in 3 orders from 2 vendors." in printed


def test_each_order_counts_as_a_vendor(planned: Any, plan: Any) -> None:
    terms = ["vendor_code,shipping,maximum_piece_count,maximum_order_count", "orchard,2.50,15,3", "hall,4,,"]
    result = plan(SEVERAL_NEEDS, SEVERAL_OFFERS, terms, "--json", "--max-vendors", "2")
    found = json.loads(result.stdout)
    # 15 black ones from orchard, 1.50 and 2.50; the other black one and all 10 red ones from hall, 11 and 4.
    assert (len(found["orders"]), found["landed_cost"]) == (2, "19.00")


def test_one_order_per_vendor_unless_its_terms_allow_more(planned: Any) -> None:
    found = planned(
        SEVERAL_NEEDS, SEVERAL_OFFERS, ["vendor_code,shipping,maximum_piece_count", "orchard,2.50,15", "hall,4,"]
    )
    assert found["landed_cost"] == "19.00"
    assert "orders" not in found
    assert all("order_number" not in row for row in found["lines"])
