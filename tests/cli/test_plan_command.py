"""``kitfare plan``: what it prints, what it means, and that every file reaches the plan."""

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.demand.model_portions import PORTIONS_SCHEMA
from pipelines.planning import plan_needs
from schemas.inputs.plan_files import PLAN_NEEDS
from schemas.validate import validate_text
from tests.builders.plan_texts import NEEDS, OFFERS, TWO_NEEDS, TWO_OFFERS, TWO_TERMS, used


def test_a_whole_plan_calculated_by_hand(planned: Any) -> None:
    """Orchard: 1.36 goods, 2.50 shipping, 0.272 tax. Hall: 0.36 and 3 with 21 % inside, so 0.30, 2.48 and 0.58 of tax."""
    found = planned(TWO_NEEDS, TWO_OFFERS, TWO_TERMS)
    seconds = found.pop("seconds")
    assert 0 < seconds < 60
    assert found == {
        "status": "proven", "currency_code": "EUR", "landed_cost": "7.49", "goods": "1.66", "shipping": "4.98",
        "handling": "0.00", "tax": "0.85", "lower_bound": "7.49", "gap_pct": 0.0, "vendor_count": 2,
        "vendors": ["hall", "orchard"],
        "lines": [
            {
                "line_number": 1, "portion_number": 1, "vendor_code": "orchard", "part_code": "00501",
                "colour_code": "black", "condition": "new", "combination_code": "", "unit_price": "0.085",
                "currency_code": "EUR", "quantity": 16,
            },
            {
                "line_number": 2, "portion_number": 1, "vendor_code": "hall", "part_code": "00502", "colour_code": "red",
                "condition": "new", "combination_code": "", "unit_price": "0.09", "currency_code": "EUR", "quantity": 4,
            },
        ],
        "spares": [], "unfilled": [], "effort": "standard", "cautions": [],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("day", "vendors"),
    [("2026-12-18", ["hall", "orchard"]), ("2026-12-19", ["orchard"]), ("2027-01-04", ["hall", "orchard"])],
)
def test_a_vendor_that_is_closed_on_the_day_is_left_out_and_named(plan: Any, day: str, vendors: list[str]) -> None:
    closed = ["vendor_code,shipping,closed_from_on,opens_again_on", "orchard,2.50,,", "hall,3,2026-12-19,2027-01-04"]
    result = plan(TWO_NEEDS, TWO_OFFERS, closed, "--json", "--on", day)
    found = json.loads(result.stdout)
    assert found["vendors"] == vendors
    if vendors == ["orchard"]:
        assert found["cautions"] == ["vendor hall is left out: it takes no orders before 2027-01-04"]
        (missing,) = found["unfilled"]
        assert missing["remedies"] == "the vendor hall, who has 40, but it takes no orders before 2027-01-04"
    else:
        assert not found["cautions"]


def test_the_plan_as_printed_for_people(plan: Any) -> None:
    needs = [*TWO_NEEDS, "3,00503,red,5,as_listed", "4,00502,blue,6,as_listed"]
    offers = [*TWO_OFFERS, "hall,00502,white,new,0.09,EUR,40", "hall,00502,pink,new,-1,EUR,40"]
    result = plan(needs, offers, TWO_TERMS)
    assert result.exit_code == 0
    text = result.stdout
    assert text.splitlines()[0].split() == ["vendor", "pieces", "goods", "shipping", "handling", "tax", "cost", "EUR"]
    assert "all          20   1.66      4.98      0.00  0.85      7.49" in text
    assert "Cost: 7.49 EUR for 20 of 31 pieces from 2 vendors." in text
    assert "How exact: no plan that fills as many pieces is cheaper." in text
    helps = {line.split()[0]: line for line in text.splitlines() if line.strip().startswith(("3 ", "4 "))}
    assert helps["3"].endswith("5  no vendor offers it in any form or colour that could serve")
    assert "another colour: 40 pieces are on offer in" in helps["4"] and "CIEDE2000" not in text
    (caution,) = [line for line in text.splitlines() if line.startswith("Caution: ")]
    assert "1 row fails and is left out: line 5, unit_price '-1'" in caution


