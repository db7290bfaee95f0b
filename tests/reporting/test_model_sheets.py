"""What the sheet of a model says."""

import re
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.reporting.basis.page_data import PageData, saving
from pipelines.reporting.pages import write_pages
from pipelines.reporting.sections.near_colours import distance_words
from tests.builders.html_pages import Page, change, details_text, sheet_text, with_plan
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import BUYERS, Night
from tests.present import present


@pytest.mark.parametrize("ending", ["html", "md"])
def test_a_sheet_names_lines_only_as_far_as_the_model_allows(folder: Any, night: Night, ending: str) -> None:
    """m00 publishes none of its lines, m01 some, m02 all."""
    elements = re.compile("|".join(re.escape(name) for name in night[0]["parts"]["part_name"]))
    named = {code: len(elements.findall(sheet_text(folder, code, ending))) for code in ("m00", "m01", "m02")}
    # Two of six lines with a flexibility save money; no piece is missing in the cheapest mix.
    assert named == {"m00": 0, "m01": 2 * len(BUYERS), "m02": 2 * len(BUYERS)}
    assert "2 lines (36 pieces) clearly save" in sheet_text(folder, "m00", ending)


def test_a_sheet_shows_what_it_must(folder: Any, night: Night) -> None:
    text = sheet_text(folder, "m01")
    page_data = PageData(*night)
    plans = {code: page_data.plan("m01", "inland", code) for code in ("listed", "flexible", "maker_first", "cheapest")}
    for title, code in (
        ("Exactly as designed", "listed"),
        ("Hidden parts in any colour", "flexible"),
        ("The maker's shop first, the rest elsewhere", "maker_first"),
        ("Cheapest mix", "cheapest"),
    ):
        plan = plans[code]
        cost, saved = (
            present(plan)["complete_cost"],
            present(plans["listed"])["complete_cost"] - present(plan)["complete_cost"],
        )
        figure = f"{saved:.2f}".replace("-", "\u2212") if code != "listed" else "\u2013"
        assert f"{title} {cost:.2f} {figure} " in text
    saved = present(plans["listed"])["complete_cost"] - present(plans["cheapest"])["complete_cost"]
    assert f"; this saves {saved:.2f} EUR" in text
    for reported in (
        "What its parts cost on 25 November 2026",
        "version 1, 180 pieces",
        "For a buyer at home",
        "For a buyer abroad",
        "new parts only",
        "12 days old (13 November 2026)",
        "at most 0.4 % above the best possible",
        "the instructions (12.00 EUR)",
        "it finds 31 more pieces, which the first cost only estimates",
        "All 180 pieces can be bought today",
        "Prices are estimates until the vendor's basket confirms them",
        "Check tax and customs",
        "load-bearing",
        "small children",
        "10 November 2026 6 decisions of our own",
        "Not included",
    ):
        assert reported in text, reported
    assert "maker_marked" not in text and "Some lines from the maker's shop" not in text
    for solver_word in ("bound", "gap", "optimal", "proven", "solver"):
        assert not re.search(rf"\b{solver_word}", text, re.I), solver_word


def test_a_saving_is_clear_only_beyond_both_gaps(night: Night) -> None:
    page_data = PageData(*night)
    listed, flexible = (present(page_data.plan("m00", "inland", code)) for code in ("listed", "flexible"))
    listed = {**listed, **_costing("10", "10.50")}
    assert not present(saving(listed, {**flexible, **_costing("9", "10")})).is_clear
    assert present(saving(listed, {**flexible, **_costing("9", "9.99")})).is_clear
    assert not present(saving(listed, {**flexible, **_costing("10.50", "12")})).is_clear
    assert present(saving(listed, {**flexible, **_costing("10.51", "12")})).is_clear
    proven = {**present(listed), "lower_bound": present(listed)["landed_cost"]}
    assert present(saving(proven, proven)).is_clear and present(saving(proven, proven)).amount == 0


def test_the_first_night_has_no_history_and_says_nothing_of_it(tmp_path: Path) -> None:
    tables, inputs = sample(titles=["Crane"], month_count=1)
    write_pages(tables, inputs, tmp_path, months=())
    assert "What changed" not in sheet_text(tmp_path, "m00")


