"""The files of ``kitfare plan``: what is wrong is said by file, line and column, and nothing is lost in silence."""

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import InputError, KitfareError, UsageError
from pipelines.intake.single_files.plan_files import PlanFiles, PlanPaths, read_plan_files
from pipelines.settings import Scenario
from schemas.inputs.plan_files import PLAN_OFFERS
from schemas.validate import polars_schema

SCENARIO = Scenario(scenario_code="files", title="Files", maker="any_mix", conditions=[])
DAY = date(2026, 11, 25)
GOOD = {
    "needs": """line_number,part_code,colour_code,quantity,colour_rule,accept_colour_codes
1,00501,black,16,as_listed,
2,00502,red,4,one_of,black; blue
""",
    "offers": """vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available
orchard,00501,black,new,0.085,EUR,120
orchard,00502,blue,new,0.07,EUR,40
hall,00502,black,new,0.09,EUR,40
""",
    "terms": """vendor_code,shipping,shipping_waived_from,minimum_order,tax_rate_pct,tax_on
orchard,2.50,20,1,21,included
hall,3,,,,
""",
}


def read(folder: Path, currency: str | None = None, **texts: Any) -> PlanFiles:
    """Write the files, the good ones unless stated otherwise, and read them; further ones by their option's name."""
    paths = {}
    for name, text in {**GOOD, **texts}.items():
        paths[name] = folder / f"{name}.csv"
        if text is not None:
            paths[name].write_text(text, encoding="utf-8")
    needs, offers, terms = (paths.pop(name) for name in ("needs", "offers", "terms"))
    return read_plan_files(PlanPaths(needs, offers, terms, paths), SCENARIO, currency, DAY)


def refused(folder: Path, kind: Any = InputError, **texts: Any) -> str:
    with pytest.raises(kind) as caught:
        read(folder, **texts)
    assert caught.value.next_step
    return str(caught.value)


def with_row(name: str, row: str) -> str:
    return GOOD[name] + row + "\n"


def with_column(name: str, column: str, *values: str | int) -> str:
    header, *rows = GOOD[name].splitlines()
    return "\n".join([f"{header},{column}", *(f"{row},{value}" for row, value in zip(rows, values, strict=True))])


def test_good_files_leave_no_word(tmp_path: Path) -> None:
    found = read(tmp_path)
    assert found.cautions == () and found.left_out == {}
    assert found.offers.schema == polars_schema(PLAN_OFFERS)
    assert found.needs["part_code"].to_list() == ["00501", "00502"]
    assert found.inputs.settings.buyer[0].currency_code == "EUR"
    terms = found.inputs.tables["vendor_terms"].sort("vendor_code")
    assert [f"{charge:.2f}" for charge in terms["shipping_charge"]] == ["3.00", "2.50"]
    assert terms["tax_on"].to_list() == ["goods", "included"]


BAD_NEEDS = [
    ("line_number", "2,00503,red,4,as_listed,", "another row has the same line_number, portion_number"),
    ("quantity", "3,00503,red,0,as_listed,", "must be from 1 to 1000000"),
    ("quantity", "3,00503,red,1000001,as_listed,", "must be from 1 to 1000000"),
    ("quantity", "3,00503,red,4.5,as_listed,", "not a whole number"),
    ("colour_rule", "3,00503,red,4,whatever,", "must be one of as_listed"),
    ("accept_colour_codes", "3,00503,red,4,one_of,", "needs the colours allowed"),
    ("colour_rule", "3,00503,red,4,near,", "near needs to know how colours look"),
    ("part_code", "3,,red,4,as_listed,", "must not be empty"),
    ("part_code", "3," + "x" * 1_000_000 + ",red,4,as_listed,", "longer than 1000 characters"),
    ("", "3,00503,red,4", "has 4 cells where the header has 6"),
]


@pytest.mark.parametrize(("column", "row", "rule"), BAD_NEEDS)
def test_a_bad_need_stops_the_plan(tmp_path: Path, column: str, row: str, rule: str) -> None:
    # The rule near lacks its distance as well, which is found first; here it has one.
    text = with_row("needs", row)
    if ",near," in row:
        header, *rows = text.splitlines()
        text = "\n".join([f"{header},near_distance", *(f"{each},{5 if 'near' in each else ''}" for each in rows)])
    said = refused(tmp_path, needs=text)
    assert "needs.csv, line " in said and "line 4" in said and column in said and rule in said
    assert len(said) < 2000