def test_a_plan_without_missing_pieces_is_printed_plainly(plan: Any) -> None:
    text = plan(TWO_NEEDS, TWO_OFFERS, TWO_TERMS).stdout
    assert "for all 20 pieces" in text and "no plan is cheaper (proven)." in text
    assert "unfilled" not in text and "Caution" not in text and "Spares" not in text


def test_json_stays_alone_on_standard_output(plan: Any) -> None:
    result = plan(TWO_NEEDS, [*TWO_OFFERS, "hall,00502,pink,new,-1,EUR,40"], TWO_TERMS, "--json")
    assert json.loads(result.stdout)["cautions"] and "caution: " in result.stderr


def test_some_pieces_are_flexible_and_the_others_as_listed(planned: Any) -> None:
    """Four pieces, three flexible: the cheaper blue serves three, the listed red one; both under the file's own portion."""
    needs = [f"{NEEDS},flexible_quantity", "7,00502,red,4,any,3", "8,00502,red,2,any,0", "9,00502,red,2,any,"]
    offers = [OFFERS, "hall,00502,red,new,0.50,EUR,40", "hall,00502,blue,new,0.10,EUR,40"]
    found = planned(needs, offers, ["vendor_code,shipping", "hall,1"])
    assert used(found) == {(7, 1, "blue"): 3, (7, 1, "red"): 1, (8, 1, "red"): 2, (9, 1, "blue"): 2}
    assert found["goods"] == "2.00"


def test_what_stays_unfilled_is_reported_once_per_portion(planned: Any) -> None:
    needs = [f"{NEEDS},flexible_quantity", "1,00502,red,9,one_of,4"]
    needs = [f"{needs[0]},accept_colour_codes", f"{needs[1]},blue"]
    found = planned(needs, [OFFERS, "hall,00502,blue,new,0.10,EUR,3"], ["vendor_code,shipping", "hall,1"])
    assert found["status"] == "partial" and used(found) == {(1, 1, "blue"): 3}
    (row,) = found["unfilled"]
    assert (row["line_number"], row["portion_number"], row["part_code"], row["quantity"]) == (1, 1, "00502", 6)
    assert row["remedies"]


def test_portions_follow_their_own_rules(planned: Any) -> None:
    needs = [
        "line_number,portion_number,part_code,colour_code,quantity,colour_rule,refuse_colour_codes,group_code",
        "1,1,brick,red,2,any,blue,", "1,2,brick,red,2,as_listed,,", "2,1,tile,red,3,any_one,,g", "3,1,plate,red,3,any_one,,g",
    ]  # fmt: skip
    offers = [
        OFFERS,
        *(f"hall,brick,{colour},new,{price},EUR,9" for colour, price in (("red", 0.9), ("blue", 0.1), ("grey", 0.2))),
        # Alike costs 0.60 in grey; each for itself 0.30 in blue and white.
        "hall,tile,blue,new,0.05,EUR,9", "hall,tile,grey,new,0.1,EUR,9", "hall,plate,white,new,0.05,EUR,9",
        "hall,plate,grey,new,0.1,EUR,9",
    ]  # fmt: skip
    found = planned(needs, offers, ["vendor_code,shipping", "hall,1"])
    assert used(found) == {(1, 1, "grey"): 2, (1, 2, "red"): 2, (2, 1, "grey"): 3, (3, 1, "grey"): 3}
    assert found["landed_cost"] == "3.80"


def test_conditions_are_each_rows_own(planned: Any) -> None:
    needs = [
        f"{NEEDS},conditions",
        "1,brick,red,2,as_listed,",
        "2,brick,red,3,as_listed,new;used",
        "3,brick,red,4,as_listed,used",
    ]
    offers = [OFFERS, "hall,brick,red,new,0.50,EUR,40", "hall,brick,red,used,0.10,EUR,5"]
    found = planned(needs, offers, ["vendor_code,shipping", "hall,1"])
    by_line = {(row["line_number"], row["condition"]): row["quantity"] for row in found["lines"]}
    assert by_line == {(1, "new"): 2, (2, "new"): 2, (2, "used"): 1, (3, "used"): 4}


