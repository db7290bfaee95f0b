"""What the comparison of models says."""

import re
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.reporting.basis.page_data import PageData, Row, ranked, saving
from pipelines.reporting.basis.words import NO_CLEAR_SAVING
from pipelines.reporting.pages import write_pages
from pipelines.reporting.sections.costs import comparison_table
from tests.builders.html_pages import TODAY_BEST, Page, details_text, sheet_text, with_plan
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import Night
from tests.present import present


def test_the_comparison_ranks_by_complete_cost_and_speaks_plainly(folder: Any, night: Night) -> None:
    page = Page(folder / "public/comparison.html")
    for word in ("lower bound", "gap", "optimal", "proven", "solver", "branch"):
        assert not re.search(rf"\b{word}\b", page.shown, re.I), word
    page_data = PageData(*night)
    order = [page_data.scenario_title(plan["scenario_code"]) for plan in ranked(page_data.plans("m00", "inland"))]
    block = page.shown.partition("Ways of buying, in EUR")[2]
    assert [block.index(title) for title in order] == sorted(block.index(title) for title in order)
    listed = page_data.plan("m00", "inland", "listed")
    assert f"{present(listed)['landed_cost']:.2f}†" in block, "a landed cost at unequal fill is marked"
    assert block.partition("Night ferry")[0].count("†") == 1
    assert "† Buys fewer pieces than another row" in block
    overview = page.shown.partition("Ways of buying, in EUR")[0]
    assert (
        f"{present(listed)['complete_cost']:.2f}*" in overview
        and "* With an estimate for pieces that can't be bought today" in overview
    )


def test_marks_are_explained_only_where_they_are_used(tmp_path: Path) -> None:
    tables, inputs = sample(titles=["Crane"], month_count=1, with_missing=False)
    write_pages(tables, inputs, tmp_path, months=())
    for ending in (".html", ".md"):
        text = (tmp_path / f"public/comparison{ending}").read_text(encoding="utf-8")
        assert "†" not in text and "With an estimate for pieces" not in text
        assert "Landed cost |" not in text and ">Landed cost<" not in text, (
            "it is the complete cost where nothing is missing"
        )


def test_plans_that_surely_cost_the_same_share_a_rank(night: Night) -> None:
    page_data = PageData(*night)
    plans = page_data.plans("m00", "inland")
    nine = {name: Decimal(9) for name in ("complete_cost", "landed_cost", "lower_bound")} | {
        "unfilled_estimate": Decimal(0)
    }
    same = [{**plan, **nine} if plan["scenario_code"] != "listed" else plan for plan in plans]
    table = comparison_table(page_data, same, None, "Ways")
    assert [row[2] for row in table.rows] == ["1", "1", "1", "1", "5"] and not table.strong_rows


def test_a_rank_is_a_range_where_the_plans_are_not_exact_enough(night: Night) -> None:
    """9 to 12, 11 to 12.5 and 14 to 15: the first two may change places, the third may not; then none is the cheapest."""
    page_data = PageData(*night)
    plan = page_data.plans("m00", "inland")[0]

    def costing(code: str, low: str, high: str) -> Row:
        amounts = {"complete_cost": Decimal(high), "landed_cost": Decimal(high), "lower_bound": Decimal(low)}
        return {**plan, **amounts, "unfilled_estimate": Decimal(0), "unfilled_estimate_count": 0, "scenario_code": code}

    near = [costing("cheapest", "9", "12"), costing("flexible", "11", "12.5"), costing("listed", "14", "15")]
    table = comparison_table(page_data, near, near[2], "Ways")
    assert [row[2] for row in table.rows] == ["1 to 2", "1 to 2", "3"] and not table.strong_rows
    assert [row[-3:-1] for row in table.rows] == [
        ("3.00 (20.0 %)", "2.00 to 6.00"), ("2.50 (16.7 %)", "1.50 to 4.00"), ("\u2013", "\u2013"),
    ]  # fmt: skip
    near[0] = costing("cheapest", "9", "10.99")
    table = comparison_table(page_data, near, near[1], "Ways")
    assert [row[2] for row in table.rows] == ["1", "2", "3"] and table.strong_rows == {0}
    near[0] = costing("cheapest", "9", "11.01")
    assert comparison_table(page_data, near, near[1], "Ways").rows[0][-3:-1] == (NO_CLEAR_SAVING, "\u22120.01 to 3.50")


def test_plans_without_any_price_for_some_pieces_rank_last(night: Night, tmp_path: Path) -> None:
    tables = with_plan(night[0], TODAY_BEST, unfilled_estimate_count=3, unfilled_piece_count=3)
    page_data = PageData(tables, night[1])
    best = page_data.plan("m00", "inland", "cheapest")
    assert min(page_data.plans("m00", "inland"), key=lambda plan: plan["complete_cost"]) == best
    assert ranked(page_data.plans("m00", "inland"))[-1] == best
    assert saving(page_data.plan("m00", "inland", "listed"), best) is None
    write_pages(tables, night[1], tmp_path, months=())
    assert f"at least {best['complete_cost']:.2f}" in sheet_text(tmp_path, "m00")


