"""The options of ``kitfare plan``, its refusals and its exit codes."""

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.planning import plan_needs
from schemas.all_tables import OPTIONAL_FILES
from tests.builders.plan_texts import NEEDS, OFFERS, THREE_OFFERS, THREE_TERMS, TWO_NEEDS, TWO_OFFERS, TWO_TERMS, bought


def test_wrong_closures_and_dates_are_refused(plan: Any) -> None:
    columns = "vendor_code,shipping,closed_from_on,opens_again_on"
    result = plan(TWO_NEEDS, TWO_OFFERS, [columns, "orchard,2.50,2027-01-04,2026-12-19", "hall,3,,"])
    assert result.exit_code == 3 and "must be after closed_from_on" in result.stderr and "line 2" in result.stderr
    result = plan(TWO_NEEDS, TWO_OFFERS, [columns, "orchard,2.50,,", "hall,3,,2100-01-01"], "--on", "2026-12-24")
    assert "hall is left out: it takes no orders before 2100-01-01" in result.stdout
    result = plan(TWO_NEEDS, TWO_OFFERS, TWO_TERMS, "--on", "tomorrow")
    assert result.exit_code == 2 and "--on tomorrow: not a date" in result.stderr


def test_spares_and_how_to_forbid_them(planned: Any) -> None:
    """Ten come cheaper than four: 10 at 0.10 against 4 at 0.30."""
    offers = [
        f"{OFFERS},sold_in_multiples_of,step_from_quantity",
        "hall,brick,red,new,0.30,EUR,40,1,1",
        "hall,brick,red,new,0.10,EUR,40,1,10",
    ]
    needs, terms = [NEEDS, "1,brick,red,4,as_listed"], ["vendor_code,shipping", "hall,1"]
    found = planned(needs, offers, terms)
    assert (found["goods"], bought(found)) == ("1.00", {("hall", "brick", "red"): 10})
    (spare,) = found["spares"]
    assert (spare["quantity"], spare["unit_price"]) == (6, "0.1")
    without = planned(needs, offers, terms, "--no-spares")
    assert (without["goods"], without["spares"], bought(without)) == ("1.20", [], {("hall", "brick", "red"): 4})


def test_the_largest_number_of_vendors(planned: Any) -> None:
    offers = [*TWO_OFFERS, "mill,00501,black,new,0.2,EUR,99", "mill,00502,red,new,0.2,EUR,99"]
    terms = [*TWO_TERMS, "mill,9,,"]
    assert planned(TWO_NEEDS, offers, terms)["vendors"] == ["hall", "orchard"]
    one = planned(TWO_NEEDS, offers, terms, "--max-vendors", "1")
    assert (one["vendors"], one["landed_cost"]) == (["mill"], "13.00")


@pytest.mark.parametrize(
    ("options", "cost", "vendors"),
    [
        ((), "4.80", ["hall", "orchard"]),  # 1.60 and 1.20, twice shipped
        (("--forbidden-vendor", "hall"), "5.40", ["orchard"]),
        (("--forbidden-vendor", "hall", "--forbidden-vendor", "orchard"), "3.00", ["barn"]),  # no black ones anywhere
        (("--forced-vendor", "barn"), "5.60", ["barn", "hall"]),  # 1.60 and 2.00, twice shipped
        (("--forced-vendor", "barn", "--forced-vendor", "orchard"), "6.00", ["barn", "hall", "orchard"]),
        (("--prefer-vendor", "barn"), "4.80", ["hall", "orchard"]),
        (
            ("--prefer-vendor", "hall", "--prefer-vendor", "barn", "--preference-value", "0.79"),
            "4.80",
            ["hall", "orchard"],
        ),
        (
            ("--prefer-vendor", "hall", "--prefer-vendor", "barn", "--preference-value", "0.81"),
            "5.60",
            ["barn", "hall"],
        ),
        (("--parcel-penalty", "0.59"), "4.80", ["hall", "orchard"]),
        (
            ("--parcel-penalty", "0.61"),
            "5.40",
            ["orchard"],
        ),  # 0.60 dearer, and a parcel less; the parcel penalty is no cost
    ],
)
def test_forced_and_forbidden_vendors_and_the_parcel_penalty(
    plan: Any, options: tuple[str, ...], cost: str, vendors: list[str]
) -> None:
    result = plan(TWO_NEEDS, THREE_OFFERS, THREE_TERMS, "--json", *options)
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert (found["landed_cost"], found["vendors"], found["gap_pct"]) == (cost, vendors, 0)
    assert found["lower_bound"] == cost