def test_substitutes_and_combinations(planned: Any) -> None:
    """A load-bearing piece takes no weaker form and no combination; others do."""
    needs = [
        f"{NEEDS},is_load_bearing",
        "1,brick,red,2,as_listed,true",
        "2,brick,red,2,as_listed,",
        "3,arch,red,1,as_listed,",
    ]
    offers = [
        OFFERS, "hall,brick,red,new,0.50,EUR,40", "hall,plate,red,new,0.10,EUR,40", "hall,hollow_arch,red,new,0.20,EUR,40",
    ]  # fmt: skip
    found = planned(
        needs, offers, ["vendor_code,shipping", "hall,1"],
        substitutes=["part_code,substitute_part_code,strength", "arch,hollow_arch,weaker"],
        combinations=["part_code,combination_code,component_part_code,component_count", "brick,stack,plate,3"],
    )  # fmt: skip
    rows = {(row["line_number"], row["part_code"], row["combination_code"]): row["quantity"] for row in found["lines"]}
    assert rows == {(1, "brick", ""): 2, (2, "plate", "stack"): 6, (3, "hollow_arch", ""): 1}


def test_colours_decide_what_any_and_near_may_be(planned: Any) -> None:
    needs = [f"{NEEDS},near_distance", "1,brick,red,2,any,", "2,tile,red,2,near,10"]
    offers = [
        OFFERS, "hall,brick,red,new,0.9,EUR,9", "hall,brick,ruby,new,0.1,EUR,9", "hall,brick,blue,new,0.2,EUR,9",
        "hall,tile,blue,new,0.1,EUR,9", "hall,tile,brick_red,new,0.3,EUR,9", "hall,tile,red,new,0.9,EUR,9",
        "hall,tile,teal,new,0.01,EUR,9",
    ]  # fmt: skip
    colours = [
        "colour_code,srgb_hex,finish",
        "red,#B02A1E,",
        "ruby,#B02A1E,transparent",
        "blue,#1E2AB0,",
        "brick_red,#B52F22,",
    ]
    found = planned(needs, offers, ["vendor_code,shipping", "hall,1"], colours=colours)
    assert used(found) == {(1, 1, "blue"): 2, (2, 1, "brick_red"): 2}
    (caution,) = found["cautions"]
    assert "1 offer is in colours that" in caution and "(teal)" in caution


def test_parquet_is_as_good_as_csv(tmp_path: Path) -> None:
    texts = {"needs": TWO_NEEDS, "offers": TWO_OFFERS, "terms": TWO_TERMS}
    arguments = ["plan", "--json"]
    for name, lines in texts.items():
        frame = pl.read_csv("\n".join(lines).encode(), schema_overrides={"part_code": pl.String})
        frame.write_parquet(tmp_path / f"{name}.parquet")
        arguments += [f"--{name}", str(tmp_path / f"{name}.parquet")]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["landed_cost"] == "7.49"


def test_a_million_pieces(planned: Any) -> None:
    found = planned(
        [NEEDS, "1,brick,red,1000000,any"],
        [OFFERS, "a,brick,red,new,0.000001,EUR,999999", "b,brick,blue,new,100000,EUR,100000000"],
        ["vendor_code,shipping", "a,0", "b,0"],
    )
    assert (found["landed_cost"], found["status"]) == ("100001.00", "proven")


def test_portions_add_up_to_the_needs() -> None:
    text = "line_number,portion_number,part_code,colour_code,quantity,colour_rule,flexible_quantity\n"
    rows = [(1, 1, 5, 2), (1, 2, 5, 5), (2, 1, 5, 0), (3, 3, 5, "")]
    text += "".join(f"{line},{portion},a,b,{count},any_one,{free}\n" for line, portion, count, free in rows)
    needs = validate_text(PLAN_NEEDS, pl.read_csv(text.encode(), infer_schema=False), where="t").rows
    portions = plan_needs.portions_of(needs.select(PLAN_NEEDS.columns))
    assert portions.schema == PORTIONS_SCHEMA
    shown = portions.select("line_number", "portion_number", "quantity", "colour_rule", "group_code").rows()
    assert shown == [
        (1, 1, 2, "any_one", "line 1 portion 1"), (1, 2, 5, "any_one", "line 1 portion 2"), (1, 4, 3, "as_listed", ""),
        (2, 4, 5, "as_listed", ""), (3, 3, 5, "any_one", "line 3 portion 3"),
    ]  # fmt: skip