def test_rules_that_lack_what_they_need(tmp_path: Path) -> None:
    needs = GOOD["needs"].replace("one_of", "near")
    colours = "colour_code,srgb_hex\nblack,#101010\nred,#B02A1E\nblue,#0000FF\n"
    assert "line 3, near_distance '': the rule near needs" in refused(tmp_path, needs=needs, colours=colours)
    said = refused(tmp_path, needs=with_column("needs", "conditions", "new", "new;old"))
    assert "line 3, conditions 'new;old': must be new, used, or new;used" in said


@pytest.mark.parametrize(
    ("free", "rule"), [("5", "at most the quantity, 4"), ("-1", "from 0"), ("two", "whole number")]
)
def test_a_free_quantity_must_fit(tmp_path: Path, free: str, rule: str) -> None:
    said = refused(tmp_path, needs=with_column("needs", "flexible_quantity", "", free))
    assert f"line 3, flexible_quantity '{free}'" in said and rule in said


def test_a_free_quantity_that_frees_nothing_is_reported(tmp_path: Path) -> None:
    (caution,) = read(tmp_path, needs=with_column("needs", "flexible_quantity", "3", "")).cautions
    assert "needs.csv, line 2: flexible_quantity has no effect with the rule as_listed" in caution


def test_portions_of_one_line_are_one_element(tmp_path: Path) -> None:
    text = with_column("needs", "portion_number", "1", "1") + "\n1,00501,white,3,as_listed,,2\n"
    assert "portions of one line name different parts or colours" in refused(tmp_path, needs=text)


def test_a_colour_nobody_knows(tmp_path: Path) -> None:
    """With a palette it is an error; without one all that can be known is that nobody names it."""
    needs = GOOD["needs"].replace("blue", "mauve")
    palette = "colour_code,srgb_hex\nblack,#101010\nred,#B02A1E\nblue,#0000FF\n"
    said = refused(tmp_path, needs=needs, colours=palette)
    assert "line 3, accept_colour_codes 'black; mauve'" in said and "has no colour mauve" in said
    (caution,) = read(tmp_path, needs=needs).cautions
    assert (
        "needs.csv, line 3, accept_colour_codes" in caution and "no line and no offer has the colour mauve" in caution
    )
    said = refused(tmp_path, needs=GOOD["needs"].replace("black,16", "mauve,16"), colours=palette)
    assert "line 2, colour_code 'mauve'" in said


BAD_OFFERS = [
    ("unit_price", "orchard,00503,red,new,-0.05,EUR,4", "must be from 0.000001 to 100000"),
    ("unit_price", "orchard,00503,red,new,1000000,EUR,4", "must be from 0.000001 to 100000"),
    ("unit_price", 'orchard,00503,red,new,"0,05",EUR,4', "not a number such as 0.045"),
    ("currency_code", "orchard,00503,red,new,0.05,EURO,4", "must be a currency of ISO 4217"),
    ("quantity_available", "orchard,00503,red,new,0.05,EUR,many", "not a whole number"),
    ("condition", "orchard,00503,red,worn,0.05,EUR,4", "must be one of new, used"),
    ("part_code", "orchard," + "x" * 999_999 + ",red,new,0.05,EUR,4", "longer than 1000 characters"),
    ("", "orchard,00503,red,new,0.05", "has 5 cells where the header has 7"),
]


@pytest.mark.parametrize(("column", "row", "rule"), BAD_OFFERS)
def test_a_bad_offer_is_reported_and_left_out(tmp_path: Path, column: str, row: str, rule: str) -> None:
    found = read(tmp_path, offers=with_row("offers", row))
    (caution,) = found.cautions
    assert "offers.csv: 1 row fails and is left out: line 5," in caution and column in caution and rule in caution
    assert len(caution) < 500
    assert found.offers.height == 3


def test_offers_that_contradict_each_other_are_all_left_out(tmp_path: Path) -> None:
    found = read(tmp_path, offers=with_row("offers", "orchard,00502,blue,new,0.06,EUR,40"))
    caution, about_blue = found.cautions
    assert "no line and no offer has the colour blue" in about_blue
    assert "2 rows fail and are left out: line 3" in caution and "line 5" in caution
    assert found.offers.height == 2