def test_what_the_parcel_penalty_means_is_printed(plan: Any) -> None:
    text = plan(TWO_NEEDS, THREE_OFFERS, THREE_TERMS, "--parcel-penalty", "0.61").stdout
    assert "How exact: no plan is cheaper, counting 0.61 EUR for every parcel (proven)." in text
    text = plan(TWO_NEEDS, THREE_OFFERS, THREE_TERMS, "--prefer-vendor", "barn", "--parcel-penalty", "0.5").stdout
    penalties = "counting 0.50 EUR for every parcel and 0.01 EUR for every order from a vendor that is not preferred"
    assert f"How exact: no plan is cheaper, {penalties} (proven)." in text


@pytest.mark.parametrize(
    ("options", "exit_code", "words"),
    [
        (("--forced-vendor", "mill"), 2, "--forced-vendor: there is no usable offer from mill"),
        (("--forbidden-vendor", "Hall"), 2, "--forbidden-vendor: there is no usable offer from Hall"),
        (("--forced-vendor", "hall", "--forbidden-vendor", "hall"), 2, "vendors that the scenario does not use: hall"),
        (("--forced-vendor", "hall", "--forced-vendor", "barn", "--max-vendors", "1"), 2, "than --max-vendors allows"),
        (("--prefer-vendor", "mill"), 2, "--prefer-vendor: there is no usable offer from mill"),
        (
            ("--prefer-vendor", "hall", "--forbidden-vendor", "hall"),
            2,
            "--prefer-vendor names vendors that the scenario",
        ),
        (("--preference-value", "0"), 2, "--preference-value '0': must be greater than 0"),
        (("--parcel-penalty", "-1"), 2, "--parcel-penalty '-1': must be greater than or equal to 0"),
        (("--parcel-penalty", "much"), 2, "--parcel-penalty 'much'"),
        (("--max-vendors", "0"), 2, "'--max-vendors': it must be greater than or equal to 1"),
        (("--effort", "lots"), 2, "'--effort': 'lots' is not one of"),
        (("--parcel-penalty", "nan"), 2, "--parcel-penalty 'nan'"),
        (
            ("--forced-vendor", "mine"),
            5,
            "no plan has an order at every forced vendor: mine",
        ),  # who sells nothing needed
    ],
)
def test_options_without_a_possible_plan(plan: Any, options: tuple[str, ...], exit_code: int, words: str) -> None:
    offers, terms = [*THREE_OFFERS, "mine,00999,red,new,0.10,EUR,5"], [*THREE_TERMS, "mine,1"]
    result = plan(TWO_NEEDS, offers, terms, *options)
    assert result.exit_code == exit_code
    assert words in result.stderr and "failed a check" not in result.stderr
    if exit_code == 5:
        assert "or force fewer" in result.stderr and "the plan was refused and buys nothing" in result.stdout


def test_nothing_fits(planned: Any, plan: Any) -> None:
    texts = ([NEEDS, "1,arch,red,3,as_listed"], TWO_OFFERS, TWO_TERMS)
    found = planned(*texts)
    assert (found["status"], found["landed_cost"], found["vendors"], found["lines"]) == ("partial", "0.00", [], [])
    assert found["unfilled"][0]["quantity"] == 3
    assert plan(*texts).exit_code == 0


def test_a_refused_plan_is_5_and_buys_nothing(plan: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plan_needs, "faults", lambda *_: ["the landed cost comes to 8, the optimiser to 7"])
    result = plan(TWO_NEEDS, TWO_OFFERS, TWO_TERMS, "--json")
    found = json.loads(result.stdout)
    assert result.exit_code == 5 and "the landed cost comes to 8" in result.stderr
    assert (found["status"], found["lines"], found["landed_cost"]) == ("refused", [], "0.00")
    assert sum(row["quantity"] for row in found["unfilled"]) == 20
    text = plan(TWO_NEEDS, TWO_OFFERS, TWO_TERMS)
    assert text.exit_code == 5 and "the plan was refused and buys nothing" in text.stdout


def test_exit_codes(plan: Any, tmp_path: Path) -> None:
    assert plan(["nonsense"], TWO_OFFERS, TWO_TERMS).exit_code == 3
    assert plan([NEEDS, "1,brick,red,-1,any"], TWO_OFFERS, TWO_TERMS).exit_code == 3
    assert plan(TWO_NEEDS, TWO_OFFERS, TWO_TERMS, "--max-vendors", "0").exit_code == 2
    assert plan(TWO_NEEDS, TWO_OFFERS, TWO_TERMS, "--currency", "EURO").exit_code == 2
    assert plan(TWO_NEEDS, TWO_OFFERS, TWO_TERMS, "--colours", str(tmp_path / "none.csv")).exit_code == 2


def test_every_further_file_is_an_option() -> None:
    text = CliRunner().invoke(app, ["plan", "--help"]).stdout
    for name in OPTIONAL_FILES:
        assert f"--{name.replace('_', '-')} FILE" in text
