"""The index: a finding first, one table for each buyer, small enough for hundreds of models."""

import json
import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.inputs import WorkspaceInputs
from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.render import write_page
from pipelines.reporting.drawings.sparkline import sparkline
from pipelines.reporting.index_pages import index, months_list
from pipelines.reporting.pages import write_pages
from pipelines.reporting.public_data import COLUMNS
from schemas.published.plans import MODEL_COST
from tests.builders.html_pages import TODAY_BEST, Page, PageTables, with_plan
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import BUYERS, Night

MANY = 300


def test_the_index_has_few_words_beside_its_tables(folder: Path) -> None:
    """A reader sees one buyer at a time; on paper and without the switch, all."""
    text = (folder / "public/index.html").read_text(encoding="utf-8")
    body = re.sub(r"(?s)<table.*?</table>|<script>.*?</script>|<style>.*?</style>|<title>.*?</title>", " ", text)
    one = re.sub(r'(?s)<section class="buyer buyer-[^1].*?</section>', " ", body)
    assert one != body
    counts = [len(re.sub(r"<[^>]+>", " ", part).split()) for part in (one, body)]
    assert 40 < counts[0] < 120 and counts[1] < 150


def test_each_buyer_has_one_table_and_its_finding_before_it(folder: Path, night: Night) -> None:
    text = (folder / "public/index.html").read_text(encoding="utf-8")
    tables = PageTables(text).tables
    assert len(tables) == len(BUYERS)
    for (_, headings, rows), section in zip(tables, text.split('<section class="buyer')[1:], strict=True):
        assert headings[:2] == ["Model", "Cheapest mix"] and headings[-2:] == ["Pieces", "On sale"]
        assert [row[0] for row in rows] == [model.title for model in PageData(*night).models]
        assert 0 < section.index('class="finding"') < section.index("<table")
        assert section.count("<svg") == len(rows) and section.count('aria-label="from ') == len(rows)


def test_availability_is_a_word_with_a_symbol_and_sorts_by_what_is_missing(folder: Path, night: Night) -> None:
    text = (folder / "public/index.html").read_text(encoding="utf-8")
    found = re.findall(r'<td data-sort="(\d+)">(\S)\xa0([^<]+)</td>', text)
    assert len(found) == len(BUYERS) * 3
    for missing, symbol, word in found:
        assert (symbol, word) == (("●", "all") if missing == "0" else ("◐", f"{missing}\xa0missing"))


def test_a_sparkline_has_gaps_and_dots_and_says_its_ends() -> None:
    drawn = sparkline([1.0, 2.0, None, 2.0, None], "from 1 to 2")
    assert drawn is not None and drawn.words == "from 1 to 2"
    assert 'd="M3 19h0l23 -16M70 3h0"' in drawn.svg and '<circle cx="70" cy="3" r="2"' in drawn.svg
    assert 'role="img" aria-label="from 1 to 2"' in drawn.svg
    flat = sparkline([5.0, 5.0], "x")
    assert flat is not None and 'd="M3 11h0l90 0"' in flat.svg
    assert sparkline([None, 3.0], "x") is None


def test_the_data_are_those_of_the_pages(folder: Path, night: Night) -> None:
    data = json.loads((folder / "public/data/costs.json").read_text(encoding="utf-8"))
    csv = pl.read_csv(folder / "public/data/costs.csv", infer_schema=False)
    assert list(data["columns"]) == csv.columns == list(COLUMNS)
    assert csv.height == len(data["costs"]) == night[0][MODEL_COST.name].height
    texts = [{name: None if cell is None else str(cell) for name, cell in row.items()} for row in data["costs"]]
    assert texts == csv.to_dicts()
    assert data["prices_up_to"] == "2026-11-25" and data["reuse"] == night[1].settings.report.reuse
    for row in data["costs"]:
        assert row["status"] == "shown" and 0 < float(row["low"]) <= float(row["cost"])