def test_an_offer_whose_steps_are_of_two_kinds_is_left_out_in_whole(tmp_path: Path) -> None:
    header = GOOD["offers"].splitlines()[0] + ",step_from_quantity,step_kind"
    rows = ["orchard,00501,black,new,0.085,EUR,120,{},{}", "hall,00501,black,new,0.07,EUR,40,{},{}"]
    kinds = [(0, 1, "incremental"), (0, 10, ""), (1, 1, "incremental"), (1, 5, "incremental")]
    lines = [rows[row].format(start, kind) for row, start, kind in kinds]
    found = read(tmp_path, offers="\n".join([header, *lines]) + "\n")
    assert "2 rows fail and are left out: line 2, step_kind 'incremental'" in found.cautions[0]
    assert "line 3, step_kind 'all_units'" in found.cautions[0] and "of another kind" in found.cautions[0]
    assert found.offers.select("vendor_code", "step_from_quantity", "step_kind").rows() == [
        ("hall", 1, "incremental"),
        ("hall", 5, "incremental"),
    ]
    lines[1] = rows[0].format(10, "rising")
    assert (
        "must be one of all_units, incremental" in read(tmp_path, offers="\n".join([header, *lines]) + "\n").cautions[0]
    )


def test_offers_that_do_not_count_are_reported(tmp_path: Path) -> None:
    rows = "hall,00501,black,new,0.01,EUR,0\nmarket,00501,black,new,0.01,EUR,9\n"
    found = read(tmp_path, offers=GOOD["offers"] + rows, terms=with_row("terms", "idle,1,,,,"))
    assert [caution.partition(": ")[2] for caution in found.cautions] == [
        "left out: 1 offer without stock, first on line 5",
        f"left out: 1 offer by vendors without terms in {tmp_path / 'terms.csv'} (market), first on line 6",
        "terms of vendors without offers: idle (line 4)",
    ]
    assert found.offers.height == 3 and set(found.left_out) == {"market"}


def test_no_offer_left_is_an_error(tmp_path: Path) -> None:
    said = refused(tmp_path, terms="vendor_code,shipping\nOrchard,1\n")
    assert "no offer of" in said and "call vendors alike" in said
    header = GOOD["offers"].splitlines()[0]
    said = refused(tmp_path, offers=f"{header}\norchard,00503,red,new,-0.05,EUR,4\n")
    assert "line 2, unit_price '-0.05'" in said


@pytest.mark.parametrize("name", ["needs", "offers", "terms"])
def test_files_that_are_none(tmp_path: Path, name: str) -> None:
    assert "the file is empty" in refused(tmp_path, **{name: ""})
    header = GOOD[name].splitlines()[0]
    assert "has a header and no rows" in refused(tmp_path, **{name: header + "\n"})
    (tmp_path / f"{name}.csv").unlink()
    assert f"{name}.csv is not there" in refused(tmp_path, UsageError, **{name: None})
    said = refused(tmp_path, **{name: with_column(name, "shade", *["x"] * (len(GOOD[name].splitlines()) - 1))})
    assert "columns that the table" in said and "shade" in said
    kept = "\n".join(line.partition(",")[2] for line in GOOD[name].splitlines())
    assert "lacks the columns" in refused(tmp_path, **{name: kept})


BAD_TERMS = [
    ("shipping", "barn,-1,,,,", "at least 0"),
    ("shipping", "barn,,,,,", "must not be empty"),
    ("tax_on", "barn,1,,,,everything", "must be one of goods, goods_and_shipping, included"),
    ("tax_rate_pct", "barn,1,,,101,", "from 0 to 100"),
    ("vendor_code", "hall,1,,,,", "another row has the same vendor_code"),
]


@pytest.mark.parametrize(("column", "row", "rule"), BAD_TERMS)
def test_bad_terms_stop_the_plan(tmp_path: Path, column: str, row: str, rule: str) -> None:
    said = refused(tmp_path, terms=with_row("terms", row))
    assert "line 4" in said and f"{column} " in said and rule in said


def test_a_column_has_one_name_at_a_time(tmp_path: Path) -> None:
    assert "both shipping and shipping_charge" in refused(tmp_path, terms=with_column("terms", "shipping_charge", 1, 2))
    renamed = GOOD["terms"].replace("shipping,", "shipping_charge,", 1)
    assert read(tmp_path, terms=renamed).cautions == ()


