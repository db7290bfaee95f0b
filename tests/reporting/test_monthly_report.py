"""The report of a month: figures of that month and no later one, withheld figures as such, everything behind them beside them."""

import re
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.page_tables import day, number, percent
from pipelines.reporting.basis.words import REVISION_REASONS
from pipelines.reporting.month.model_report import model_report
from pipelines.reporting.month.month_charts import index_chart, month_end
from pipelines.reporting.month.monthly_report import _flexibility_saves, report, write_monthly_report
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import Night
from tests.present import present

MONTH = "2026-11"


@pytest.fixture(scope="module")
def night() -> Night:
    return sample(month_count=14)


@pytest.fixture(scope="module")
def page_data(night: Night) -> Any:
    return PageData(*night)


@pytest.fixture(scope="module")
def written(night: Night, tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("report")
    return folder, write_monthly_report(*night, "2026-10", folder)


def home(values: Any) -> Any:
    return values["sections"][0]


def of_model(page_data: Any, month: Any = MONTH, position: int = 0) -> Any:
    return home(model_report(page_data, page_data.models[position], month))


def other_settings(night: Night, **changes: Any) -> Any:
    """The night's tables, all models with other settings of their own."""
    models = tuple(
        type(m)(m.settings.model_copy(update=changes), m.parts_list, m.flexible_lines, m.amendments)
        for m in night[1].models
    )
    return PageData(night[0], type(night[1])(night[1].settings, night[1].tables, models, night[1].input_files))


def test_a_page_for_all_a_page_per_model_the_figures_and_a_picture(written: Any) -> None:
    folder, files = written
    place = folder / "public/reports"
    assert {path.relative_to(place).as_posix() for path in files} == {
        "2026-10.html", "2026-10.md",
        *(f"2026-10/{model}.{ending}" for model in ("m00", "m01", "m02") for ending in ("html", "md")),
        *(f"2026-10/{name}.{ending}" for name in ("costs", "price_index", "availability", "contributions", "price_changes")
          for ending in ("csv", "parquet")),
        "2026-10.png",
    }  # fmt: skip
    assert all(path.is_file() for path in files)
    markdown = (place / "2026-10.md").read_text(encoding="utf-8")
    assert "# October 2026: what the models cost" in markdown and "Prices up to 31 October 2026." in markdown


def test_the_same_tables_give_the_same_bytes(night: Night, written: Any, tmp_path: Path) -> None:
    for again, before in zip(write_monthly_report(*night, "2026-10", tmp_path), written[1], strict=True):
        assert again.read_bytes() == before.read_bytes(), again.name


def test_at_a_glance_has_the_cost_both_changes_and_coverage_beside_each(night: Night, page_data: Any) -> None:
    rows = home(report(page_data, MONTH))["glance"].rows
    index = {
        (r["model_code"], r["index_method"]): r
        for r in night[0]["price_index"].to_dicts()
        if r["buyer_code"] == "inland" and r["month"] == MONTH
    }
    for row, code in zip(rows, ("m00", "m01", "m02"), strict=True):
        lowe = index[code, "lowe"]
        assert row[0].href == f"{MONTH}/{code}.html"
        assert row[1] == f"{page_data.plan(code, 'inland', 'cheapest')['complete_cost']:.2f}"
        assert row[2] == "0.4 %", "the sample's plan is at most 0.31 % above the best possible"
        assert row[3] == "100.0 %"
        assert row[4] == percent(lowe["change_1_month_pct"], signed=True)
        assert row[5] == percent(lowe["change_12_months_pct"], signed=True)
        assert row[6] == f"{lowe['index_level']:.1f}" and row[7] == "97.0 %"


def test_models_are_ranked_by_what_a_piece_costs(page_data: Any) -> None:
    rows = home(report(page_data, MONTH))["ranking"].rows
    per_piece = {}
    for model in page_data.models:
        plan = page_data.plan(model.code, "inland", "cheapest")
        per_piece[model.title] = plan["complete_cost"] / plan["piece_count"]
    assert [row[0].text for row in rows] == sorted(per_piece, key=per_piece.__getitem__)
    assert [row[1] for row in rows] == ["1", "2", "3"]
    assert [row[2] for row in rows] == [number(per_piece[row[0].text], 3) for row in rows]
    assert all(row[5].endswith("%") and "cop" in row[6] for row in rows)


def test_a_rank_by_piece_is_a_range_where_costs_are_not_exact_enough(night: Night) -> None:
    """All models with bounds of a tenth of their cost: the dearest can't be the cheapest only if it costs ten times as much."""
    tables, inputs = night
    loose = tables["model_cost"].with_columns(
        lower_bound=(pl.col("landed_cost") / 10).cast(tables["model_cost"].schema["lower_bound"])
    )
    rows = home(report(PageData({**tables, "model_cost": loose}, inputs), MONTH))["ranking"].rows
    assert {row[1] for row in rows} == {"1 to 3"}


def test_a_cost_that_is_too_low_by_an_unknown_amount_has_no_rank(night: Night) -> None:
    tables = dict(night[0])
    unknown = pl.when(pl.col("model_code") == "m00").then(1).otherwise(pl.col("unfilled_estimate_count"))
    tables["model_cost"] = tables["model_cost"].with_columns(unfilled_estimate_count=unknown.cast(pl.Int64))
    rows = home(report(PageData(tables, night[1]), MONTH))["ranking"].rows
    assert [row[1] for row in rows] == ["1", "2", "–"] and rows[-1][0].text == "Harbour crane" and rows[-1][2] == "–"


def test_the_running_month_is_called_so(page_data: Any) -> None:
    assert report(page_data, MONTH)["is_running"] and report(page_data, MONTH)["cut_off"] == "25 November 2026"
    assert not report(page_data, "2026-10")["is_running"]


def test_the_running_months_index_is_of_today_and_not_of_a_day_to_come(page_data: Any) -> None:
    buyer = page_data.buyers[0]
    for chart in (index_chart(page_data, "m00", buyer, MONTH), home(report(page_data, MONTH))["front"]["index"]):
        days = [row[0] for row in present(chart).figures.rows]
        assert days[-2:] == ["31 October 2026", day(page_data.today)] and day(page_data.today) == "25 November 2026"


def test_flexible_lines_that_find_more_pieces_are_not_said_to_cost() -> None:
    def plan(cost: Any, missing: Any) -> Any:
        return {
            "plan_status": "partial", "complete_cost": Decimal(cost), "landed_cost": Decimal(cost), "lower_bound": Decimal(cost),
            "unfilled_estimate": Decimal(0), "unfilled_piece_count": missing, "unfilled_estimate_count": 0, "currency_code": "EUR",
        }  # fmt: skip

    assert _flexibility_saves(plan(12, 24), plan(13, 4)) == "\u2013"
    assert _flexibility_saves(plan(10, 24), plan(9, 4)) == "10.0 %"
    assert _flexibility_saves(plan(10, 4), plan(11, 4)) == "\u221210.0 %"
    assert _flexibility_saves(None, plan(9, 4)) == _flexibility_saves(plan(9, 4), None) == "\u2013"


def test_nothing_of_a_later_month_is_reported(night: Night, page_data: Any, tmp_path: Path) -> None:
    for section in present(model_report(page_data, page_data.models[0], "2026-05"))["sections"]:
        for chart in (section["costs"], section["index"]):
            assert chart.figures.rows[-1][0] == "31 May 2026"
            assert "June 2026" not in chart.description
        assert section["timing"] is None, "when to buy is a question of today"
        assert section["availability"]["weakest"] is None
    files = write_monthly_report(*night, "2026-05", tmp_path)
    for path in files:
        if path.suffix == ".md":
            for later in ("June 2026", "October 2026", "November 2026"):
                assert later not in path.read_text(encoding="utf-8"), path.name
        if path.suffix == ".parquet":
            frame = pl.read_parquet(path)
            when = "month" if "month" in frame.columns else "priced_on"
            assert str(frame[when].max())[:7] == "2026-05"


def test_every_scenario_and_every_index_method_has_its_line_and_the_band_spans_them(page_data: Any) -> None:
    section = of_model(page_data)
    assert [line.label for line in section["costs"].lines] == [s.title for s in page_data.scenarios.values()]
    widths = {line.label: line.width for line in section["index"].lines}
    assert list(widths) == [
        "Fixed parts list (Lowe)",
        "List quantities (GEKS-Törnqvist)",
        "Quantities bought (GEKS-Törnqvist)",
    ]
    assert sorted(widths.values()) == [1.0, 1.0, 2.5] and widths["Fixed parts list (Lowe)"] == 2.5
    last = section["index"].figures.rows[-1]
    levels = [float(cell) for cell in last[1:4]]
    assert [float(cell) for cell in last[4:6]] == [min(levels), max(levels)]
    assert "Between the methods: " in section["index"].description
    assert any("The methods lie between" in words and "prices are missing" in words for words in section["words"])


def test_a_withheld_index_is_said_to_be_and_why(page_data: Any) -> None:
    """The sample withholds m01 in its eighth month."""
    section = home(report(page_data, "2026-05"))
    assert section["glance"].rows[1][4:] == ("withheld", "withheld", "withheld", "62.0 %")
    reason = "only 62.0 % of the list, by cost, has a price of its own; 80 % needed"
    assert section["coverage"].rows[1][-1] == f"index withheld: {reason}"
    assert section["coverage"].rows[0][-1] == "shown"
    own = of_model(page_data, "2026-05", 1)
    assert own["index"].figures.rows[-1][1:] == ("–",) * 5
    figures = {item["label"]: item for item in own["strip"]}
    assert figures["Price index"]["figure"] == "withheld" and figures["Price index"]["note"] == reason
    assert not any("percentage points" in words for words in own["words"]) and own["contributions"] is None


def test_a_level_given_for_a_withheld_month_is_still_not_shown(night: Night, tmp_path: Path) -> None:
    tables = dict(night[0])
    tables["price_index"] = tables["price_index"].with_columns(pl.col("index_level").fill_null(987.6))
    page_data = PageData(tables, night[1])
    assert "987.6" not in str(home(report(page_data, "2026-05"))["glance"].rows) + str(
        of_model(page_data, "2026-05", 1)["index"]
    )
    for path in write_monthly_report(tables, night[1], "2026-05", tmp_path):
        if path.suffix in (".md", ".html", ".csv"):
            assert "987.6" not in path.read_text(encoding="utf-8"), path.name


def test_a_withheld_cost_says_why(night: Night) -> None:
    tables = dict(night[0])
    few = (pl.col("piece_count") * 0.3).cast(pl.Int64)
    tables["model_cost"] = tables["model_cost"].with_columns(unfilled_estimate_count=few)
    page_data = PageData(tables, night[1])
    assert {row[1] for row in home(report(page_data, MONTH))["glance"].rows} == {"withheld"}
    strip = of_model(page_data)["strip"][0]
    assert strip["figure"] == "withheld" and "% of the pieces have any price; 80 % needed" in strip["note"]


def test_five_up_and_five_down_named_only_where_a_model_allows_it(page_data: Any, night: Night) -> None:
    rows = home(report(page_data, MONTH))["movers"].rows
    assert len(rows) == 10
    assert all(row[1].startswith("+") for row in rows[:5]) and all(row[1].startswith("−") for row in rows[5:])
    private = other_settings(night, publish_lines="none")
    reported = {row[0] for row in home(report(private, MONTH))["movers"].rows}
    families = {f"{family} (part not named)" for family in night[0]["parts"]["part_family"]}
    assert reported <= families
    section = of_model(private)
    assert {row[0] for row in section["movers"].rows} <= families
    assert section["availability"]["weakest"] is None and section["availability"]["words"]


def test_an_element_of_a_private_model_is_not_named_on_its_page_though_another_model_names_it(
    page_data: Any, night: Night
) -> None:
    """m00 publishes no lines; m01 and m02 do, and all use the same elements."""
    assert page_data.models[0].publish_lines == "none" and page_data.publishable_elements
    assert all("(part not named)" in row[0] for row in of_model(page_data)["movers"].rows)
    assert not any("(part not named)" in row[0] for row in of_model(page_data, position=2)["movers"].rows)


def test_contributions_split_the_months_change_and_add_up(page_data: Any, night: Night) -> None:
    section = of_model(page_data)
    words = section["words"][0]
    rows = night[0]["element_price"].filter(
        (pl.col("model_code") == "m00") & (pl.col("buyer_code") == "inland") & (pl.col("month") == MONTH)
    )
    own = rows.filter(~pl.col("is_imputed"))["contribution_points"]
    assert f"Rises gave {own.filter(own > 0).sum():+.2f}" in words
    assert f"falls −{-own.filter(own < 0).sum():.2f}" in words and "imputed lines" in words
    figures = dict(section["contributions"].figures.rows)
    assert "imputed" in figures and list(figures)[-1] == "imputed"
    together = [row for row in section["contribution_table"].rows if row[1] == "together"]
    total = rows["contribution_points"].sum()
    assert [row[2] for row in together] == [number(total, 2, signed=True)] * 3


def amounts_of(rows: Any, column: Any) -> Any:
    return [Decimal(row[column].replace("−", "-")) for row in rows]


def test_what_changed_since_a_month_was_first_reported_is_shown(page_data: Any) -> None:
    rows = of_model(page_data, "2026-10")["revisions"].rows
    now = page_data.index("m00", "inland", "2026-10")["index_level"]
    assert rows[0][2:5] == (f"{number(now - 0.37, 2)} (31 October 2026)", number(now, 2), "+0.37")
    costs = {row[1]: row for row in rows[1:]}
    assert set(costs) == {f"Complete cost: {scenario.title}" for scenario in page_data.scenarios.values()}
    best = page_data.plan("m00", "inland", "cheapest", date(2026, 10, 31))["complete_cost"]
    row = costs["Complete cost: Cheapest mix"]
    assert row[2:5] == (f"{best + Decimal('1.5'):.2f} (31 October 2026)", f"{best:.2f}", "−1.50")
    assert row[5] == REVISION_REASONS["prices"]
    assert rows[0] in home(report(page_data, "2026-10"))["revisions"].rows
    assert of_model(page_data, "2026-09")["revisions"] is None and of_model(page_data)["revisions"] is None


def test_the_last_nights_are_drawn_as_they_were_published(page_data: Any) -> None:
    chart = of_model(page_data)["nights"]
    assert [line.label for line in chart.lines] == ["Exactly as designed", "Cheapest mix"]
    assert len(chart.figures.rows) == 21
    now = page_data.plan("m00", "inland", "cheapest")["complete_cost"]
    last = chart.figures.rows[-1]
    assert (last[0], last[2]) == ("25 November 2026", f"{now:.2f}")
    assert "25 Nov" in chart.svg, "days on the axis, not three times the same month"
    assert of_model(page_data, "2026-10")["nights"] is None


def test_the_spread_of_changes_is_that_of_the_table(page_data: Any, night: Night) -> None:
    section = of_model(page_data)
    one = night[0]["price_change_distribution"].filter(
        (pl.col("model_code") == "m00") & (pl.col("buyer_code") == "inland") & (pl.col("month") == MONTH)
        & (pl.col("change_month_count") == 1)
    ).row(0, named=True)  # fmt: skip
    reported = section["spread"].figures.rows[0]
    assert reported[1:] == tuple(number(one[f"change_p{p}_pct"], 1, signed=True) for p in (10, 25, 50, 75, 90))
    assert f"{percent(one['risen_share'] * 100, digits=0)} rose" in section["spread_words"]


def test_availability_names_what_limits_and_what_runs_out(page_data: Any) -> None:
    section = of_model(page_data, position=2)["availability"]
    assert section["words"][0].startswith("Exactly as listed, ") and "in November 2025)" in section["words"][0]
    assert section["weakest"].rows[0][-1] == "never" and section["weakest"].rows[0][3] == "0"
    assert {row[1] for row in section["weakest"].rows} <= {"not known", "no longer made"}
    (going,) = section["running_out"].rows
    assert going[3:] == ("−18.0 %", "3.3", "2.5 to 5.8")


def test_when_to_buy_stands_in_its_own_past(page_data: Any, night: Night) -> None:
    section = of_model(page_data)["timing"]
    row = night[0]["buying_time"].filter(
        (pl.col("model_code") == "m00") & (pl.col("buyer_code") == "inland") & (pl.col("buying_measure") == "price_index")
    ).row(0, named=True)  # fmt: skip
    assert section["standing"].rows[1][4] == percent(row["above_lowest_low_pct"], signed=True)
    assert any(words.startswith("Price index: of 13 earlier months") for words in section["words"])
    assert any("A season needs three years of prices" in words for words in section["words"])
    assert any(words.startswith("No forecast: the past is too short") for words in section["words"])
    assert section["forecast"].rows[0][0] == "December 2026"


def test_watches_that_fired_are_reported_without_naming_elements(page_data: Any, night: Night) -> None:
    reported = report(page_data, MONTH)["watches"]
    assert (
        reported[0].startswith("crane: Harbour crane") and reported[1] == "scarce: 1 scarce element in Harbour crane."
    )
    assert not any(name in " ".join(reported) for name in page_data.part_names.values()) and len(reported) == 2
    assert report(page_data, "2026-10")["watches"] is None, "what is watched is today"


def test_the_first_month_has_no_charts_yet(page_data: Any, night: Night, tmp_path: Path) -> None:
    section = home(report(page_data, "2025-10"))
    assert section["front"]["index"] is None and not section["front"]["multiples"] and section["causes"] is None
    own = of_model(page_data, "2025-10")
    assert own["costs"] is None and own["index"] is None and own["changed"] is None
    files = write_monthly_report(*night, "2025-10", tmp_path)
    assert not any(path.suffix == ".png" for path in files)


def test_a_month_without_figures_is_said_not_crashed(night: Night, tmp_path: Path) -> None:
    page, *_ = write_monthly_report(*night, "2019-01", tmp_path)
    assert "There are no figures for this month." in page.read_text(encoding="utf-8")


def test_the_notes_say_which_run_and_that_its_checks_passed(page_data: Any) -> None:
    *_, made_by, checks = report(page_data, MONTH)["methods"]
    assert re.search(r"Made by the refresh \S+, kitfare \S+\.", made_by)
    assert checks == "2 of 2 checks on the published tables passed."


@pytest.mark.parametrize(("month", "end"), [("2024-02", date(2024, 2, 29)), ("2026-12", date(2026, 12, 31))])
def test_month_ends(month: str, end: date) -> None:
    assert month_end(month) == end


def test_vendors_that_refuse_or_moved_a_model_most_are_named(page_data: Any) -> None:
    table = of_model(page_data)["vendors"]
    raised, cut, refusing, hardly = [
        page_data.vendor_names()[code] for code in page_data.workspace_table("vendors")["vendor_code"][:4]
    ]
    assert table.rows == (
        (refusing, "0.0 %", "4", "refuse the earlier order"),
        (cut, "+0.5 %", "4", "−3.0 %"),
        (raised, "+2.0 %", "4", "0.0 %"),
    )
    assert hardly not in str(table) and "since 31 October 2026" in table.caption
    assert of_model(page_data, "2026-10")["vendors"] is None