def test_a_cost_without_enough_prices_is_withheld(night: Night, tmp_path: Path) -> None:
    tables = with_plan(night[0], TODAY_BEST, unfilled_estimate_count=60, unfilled_piece_count=60)
    write_pages(tables, night[1], tmp_path, months=["2026-11"])
    best = PageData(tables, night[1]).plan("m00", "inland", "cheapest")
    assert "withheld" in sheet_text(tmp_path, "m00")
    assert f"Cheapest mix {present(best)['complete_cost']:.2f}" not in sheet_text(tmp_path, "m00")
    assert f"{present(best)['complete_cost']:.2f}" not in Page(tmp_path / "public/index.html").shown


def test_a_refused_plan_is_shown_as_refused_and_never_headlines(night: Night, tmp_path: Path) -> None:
    tables = with_plan(night[0], TODAY_BEST, plan_status="refused", complete_cost=Decimal("77.77"))
    write_pages(tables, night[1], tmp_path, months=["2026-11"])
    page_data = PageData(tables, night[1])
    for page in (
        "public/index.html",
        "public/comparison.html",
        "public/sheets/m00.html",
        "public/reports/2026-11.html",
    ):
        assert "77.77" not in Page(tmp_path / page).shown, page
    assert "Cheapest mix refused by a check" in sheet_text(tmp_path, "m00")
    assert (
        f"{present(page_data.plan('m00', 'inland', 'flexible'))['complete_cost']:.2f} (Hidden parts in any colour)"
        in Page(tmp_path / "public/index.html").shown
    )
    assert not [link for link in Page(tmp_path / "private/details/m00.html").all("a") if "cheapest" in link["href"]]


def test_a_way_that_costs_more_because_it_finds_more_pieces_is_not_called_a_saving(
    night: Night, tmp_path: Path
) -> None:
    """As listed 31 pieces of m01 are missing and cost little by their estimate; the others buy all of them."""
    of_m01 = (pl.col("model_code") == "m01") & (pl.col("buyer_code") == "inland")
    todays = of_m01 & (pl.col("priced_on") == date(2026, 11, 25))
    listed = PageData(*night).plan("m01", "inland", "listed")
    dear = present(listed)["complete_cost"] + Decimal("8.48")
    tables = with_plan(
        night[0],
        todays & pl.col("scenario_code").is_in(["flexible", "cheapest"]),
        complete_cost=dear,
        landed_cost=dear,
        lower_bound=dear,
        unfilled_piece_count=0,
    )
    costs = tables["flexibility_cost"]
    changed = pl.when(of_m01)
    is_none = pl.col("flexibility_allowed") == "none"
    tables["flexibility_cost"] = costs.with_columns(
        changed.then(pl.when(is_none).then(31).otherwise(0))
        .otherwise("unfilled_piece_count")
        .alias("unfilled_piece_count"),
        changed.then(pl.lit(Decimal(0)))
        .otherwise("total_saving")
        .cast(costs.schema["total_saving"])
        .alias("total_saving"),
    )
    flex = tables["colour_flex_saving"]
    tables["colour_flex_saving"] = flex.with_columns(
        changed.then(pl.lit(Decimal(0))).otherwise("saving").cast(flex.schema["saving"]).alias("saving")
    )
    write_pages(tables, night[1], tmp_path, months=())
    for ending in ("html", "md"):
        text = sheet_text(tmp_path, "m01", ending).partition("For a buyer abroad")[0]
        assert not re.search(r"Saved\W+[\d.]+ EUR", text)
        assert "costs 8.48 EUR more" in text and "because it finds 31 more pieces" in text
        assert "No line is clearly worth changing" in text
        assert "A way that finds more pieces can cost more." in text
    details = details_text(tmp_path, "m01").partition("For a buyer abroad")[0]
    assert "Buying flexibly finds 31 more pieces, which the cost as designed only estimates or leaves out." in details
    assert "So it makes more of the model buildable, not cheaper." in details
    missing = tables["unfilled_line"].filter(todays & (pl.col("scenario_code") == "listed"))["line_number"].unique()
    flexible = flex.filter(of_m01)["line_number"].unique()
    filling = len(set(flexible) & set(missing))
    assert filling and set(flexible) - set(missing)
    assert f"{filling} {'finds' if filling == 1 else 'find'} pieces that are missing as designed." in details
    assert "Those pieces cost more than all savings, so no line's saving is shown." in details
    assert "could return" not in details and "What each line's flexible colour saves" not in details
    assert re.search(r"Colours [\d.]+ 0 –", details), "no saving is shown for costs that can't be compared"