RATES = "from_currency_code,to_currency_code,exchange_rate\n"


def test_a_currency_without_a_rate_leaves_its_vendor_out(tmp_path: Path) -> None:
    offers = with_row("offers", "mill,00501,black,new,0.8,SEK,100")
    terms = with_row("terms", "mill,20,,,,")
    said = refused(tmp_path, UsageError, offers=offers, terms=terms)
    assert "vendors sell in EUR and SEK" in said and "--currency" in said
    found = read(tmp_path, currency="EUR", offers=offers, terms=terms)
    assert found.left_out == {"mill": "there is no rate SEK to EUR: give it in --rates"}
    assert found.cautions == ("vendor mill is left out: there is no rate SEK to EUR: give it in --rates",)
    for row in ("SEK,EUR,0.087\n", "EUR,SEK,11.5\n"):
        assert read(tmp_path, currency="EUR", offers=offers, terms=terms, rates=RATES + row).left_out == {}
    assert "not a currency" in refused(tmp_path, UsageError, currency="EURO")


def test_the_latest_rate_counts(tmp_path: Path) -> None:
    rates = RATES.replace("\n", ",rate_on\n") + "SEK,EUR,0.08,2025-01-01\nEUR,SEK,10,2025-06-01\n"
    found = read(tmp_path, rates=rates).inputs.tables["exchange_rates"]
    assert found.select("from_currency_code", "rate_on").rows() == [("EUR", DAY)]


def test_terms_in_two_currencies_must_say_which(tmp_path: Path) -> None:
    offers = with_row("offers", "hall,00501,black,new,0.8,SEK,100")
    said = refused(tmp_path, offers=offers)
    assert "line 3, currency_code '': offers of hall are in EUR, SEK" in said
    found = read(tmp_path, offers=offers, terms=with_column("terms", "currency_code", "", "EUR"))
    assert (
        "left out: 1 offer in another currency than their vendor's terms (hall), first on line 5" in found.cautions[0]
    )


def test_charges_must_be_of_vendors_with_terms(tmp_path: Path) -> None:
    handling = "vendor_code,assortment_code,charge,waived_from\nbarn,stock,2,\n"
    said = refused(tmp_path, handling=handling)
    assert "handling.csv, line 2, vendor_code 'barn'" in said and "has no such vendor" in said
    steps = "vendor_code,step_basis,step_from,step_to,step_charge\nhall,goods_value,5,5,2\n"
    assert "line 2, step_to" in refused(tmp_path, shipping_steps=steps)
    itself = "part_code,substitute_part_code\n00501,00501\n"
    assert "is its own substitute" in refused(tmp_path, substitutes=itself)


@pytest.mark.parametrize("ends", ["200", "300", ""])
def test_shipping_steps_follow_on_one_another(tmp_path: Path, ends: str) -> None:
    header = "vendor_code,step_basis,step_from,step_to,step_charge\n"
    later, first = "hall,goods_value,250,,3\n", "hall,goods_value,0,{},2\n"
    found = refused(tmp_path, shipping_steps=header + later + first.format(ends))
    assert "line 3, step_to" in found
    assert "the next step begins elsewhere" in found
    assert read(tmp_path, shipping_steps=header + later + first.format("250")).left_out == {}


def test_shipping_by_weight_needs_weights(tmp_path: Path) -> None:
    steps = "vendor_code,step_basis,step_from,step_to,step_charge\nhall,weight_grams,0,,2\n"
    found = read(tmp_path, shipping_steps=steps)
    assert found.left_out == {"hall": "its shipping goes by weight: give weight_grams in --weights"}
    weights = "part_code,weight_grams\n00501,0.8\n"
    assert read(tmp_path, shipping_steps=steps, weights=weights).left_out == {}


def test_every_error_is_one_of_ours(tmp_path: Path) -> None:
    """Whatever stands in a cell, the reader says so or takes it; it never breaks."""
    for name in ("needs", "offers", "terms"):
        for text in ("\0", "{}", "a;b\n1\n", '"', "PAR1", "PK\x03\x04", ",,,\n,,,\n", "vendor_code\n" * 3):
            with pytest.raises(KitfareError):
                read(tmp_path, **{name: text})