def test_a_buyer_whose_past_is_not_planned_is_reported_so_instead_of_an_empty_chart(
    night: Night, tmp_path: Path
) -> None:
    tables, inputs = night
    buyers = [inputs.settings.buyer[0], inputs.settings.buyer[1].model_copy(update={"plan_past_months": False})]
    inputs = replace(inputs, settings=inputs.settings.model_copy(update={"buyer": buyers}))
    planned = (pl.col("buyer_code") == "inland") | (pl.col("priced_on") == date(2026, 11, 25))
    write_pages(
        {**tables, "model_cost": tables["model_cost"].filter(planned)}, inputs, tmp_path, months=["2026-03", "2026-11"]
    )
    words = "Past month ends are not planned for this buyer."
    for name in ("public/sheets/m00", "public/reports/2026-11/m00", "public/reports/2026-03/m00"):
        home, _, abroad = Page(tmp_path / f"{name}.html").shown.partition("For a buyer abroad")
        drawn = "complete cost in" if "sheets" in name else "Complete cost at month ends"
        assert words in abroad and drawn not in abroad
        assert words not in home and drawn in home
        assert words in (tmp_path / f"{name}.md").read_text(encoding="utf-8")
    assert "Prices alone:" in Page(tmp_path / "public/sheets/m00.html").shown.partition("For a buyer abroad")[2]
    past, latest = (
        Page(tmp_path / f"public/reports/{month}.html").shown.partition("For a buyer abroad")[2]
        for month in ("2026-03", "2026-11")
    )
    assert "Cheapest complete cost" not in past and "Cheapest complete cost" in latest


def test_a_change_is_stated_only_where_the_best_possible_plans_changed_that_way(night: Night, tmp_path: Path) -> None:
    """At the month end 10 to 12; today 9 to 9.90 is a fall, 9 to 10.10 is none that is sure."""
    cheapest = (pl.col("model_code") == "m00") & (pl.col("scenario_code") == "cheapest")
    then, today = (
        cheapest & (pl.col("priced_on") == date(2026, 10, 31)),
        cheapest & (pl.col("priced_on") == date(2026, 11, 25)),
    )
    for high, words, heading in (
        ("9.90", "12.00 9.90 \u22122.10 \u22123.00 to \u22120.10", "2.10 EUR cheaper (between 0.10 and 3.00)"),
        (
            "10.10",
            "12.00 10.10 not clear \u22123.00 to +0.10",
            "no clear change (between 3.00 cheaper and 0.10 dearer)",
        ),
    ):
        tables = with_plan(night[0], then, **_costing("10", "12"), gap_pct=20.0)
        write_pages(with_plan(tables, today, **_costing("9", high)), night[1], tmp_path, months=())
        assert f"Cheapest mix {words}" in details_text(tmp_path, "m00")
        assert f"Since 31 October 2026: {heading}" in sheet_text(tmp_path, "m00")


def _costing(low: str, high: str) -> dict[str, Decimal | int]:
    """A plan without missing pieces that costs between two amounts."""
    amounts = {"complete_cost": Decimal(high), "landed_cost": Decimal(high), "lower_bound": Decimal(low)}
    return {**amounts, "unfilled_estimate": Decimal(0), "unfilled_estimate_count": 0}


@pytest.mark.parametrize(
    ("saving", "basis", "is_distinct", "words"),
    [
        ("0.10", "planned", True, "Of 6 lines with flexible colour, 6 clearly save money."),
        ("5.00", "planned", False, "Of 6 lines with flexible colour, 0 clearly save money and 6 have no clear saving."),
        (
            "5.00",
            "estimated",
            False,
            "Of 6 lines with flexible colour, 0 clearly save money and 6 are only estimated to save.",
        ),
        (
            "0",
            "estimated",
            False,
            "Of 6 lines with flexible colour, 0 clearly save money, 1 finds pieces that are missing as designed and "
            "5 save nothing by the estimate and could take the designer's colour again.",
        ),
    ],
)
def test_how_many_flexible_lines_pay_is_reported(
    night: Night, tmp_path: Path, saving: str, basis: str, is_distinct: bool, words: str
) -> None:
    values: dict[str, Any] = {"saving": saving, "saving_low": "0.05" if is_distinct else "0", "saving_high": "6.00"}
    values |= {} if basis == "planned" else {"saving_low": None, "saving_high": None}
    changes = [pl.lit(amount).cast(pl.Decimal(18, 4)).alias(name) for name, amount in values.items()]
    tables = change(
        night[0],
        "colour_flex_saving",
        *changes,
        pl.lit(is_distinct).alias("is_distinct"),
        pl.lit(basis).alias("saving_basis"),
    )
    write_pages(tables, night[1], tmp_path, months=())
    assert words in details_text(tmp_path, "m02")
    details = details_text(tmp_path, "m02")
    assert ("0.10 (between 0.05 and 6.00)" in details) == is_distinct
    assert ("no clear saving (between 0.00 and 6.00)" in details) == (basis == "planned" and not is_distinct)
    assert ("5.00 \u2248" in details) == (basis == "estimated" and saving != "0")
    named = "Lines 1, 3, 5, 7, 9 save nothing today by the estimate and could take the designer's colour again."
    assert (named in details) == (saving == "0")
    assert named not in sheet_text(tmp_path, "m02")
    assert "Estimates were off by 0.12 on average and 0.66 at most, on 6 lines planned tonight." in details


