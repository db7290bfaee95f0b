"""The report of a month: figures of that month and no later one, withheld figures as such."""

from datetime import date

import polars as pl
import pytest
from sample_tables import sample

from pipelines.reporting.facts import Facts
from pipelines.reporting.monthly_report import month_end, report, write_monthly_report
from pipelines.reporting.tables import percent


@pytest.fixture(scope="module")
def night():
    return sample(month_count=14)


@pytest.fixture(scope="module")
def facts(night):
    return Facts(*night)


def home(values):
    return values["sections"][0]


def test_two_files_named_by_the_month(night, tmp_path):
    written = write_monthly_report(*night, "2026-10", tmp_path)
    assert written == [tmp_path / "reports/2026-10.html", tmp_path / "reports/2026-10.md"]
    assert "# October 2026: what the models cost" in written[1].read_text(encoding="utf-8")
    assert "Prices up to 31 October 2026." in written[1].read_text(encoding="utf-8")


def test_the_strip_has_the_cost_and_both_changes_of_the_fixed_lists_index(night, facts):
    rows = home(report(facts, "2026-11"))["strip"].rows
    index = {
        (r["model_code"], r["index_method"]): r
        for r in night[0]["price_index"].to_dicts()
        if r["buyer_code"] == "inland" and r["month"] == "2026-11"
    }
    for row, code in zip(rows, ("m00", "m01", "m02"), strict=True):
        lowe = index[code, "lowe"]
        assert row[1] == f"{facts.plan(code, 'inland', 'best')['complete_cost']:.2f}"
        assert row[2] == "0.4 %", "the sample's plan is at most 0.31 % above the best possible"
        assert row[3] == percent(lowe["change_1_month_pct"], signed=True)
        assert row[4] == percent(lowe["change_12_months_pct"], signed=True)
        assert row[5] == f"{lowe['index_level']:.1f}"


def test_the_running_month_is_called_so(facts):
    assert report(facts, "2026-11")["is_running"] and report(facts, "2026-11")["cut_off"] == "25 November 2026"
    assert not report(facts, "2026-10")["is_running"]


def test_nothing_of_a_later_month_is_told(night, facts, tmp_path):
    values = report(facts, "2026-05")
    for section in values["sections"]:
        for item in section["models"]:
            for chart in (item["costs"], item["index"]):
                assert chart.figures.rows[-1][0] == "31 May 2026"
                assert "June 2026" not in chart.description
    _, markdown = write_monthly_report(*night, "2026-05", tmp_path)
    for later in ("June 2026", "October 2026", "November 2026"):
        assert later not in markdown.read_text(encoding="utf-8")


def test_every_scenario_and_every_index_method_has_its_line(facts):
    item = home(report(facts, "2026-11"))["models"][0]
    assert [line.label for line in item["costs"].lines] == [s.title for s in facts.scenarios.values()]
    widths = {line.label: line.width for line in item["index"].lines}
    assert list(widths) == [
        "Fixed parts list (Lowe)",
        "Every line counts alike (Jevons)",
        "Lines weighed month by month (GEKS-Törnqvist)",
    ]
    assert sorted(widths.values()) == [1.0, 1.0, 2.5] and widths["Fixed parts list (Lowe)"] == 2.5


def test_a_withheld_index_is_said_to_be_and_why(facts):
    """The sample withholds m01 in its eighth month."""
    section = home(report(facts, "2026-05"))
    assert section["strip"].rows[1][3:] == ("withheld", "withheld", "withheld")
    assert section["coverage"].rows[1][-1] == "withheld: only 62.0 % of the basket has a price of its own"
    assert section["coverage"].rows[0][-1] == "shown"
    assert section["models"][1]["index"].figures.rows[-1][1:] == ("–", "–", "–")
    assert "percentage points" not in section["models"][1]["words"]


def test_a_level_given_for_a_withheld_month_is_still_not_shown(night):
    tables = dict(night[0])
    tables["price_index"] = tables["price_index"].with_columns(pl.col("index_level").fill_null(987.6))
    section = home(report(Facts(tables, night[1]), "2026-05"))
    assert "987.6" not in str(section["strip"].rows) + str(section["models"][1]["index"])


def test_five_up_and_five_down_named_only_where_a_model_allows_it(facts, night):
    rows = home(report(facts, "2026-11"))["movers"].rows
    assert len(rows) == 10
    assert all(row[1].startswith("+") for row in rows[:5]) and all(row[1].startswith("−") for row in rows[5:])
    hidden = night[1].models[0].settings.model_copy(update={"publish_lines": "none"})
    models = tuple(
        type(m)(
            m.settings.model_copy(update={"publish_lines": hidden.publish_lines}),
            m.parts_list,
            m.freedoms,
            m.amendments,
        )
        for m in night[1].models
    )
    private = Facts(night[0], type(night[1])(night[1].settings, night[1].tables, models, night[1].input_files))
    told = {row[0] for row in home(report(private, "2026-11"))["movers"].rows}
    assert told <= {f"a part of the family {family} (not named)" for family in night[0]["parts"]["part_family"]}


def test_contributions_split_the_months_change(facts, night):
    words = home(report(facts, "2026-11"))["models"][0]["words"]
    rows = night[0]["element_price"].filter(
        (pl.col("model_code") == "m00") & (pl.col("buyer_code") == "inland") & (pl.col("month") == "2026-11")
    )
    own = rows.filter(~pl.col("is_imputed"))["contribution_points"]
    assert f"rose gave +{own.filter(own > 0).sum():.2f}" in words
    assert f"fell −{-own.filter(own < 0).sum():.2f}" in words and "imputed lines gave" in words


def test_the_first_month_says_that_it_has_no_charts_yet(facts, night, tmp_path):
    values = report(facts, "2025-10")
    assert [section["models"] for section in values["sections"]] == [[], []]
    assert home(values)["notes"] == ["Charts start with the second month that has figures."]
    for path in write_monthly_report(*night, "2025-10", tmp_path):
        assert "Charts start with the second month" in path.read_text(encoding="utf-8")
    assert home(report(facts, "2025-11"))["notes"] == []


def test_a_month_without_figures_is_said_not_crashed(night, tmp_path):
    page, _ = write_monthly_report(*night, "2019-01", tmp_path)
    assert "There are no figures for this month." in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(("month", "end"), [("2024-02", date(2024, 2, 29)), ("2026-12", date(2026, 12, 31))])
def test_month_ends(month, end):
    assert month_end(month) == end
