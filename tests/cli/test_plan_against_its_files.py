"""Plans of random files, read back as text by a reader that shares nothing with the planner: rules, stock and cost are right."""

import csv
import io
import json
import random
from collections import Counter
from fractions import Fraction
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app

COLOURS = ("red", "grey", "blue")
SEEDS = range(40)


def random_files(seed: Any) -> Any:
    draw = random.Random(seed)
    vendors = [f"v{n}" for n in range(draw.randint(1, 4))]
    terms = [
        {
            "vendor_code": code, "shipping": draw.choice(["0", "2.5", "4"]), "shipping_waived_from": draw.choice(["", "8", "15"]),
            "minimum_order": draw.choice(["0", "3"]), "tax_rate_pct": "0", "tax_on": "goods",
            "order_fee": draw.choice(["0", "0.5"]), "maximum_piece_count": draw.choice(["", "12"]),
        }
        for code in vendors
    ]  # fmt: skip
    offers = [
        {
            "vendor_code": code, "part_code": part, "colour_code": colour, "condition": "new",
            "unit_price": f"{draw.randint(5, 120) / 100}", "currency_code": "EUR",
            "quantity_available": str(draw.randint(0, 9)), "sold_in_multiples_of": draw.choice(["1", "1", "3"]),
        }
        for code in vendors
        for part in ("brick", "tile")
        for colour in COLOURS
        if draw.random() < 0.7
    ] or [dict.fromkeys(("vendor_code", "part_code", "colour_code"), "v0") | {
        "condition": "new", "unit_price": "1", "currency_code": "EUR", "quantity_available": "1", "sold_in_multiples_of": "1",
    }]  # fmt: skip
    offers[0]["quantity_available"] = "5"
    needs = []
    for number in range(1, draw.randint(2, 5)):
        rule = draw.choice(["as_listed", "any", "any_one", "one_of"])
        quantity = draw.randint(1, 6)
        needs.append(
            {
                "line_number": str(number), "part_code": draw.choice(["brick", "tile"]), "colour_code": draw.choice(COLOURS),
                "quantity": str(quantity), "colour_rule": rule,
                "accept_colour_codes": "blue" if rule == "one_of" else "",
                "refuse_colour_codes": draw.choice(["", "", "grey"]) if rule in ("any", "any_one") else "",
                "flexible_quantity": draw.choice(["", str(draw.randint(0, quantity))]) if rule != "as_listed" else "",
            }
        )  # fmt: skip
    return needs, offers, terms


def planned(folder: Any, needs: Any, offers: Any, terms: Any) -> Any:
    arguments = ["plan", "--json", "--effort", "quick"]
    for name, rows in (("needs", needs), ("offers", offers), ("terms", terms)):
        text = io.StringIO()
        writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        (folder / f"{name}.csv").write_text(text.getvalue(), encoding="utf-8")
        arguments += [f"--{name}", str(folder / f"{name}.csv")]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def check_rules(found: Any, needs: Any) -> None:
    """Every piece is accounted for, in a colour its row allows, as many flexible as the row allows, alike where it must be."""
    for row in needs:
        line, listed, quantity = int(row["line_number"]), row["colour_code"], int(row["quantity"])
        lines = [each for each in found["lines"] if each["line_number"] == line]
        missing = sum(each["quantity"] for each in found["unfilled"] if each["line_number"] == line)
        assert sum(each["quantity"] for each in lines) + missing == quantity
        assert all((each["part_code"], each["portion_number"]) == (row["part_code"], 1) for each in lines)
        others = [each for each in lines if each["colour_code"] != listed]
        allowed = {
            "as_listed": set(), "one_of": {"blue"}, "any": set(COLOURS), "any_one": set(COLOURS),
        }[row["colour_rule"]] - {row["refuse_colour_codes"]}  # fmt: skip
        assert {each["colour_code"] for each in others} <= allowed
        free = int(row["flexible_quantity"] or quantity)
        assert sum(each["quantity"] for each in others) <= free
        if row["colour_rule"] == "any_one":
            assert len({each["colour_code"] for each in others}) <= 1
            if row["flexible_quantity"] in ("", row["quantity"]):
                assert len({each["colour_code"] for each in lines}) <= 1


def cost_of(found: Any, offers: Any, terms: Any) -> Any:
    """Landed cost from the JSON and the texts: goods, shipping unless waived, fee; stock, multiples and minimums kept."""
    by_offer = {(row["vendor_code"], row["part_code"], row["colour_code"]): row for row in offers}
    pieces: Counter[Any] = Counter()
    for row in (*found["lines"], *found["spares"]):
        key = row["vendor_code"], row["part_code"], row["colour_code"]
        assert Fraction(row["unit_price"]) == Fraction(by_offer[key]["unit_price"])
        pieces[key] += row["quantity"]
    total = Fraction(0)
    assert sorted({vendor for vendor, _, _ in pieces}) == found["vendors"]
    for vendor in found["vendors"]:
        rule = next(row for row in terms if row["vendor_code"] == vendor)
        order = {key: count for key, count in pieces.items() if key[0] == vendor}
        for key, count in order.items():
            assert count <= int(by_offer[key]["quantity_available"])
            assert count % int(by_offer[key]["sold_in_multiples_of"]) == 0
        goods = sum(Fraction(by_offer[key]["unit_price"]) * count for key, count in order.items())
        assert goods >= Fraction(rule["minimum_order"])
        assert sum(order.values()) <= int(rule["maximum_piece_count"] or 10**9)
        is_waived = rule["shipping_waived_from"] and goods >= Fraction(rule["shipping_waived_from"])
        total += goods + (0 if is_waived else Fraction(rule["shipping"])) + Fraction(rule["order_fee"])
    return total


@pytest.fixture(scope="module")
def plan_of(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The files of a seed and their plan, made once."""
    made = {}

    def of(seed: Any) -> Any:
        if seed not in made:
            files = random_files(seed)
            made[seed] = (*files, planned(tmp_path_factory.mktemp("files"), *files))
        return made[seed]

    return of


@pytest.mark.parametrize("seed", SEEDS)
def test_a_plan_follows_the_rules_of_its_files(plan_of: Any, seed: Any) -> None:
    needs, offers, terms, found = plan_of(seed)
    check_rules(found, needs)
    assert cost_of(found, offers, terms) == Fraction(found["landed_cost"]) >= Fraction(found["lower_bound"])
    assert (found["status"] == "partial") == bool(found["unfilled"])
    in_stock = sum(int(row["quantity_available"]) > 0 for row in offers)
    about_stock = [caution for caution in found["cautions"] if "without stock" in caution]
    assert bool(about_stock) == (in_stock < len(offers))


def test_the_random_files_cover_every_case(plan_of: Any) -> None:
    """Otherwise the test above might prove little."""
    kinds: Counter[Any] = Counter()
    for seed in SEEDS:
        found = plan_of(seed)[-1]
        kinds["partial" if found["unfilled"] else "filled"] += 1
        kinds["spares"] += bool(found["spares"])
        kinds["several vendors"] += found["vendor_count"] > 1
    assert min(kinds[kind] for kind in ("partial", "filled", "spares", "several vendors")) >= 5, kinds