@pytest.mark.parametrize(
    ("values", "status"),
    [
        ({"plan_status": "refused"}, "refused"),
        ({"unfilled_estimate_count": 60, "unfilled_piece_count": 60}, "withheld"),
    ],
)
def test_the_data_have_no_cost_that_pages_do_not_show(
    night: Night, tmp_path: Path, values: dict[str, Any], status: str
) -> None:
    write_pages(with_plan(night[0], TODAY_BEST, **values), night[1], tmp_path, months=())
    rows = json.loads((tmp_path / "public/data/costs.json").read_text(encoding="utf-8"))["costs"]
    hidden = [row for row in rows if row["status"] == status]
    assert len(hidden) == len(BUYERS) and all(row["cost"] is None and row["low"] is None for row in hidden)


def test_how_to_quote_is_the_users_own_sentence(night: Night, tmp_path: Path) -> None:
    report = night[1].settings.report.model_copy(update={"reuse": "Quote us <kindly>."})
    inputs = WorkspaceInputs(
        night[1].settings.model_copy(update={"report": report}), night[1].tables, night[1].models, night[1].input_files
    )
    write_pages(night[0], inputs, tmp_path, months=())
    for name in ("index", "how-we-calculate"):
        assert "Quote us <kindly>." in Page(tmp_path / f"public/{name}.html").shown


def many() -> Any:
    """Today's rows of one model for both buyers, 24 month ends before it, under 300 names."""
    tables, inputs = sample(titles=["Crane"], month_count=25, line_count=4)
    costs = tables[MODEL_COST.name]
    copies = [
        costs.with_columns(
            pl.lit(f"model_code_of_{number:03}").alias("model_code"),
            pl.lit(f"A crane with the number {number}").alias("model_title"),
        )
        for number in range(MANY)
    ]
    return {MODEL_COST.name: pl.concat(copies)}, WorkspaceInputs(inputs.settings, inputs.tables, (), inputs.input_files)


def test_the_index_of_300_models_is_small(tmp_path: Path) -> None:
    page = write_page(tmp_path / "index.html", "index.html", ("index",), made=None, **index(PageData(*many())))
    text = page.read_text(encoding="utf-8")
    assert text.count("<tr>") == len(BUYERS) * (MANY + 1) and text.count("<svg") == len(BUYERS) * MANY
    assert len(text.encode()) < 400_000
    assert sum(map(len, re.findall(r"(?s)<script>(.*?)</script>", text))) < 20_000


def test_a_month_says_how_its_costs_moved(night: Night) -> None:
    """The sample's costs go up and down by a sine: what a month found is what its own rows say."""
    page_data = PageData(*night)
    table = months_list(page_data)["months"]
    by_month = {str(row[1]): str(row[2]) for row in table.rows}
    assert len(by_month) == 14 and by_month["31 October 2025"] == "\u2013", "no month before"
    for month, day in (("September 2026", "31 October 2026"), ("October 2026", "25 November 2026")):
        assert by_month[day].startswith(f"Since {month}")


@pytest.mark.parametrize(("low_before", "is_said"), [("61", True), ("60", False), ("40", False)])
def test_a_record_is_stated_only_where_it_is_surely_one(night: Night, low_before: str, is_said: bool) -> None:
    """Today's cost lies between 55 and 60; every earlier one between ``low_before`` and 80."""

    def exactly(name: str, today: str, before: str) -> pl.Expr:
        of_today = pl.col("priced_on") == pl.col("priced_on").max()
        amount = pl.when(of_today).then(pl.lit(today)).otherwise(pl.lit(before))
        return amount.str.to_decimal(scale=6).cast(night[0][MODEL_COST.name].schema[name]).alias(name)

    costs = night[0][MODEL_COST.name].with_columns(
        exactly("complete_cost", "60", "80"),
        exactly("landed_cost", "60", "80"),
        exactly("lower_bound", "55", low_before),
        exactly("unfilled_estimate", "0", "0"),
    )
    sections = index(PageData({**night[0], MODEL_COST.name: costs}, night[1]))["sections"]
    said = [words for words in sections[0]["findings"] if "lowest" in words]
    assert said == (["For 3 of 3 models this is the lowest of 14 dates."] if is_said else [])
