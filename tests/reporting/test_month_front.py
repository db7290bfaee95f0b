"""The first page of a month's report: short, whole in itself, on one scale; its tables hold what it draws."""

import re
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import fromstring

import polars as pl
import pytest

from pipelines.reporting.basis.events import events, rates
from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.drawings.multiples import HIGH, Multiple, small_multiples
from pipelines.reporting.drawings.stacked import Segment, Stack, stacked_chart
from pipelines.reporting.drawings.timeline import timeline
from pipelines.reporting.month.cost_causes import CAUSES, moved_models
from pipelines.reporting.month.front_page import price_move
from pipelines.reporting.month.monthly_report import report, write_monthly_report
from pipelines.reporting.month.shared_pictures import index_tags, model_picture, sheet_tags
from pipelines.resources import resource_folder
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import Night
from tests.present import present
from tests.reporting.drawings.drawing_parts import parts

MONTH = "2026-11"
MOST_WORDS = 500


@pytest.fixture(scope="module")
def night() -> Night:
    return sample(month_count=14)


@pytest.fixture(scope="module")
def page_data(night: Night) -> Any:
    return PageData(*night)


def section(page_data: Any, month: str = MONTH) -> Any:
    return report(page_data, month)["sections"][0]


def with_base(night: Night, base: str) -> Any:
    tables, inputs = night
    settings = inputs.settings.model_copy(
        update={"report": inputs.settings.report.model_copy(update={"base_url": base})}
    )
    return PageData(tables, type(inputs)(settings, inputs.tables, inputs.models, inputs.input_files))