def test_details_show_kinds_shares_and_where_to_look(folder: Any) -> None:
    text = details_text(folder, "m02")
    for words in (
        "Colours and forms",
        "6 of 12 lines (50 %) are decided.",
        "Fair share",
        "Acts with lines",
        "3 (same vendor)",
        "6 lines are undecided; 2 are not worth a look.",
        "the first line 1.00, the first 3 lines 2.25, the first 4 lines 2.50 EUR",
        "A new plan with the first 2 lines in any colour",
        "What other forms save",
        "Lines to look at first",
    ):
        assert words in text, words
    none = sheet_text(folder, "m00")
    for words in ("Fair share", "Lines to look at first", "What other forms save", "(line "):
        assert words not in none, words
    assert "By the estimate" in text and "the first 2 lines to look at in any colour" in text

    for ending in ("html", "md"):
        assert "How we calculate" in sheet_text(folder, "m00", ending)
        once = (folder / f"public/how-we-calculate.{ending}").read_text(encoding="utf-8")
        assert "quick estimates among a few dozen sets of vendors" in once and "Lines that must be alike" in once


def test_how_exact_sampled_shares_are_is_reported(night: Night, tmp_path: Path) -> None:
    error = (
        pl.when(pl.col("saving_view") == "fair")
        .then(pl.lit(Decimal("0.02")))
        .cast(pl.Decimal(18, 4))
        .alias("standard_error")
    )
    tables = change(night[0], "colour_flex_saving", error, pl.lit(3, pl.Int64).alias("flexible_line_count"))
    write_pages(tables, night[1], tmp_path)
    words = "Fair shares are means over 512 random sequences; their standard error is at most 0.02 EUR."
    assert words in details_text(tmp_path, "m02") and words not in sheet_text(tmp_path, "m02")


def test_near_colours_are_shown_side_by_side_with_the_distance_in_words(night: Night, tmp_path: Path) -> None:
    lines = night[0]["plan_line"].with_columns(
        pl.lit("near").alias("colour_rule"), pl.lit(False).alias("is_listed_colour")
    )
    write_pages({**night[0], "plan_line": lines}, night[1], tmp_path, months=())
    html = (tmp_path / "private/details" / "m02.html").read_text(encoding="utf-8")
    assert "Colours close to the listed ones" in html and "(CIEDE2000 " in html
    swatches = re.search(r'<rect width="24" height="24" fill="(#[0-9A-Fa-f]{6})"/><rect x="24"', html)
    assert swatches


@pytest.mark.parametrize(
    ("distance", "words"),
    [
        (0.9, "no difference most people see"),
        (1.5, "hardly a difference"),
        (4.0, "a slight difference"),
        (9.0, "a clear difference, the same kind of colour"),
        (19.0, "a strong difference"),
        (21.0, "another colour"),
    ],
)
def test_distances_of_colours_have_words(distance: float, words: str) -> None:
    assert distance_words(distance) == words


def test_savings_without_fair_shares_are_not_lost(night: Night, tmp_path: Path) -> None:
    last = {**night[0], "colour_flex_saving": night[0]["colour_flex_saving"].filter(pl.col("saving_view") == "last")}
    write_pages(last, night[1], tmp_path, months=())
    assert "Of 6 lines with flexible colour, 2 clearly save money" in details_text(tmp_path, "m00")


def test_every_cost_has_its_coverage_beside_it_and_the_floor_is_reported(folder: Any) -> None:
    compared = Page(folder / "public/comparison.html").shown
    assert compared.count("Pieces priced") >= 6, "a table per model and buyer"
    once = Page(folder / "public/how-we-calculate.html").shown.replace("\u00a0", " ")
    assert "withheld when less than 80 % of the pieces have a price" in once
    sheet = Page(folder / "public/sheets/m00.html").shown.replace("\u00a0", " ")
    assert "97.0 % of the list priced" in sheet