def words_outside_tables(page: str) -> int:
    """Tables, drawings, navigation and what is folded are left out."""
    text = re.sub(r"<(table|svg|style|script|nav|details|head)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return len(re.sub(r"<[^>]+>", " ", text).split())


def test_the_demos_report_has_less_than_500_words_outside_tables() -> None:
    (page,) = (resource_folder("reports") / "sample/reports").glob("*.html")
    assert 50 < words_outside_tables(page.read_text(encoding="utf-8")) < MOST_WORDS


def test_a_page_names_the_month_and_begins_with_its_points(night: Night, page_data: Any, tmp_path: Path) -> None:
    page = write_monthly_report(*night, "2026-10", tmp_path)[0].read_text(encoding="utf-8")
    assert words_outside_tables(page) < MOST_WORDS
    points = section(page_data, "2026-10")["front"]["points"]
    assert 3 <= len(points) <= 5
    first = page.index("<h2>")
    assert all(
        first < page.index(words.replace("'", "&#39;").replace(" %", "\u00a0%")) < page.index("<figure")
        for words in points
    )


def test_a_price_change_spans_the_methods_and_is_none_where_the_headline_is_withheld(page_data: Any) -> None:
    move = present(price_move(page_data, page_data.models[0], "inland", MONTH))
    known = [
        Decimal(str(page_data.index("m00", "inland", MONTH, method)["change_1_month_pct"]))
        for method in ("lowe", "geks-tornqvist", "geks-tornqvist-bought")
    ]
    assert (move.between.low, move.between.high) == (min(known), max(known))
    assert price_move(page_data, page_data.models[1], "inland", "2026-05") is None


def test_the_causes_of_each_model_add_up_to_its_change(page_data: Any) -> None:
    plans = [(model, page_data.headline_plan(model.code, "inland")) for model in page_data.models]
    moved = moved_models(page_data, plans)
    assert moved
    for each in moved:
        assert sum(amount for amount, _ in each.causes.values()) == each.cost.amount
        assert each.cost.between.low <= each.cost.amount <= each.cost.between.high
        assert list(each.causes) == list(CAUSES)
    table = section(page_data)["causes_table"]
    assert {row[0].removesuffix(" [n]") for row in table.rows} == {each.model.title for each in moved}


def test_costs_that_are_not_of_the_same_pieces_are_not_compared(night: Night) -> None:
    tables = dict(night[0])
    today = tables["model_cost"]["priced_on"].max()
    more = pl.when(pl.col("priced_on") == today).then(1).otherwise(pl.col("unfilled_estimate_count"))
    tables["model_cost"] = tables["model_cost"].with_columns(unfilled_estimate_count=more.cast(pl.Int64))
    found = section(PageData(tables, night[1]))
    assert found["causes"] is None and found["causes_table"] is None


def test_a_part_whose_sign_is_not_certain_is_hollow() -> None:
    stacks = [Stack("A", (Segment(0, 2.0), Segment(1, -1.0, is_hollow=True)), "+1.00")]
    figures = present(section(PageData(*sample(month_count=3)), MONTH)["glance"])
    chart = present(stacked_chart("t", "Model", ("One", "Two"), stacks, "not certain", figures))
    solid, hollow, *key = parts(chart, "rect")
    assert hollow.get("stroke-dasharray") and not solid.get("stroke-dasharray")
    assert float(present(hollow.get("x"))) < float(present(solid.get("x"))), "to the other side of zero"
    assert len(key) == 3 and "not certain" in chart.svg
    assert stacked_chart("t", "Model", ("One",), [Stack("A", (Segment(0, 0.0),), "0")], "n", figures) is None


def test_small_multiples_share_one_scale() -> None:
    made, scale = small_multiples(
        [Multiple("A", "a", (100.0, 110.0)), Multiple("B", "b", (100.0, None, 90.0)), Multiple("C", "c", (None, 1.0))],
        100.0,
        str,
        "index",
    )
    assert [small.label for small in made] == ["A", "B"] and scale == "90.0 to 110.0"
    heights = []
    for small in made:
        path = next(each for each in fromstring(small.svg) if each.get("stroke-width") == "2")
        heights.append([float(y) for y in re.findall(r"[ML] [\d.]+ ([\d.]+)", present(path.get("d")))])
    assert heights == [[HIGH / 2, 4.0], [HIGH / 2, HIGH - 4.0]]
    assert "M" in str(made[1].svg) and made[1].last == "90.0"
    assert small_multiples([], 100.0, str, "index") == ([], "")


def test_events_of_lists_and_terms_stand_at_their_dates(page_data: Any) -> None:
    found = events(page_data, page_data.models, page_data.buyers[0], date(2025, 1, 1), date(2026, 11, 25))
    assert found == sorted(found) and all(date(2025, 1, 1) < event.on for event in found)
    assert events(page_data, page_data.models, page_data.buyers[0], date(2026, 11, 25), date(2026, 11, 25)) == []


def test_a_rate_is_an_event_only_if_it_moved_far(night: Night) -> None:
    def rate(on: date, code: str, value: str) -> dict[str, Any]:
        return {"rate_on": on, "from_currency_code": code, "to_currency_code": "EUR", "exchange_rate": Decimal(value)}

    before, now = date(2026, 9, 29), date(2026, 10, 30)
    rows = [
        rate(before, "GBP", "1.00"),
        rate(now, "GBP", "1.10"),
        rate(before, "SEK", "0.10"),
        rate(now, "SEK", "0.101"),
    ]
    page_data = PageData({**night[0], "exchange_rates": pl.DataFrame(rows)}, night[1])
    buyer = page_data.buyers[0].model_copy(update={"currency_code": "EUR"})
    (event,) = rates(page_data, buyer, date(2026, 9, 30), date(2026, 10, 31))
    assert event.words == "GBP 10.0 % dearer in EUR" and event.on == now


def test_letters_of_events_never_touch_and_lists_come_first() -> None:
    dates = [date(2026, month, 1) for month in range(1, 13)]
    values = [float(month) for month in range(12)]
    happened = [(date(2026, 3, 1), "R"), (date(2026, 3, 2), "L"), (date(2026, 9, 1), "R")]
    chart = present(
        timeline("t", dates, values, [None] * 12, happened, {"L": "list", "R": "rates"}, str, "band", "line")
    )
    letters = [text.text for text in parts(chart, "text") if text.text in ("L", "R")]
    assert letters == ["L", "R"] and "L: list; R: rates" in chart.note
    assert timeline("t", dates, [None] * 12, [None] * 12, [], {}, str, "band", "line") is None


def test_families_count_each_element_once_and_name_only_what_is_open(night: Night, page_data: Any) -> None:
    table = section(page_data)["families"]
    prices = page_data.element_prices("inland", MONTH).filter((pl.col("month") == MONTH) & ~pl.col("is_imputed"))
    assert sum(int(row[1]) for row in table.rows) <= prices.select("part_code", "colour_code").n_unique()
    assert all(int(row[2]) + int(row[3]) <= int(row[1]) for row in table.rows)
    closed = tuple(
        type(m)(m.settings.model_copy(update={"publish_lines": "none"}), m.parts_list, m.flexible_lines, m.amendments)
        for m in night[1].models
    )
    private = PageData(night[0], type(night[1])(night[1].settings, night[1].tables, closed, night[1].input_files))
    assert all(re.fullmatch(r"[+−][\d.,]+ %|–", row[5]) for row in section(private)["families"].rows)


def test_a_model_picture_says_the_cost_and_the_date_and_nothing_without_a_cost(page_data: Any) -> None:
    shared = present(model_picture(page_data, page_data.models[0], MONTH))
    plan = page_data.headline_plan("m00", "inland")
    assert shared.figure.startswith(f"{plan['complete_cost']:.2f}") and "25 November 2026" in shared.note
    assert shared.finding.startswith("Since 31 October 2026: ")
    assert model_picture(page_data, page_data.models[0], "2019-01") is None


def test_tags_name_whole_addresses_and_only_with_a_base(night: Night, page_data: Any) -> None:
    model = page_data.models[0]
    assert sheet_tags(page_data, model) == [] == index_tags(page_data, "t")
    tags = dict(sheet_tags(with_base(night, "https://example.org/costs/"), model))
    assert tags["og:url"] == f"https://example.org/costs/sheets/{model.page}.html"
    assert tags["og:image"] == f"https://example.org/costs/reports/{MONTH}/{model.page}.png"
    assert {"og:title", "og:type", "og:description", "og:image:alt"} <= set(tags)
    assert dict(index_tags(with_base(night, "https://example.org"), "t"))["og:image"].endswith(f"/reports/{MONTH}.png")


@pytest.mark.parametrize(
    "base",
    [
        "http://example.org",
        "example.org",
        "https://",
        "https://a/?x=1",
        "https://a/#b",
        "https://u:p@a",
        'https://a/"x',
    ],
)
def test_a_base_that_is_not_https_or_has_more_than_a_path_is_refused(night: Night, base: str) -> None:
    kind = type(night[1].settings.report)
    with pytest.raises(ValueError, match=r"write it like https://example\.org/costs"):
        kind(base_url=base)
    assert kind(base_url="https://example.org/costs").base_url and kind().base_url == ""


def test_only_public_pages_have_tags_and_they_load_nothing(night: Night, tmp_path: Path) -> None:
    from pipelines.reporting.pages import write_pages

    tables, inputs = night
    settings = with_base(night, "https://example.org").settings
    write_pages(tables, type(inputs)(settings, inputs.tables, inputs.models, inputs.input_files), tmp_path, [MONTH])
    tagged = {
        path.relative_to(tmp_path).as_posix()
        for path in tmp_path.rglob("*.html")
        if "og:image" in path.read_text(encoding="utf-8")
    }
    assert tagged and all(path.startswith("public/") for path in tagged)
    assert {"public/index.html", f"public/reports/{MONTH}.html", "public/sheets/m00.html"} <= tagged
    for path in tagged:
        for picture in re.findall(
            r'"og:image" content="https://example\.org/([^"]+)"', (tmp_path / path).read_text(encoding="utf-8")
        ):
            assert (tmp_path / "public" / picture).is_file(), picture
