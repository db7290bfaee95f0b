"""The parts of a sheet: colours, steps that add up, lines to change, the reader's file, orders, how long it is."""

import re
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.demand.model_portions import portions_on
from pipelines.errors import CheckFailedError
from pipelines.inputs import WorkspaceInputs
from pipelines.intake.single_files.plan_files import PlanPaths, read_plan_files
from pipelines.intake.workspace.workspace_files import read_workspace
from pipelines.reporting.basis.page_data import PageData, ReportedModel, lettered
from pipelines.reporting.leak_check import check_public, private_values
from pipelines.reporting.model_pages.lines_to_change import lines_to_change
from pipelines.reporting.model_pages.needs_file import needs_name, needs_of, write_needs
from pipelines.reporting.model_pages.palette import palette
from pipelines.reporting.model_pages.parcels import parcels
from pipelines.reporting.model_pages.ways import HOLLOW_WORDS, steps_drawing, ways_heading
from pipelines.reporting.pages import Site, page_groups, write_page_group
from pipelines.resources import resource_folder
from pipelines.settings import BUILT_IN_SCENARIOS
from pipelines.workspace import Workspace
from tests.builders.html_pages import TODAY_BEST, with_plan
from tests.builders.published.sample_scene import Night
from tests.builders.words_outside_tables import words_outside_tables
from tests.present import present

MOST_WORDS, MOST_BYTES = 350, 300_000
DAY = date(2026, 10, 31)


def _amount(cell: Any) -> Decimal:
    return (
        Decimal(str(cell).replace("\u2212", "-").replace("+", "").replace(",", "")) if cell != "\u2013" else Decimal(0)
    )


@pytest.mark.parametrize("model_code", ["m00", "m01", "m02"])
@pytest.mark.parametrize("buyer_number", [0, 1])
def test_steps_add_up_from_the_listed_cost_to_the_cheapest(night: Night, model_code: str, buyer_number: int) -> None:
    page_data = PageData(*night)
    buyer = page_data.buyers[buyer_number]
    listed, best = (present(page_data.plan(model_code, buyer.buyer_code, code)) for code in ("listed", "cheapest"))
    chart, _ = present(steps_drawing(page_data, listed, best, buyer))
    rows = chart.figures.rows
    assert _amount(rows[0][1]) == listed["complete_cost"] and _amount(rows[-1][1]) == best["complete_cost"]
    assert len(rows) > 2
    assert _amount(rows[0][1]) + sum(_amount(row[2]) for row in rows[1:-1]) == _amount(rows[-1][1])


def test_a_step_is_hollow_where_its_sign_is_not_certain(night: Night) -> None:
    sure = PageData(*night)
    sides = [(present(sure.plan("m00", "inland", "listed")), present(sure.plan("m00", "inland", "cheapest")))]
    assert HOLLOW_WORDS not in present(steps_drawing(sure, *sides[0], sure.buyers[0]))[0].note
    unsure = PageData(with_plan(night[0], TODAY_BEST, complete_cost=Decimal("88.20"), landed_cost=Decimal("88.20"), lower_bound=Decimal("80.00")), night[1])  # fmt: skip
    listed, best = (present(unsure.plan("m00", "inland", code)) for code in ("listed", "cheapest"))
    chart, heading = present(steps_drawing(unsure, listed, best, unsure.buyers[0]))
    assert HOLLOW_WORDS in chart.note and "stroke-dasharray" in chart.svg
    assert heading == "Where the saving comes from"
    plans = [present(unsure.plan("m00", "inland", code)) for code in ("flexible", "cheapest")]
    assert ways_heading(unsure, plans).endswith("can't be distinguished by cost")
    assert ways_heading(sure, plans[:1] + [sides[0][1]]) == "Cheapest way: Cheapest mix"


def test_colours_are_shown_only_where_lines_may_be(night: Night) -> None:
    page_data = PageData(*night)
    closed, some, open_to_all = page_data.models
    assert {closed.publish_lines, some.publish_lines, open_to_all.publish_lines} == {"none", "some", "all"}
    for model in page_data.models:
        found = palette(page_data, model)
        assert (found is None) == (model.publish_lines == "none")
        if found is not None:
            assert sum(int(share.removesuffix(" %")) for _, _, share in found.colours) == 100
            listed = present(model.inputs).parts_list.group_by("colour_code").agg(pl.col("quantity").sum())
            most = listed.sort("quantity", descending=True)["colour_code"][0]
            assert found.colours[0][1] == page_data.colour_name(most)


def test_lines_are_named_as_far_as_the_model_allows_and_the_clearest_come_first(night: Night) -> None:
    page_data = PageData(*night)
    buyer = page_data.buyers[0]
    for model in page_data.models:
        found = present(lines_to_change(page_data, model, buyer))
        assert found.words.startswith("Otherwise than listed: 2 lines (36 pieces) clearly save")
        if model.publish_lines == "none":
            assert found.table is None and "not allowed" in found.words
            continue
        table = present(found.table)
        saved = [_amount(row[3]) for row in table.rows]
        assert saved == sorted(saved, reverse=True) and all(amount > 0 for amount in saved)
        assert "bears no load" in str(table.rows[0][5])


def test_no_line_is_worth_changing_where_flexibility_saves_nothing_for_certain(night: Night) -> None:
    flexible = pl.col("scenario_code") == "flexible"
    dear = with_plan(night[0], flexible, complete_cost=Decimal(500), landed_cost=Decimal(500), lower_bound=Decimal(1))
    page_data = PageData(dear, night[1])
    found = present(lines_to_change(page_data, page_data.models[0], page_data.buyers[0]))
    assert found.heading == "No line is clearly worth changing" and found.table is None


@pytest.fixture(scope="module")
def demo_inputs() -> WorkspaceInputs:
    return read_workspace(Workspace(resource_folder("demo_inputs") / "workspace"), is_archiving=False)


@pytest.mark.parametrize("model_code", ["harbour_tug", "greenhouse", "observatory", "tram_depot"])
@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_the_readers_file_is_read_back_by_the_reader_of_plan(
    demo_inputs: WorkspaceInputs, model_code: str, ending: str, tmp_path: Path
) -> None:
    """Every portion comes back with its part, quantity and rule; reinforcements, in any colour, too."""
    page_data = PageData({}, demo_inputs)
    page_data.today = DAY
    model = replace(next(each for each in page_data.models if each.code == model_code), publish_lines="all")
    assert [path.name for path in write_needs(page_data, model, tmp_path)] == [f"{needs_name(model)}.csv", f"{needs_name(model)}.xlsx"]  # fmt: skip
    portions = portions_on(present(model.inputs), DAY, use_flexibility=True)
    offers, terms, colours = (tmp_path / f"{name}.csv" for name in ("offers", "terms", "colours"))
    first = portions.row(0, named=True)
    offers.write_text(
        "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available\n"
        f"orchard,{first['listed_part_code']},{first['listed_colour_code']},new,0.085,EUR,120\n"
    )
    terms.write_text("vendor_code,shipping\norchard,2.50\n")
    demo_inputs.tables["colours"].write_csv(colours)
    paths = PlanPaths(tmp_path / f"{needs_name(model)}{ending}", offers, terms, {"colours": colours})
    read = read_plan_files(paths, BUILT_IN_SCENARIOS[-1], "EUR", DAY).needs.sort("line_number", "portion_number")
    assert read.height == portions.height
    same = ("line_number", "portion_number", "quantity", "near_distance", "group_code", "is_load_bearing")
    assert read.select(same).equals(portions.select(same).cast(read.select(same).schema))
    assert read["part_code"].to_list() == portions["listed_part_code"].to_list()
    assert read["colour_rule"].to_list() == portions["colour_rule"].replace("undecided", "as_listed").to_list()
    added = portions["portion_source"] == "amendment"
    assert added.sum() == {"harbour_tug": 3, "tram_depot": 1}.get(model_code, 0)
    listed = portions["listed_colour_code"]
    assert all(own == colour for own, colour in zip(listed, read["colour_code"], strict=True) if own)
    assert (read["colour_code"] != "").all()


@pytest.mark.parametrize("publish_lines", ["none", "some"])
def test_a_list_that_is_not_all_public_has_no_file(night: Night, publish_lines: str, tmp_path: Path) -> None:
    page_data = PageData(*night)
    model: ReportedModel = next(each for each in page_data.models if each.publish_lines == publish_lines)
    assert write_needs(page_data, model, tmp_path) == [] and list(tmp_path.iterdir()) == []
    assert needs_of(page_data, model).height


def test_orders_add_up_and_share_the_list(night: Night) -> None:
    page_data = PageData(*night)
    plan = present(page_data.plan("m01", "inland", "cheapest"))
    found = present(parcels(page_data, plan))
    rows = found.chart.figures.rows
    assert sum(_amount(row[4]) for row in rows) == plan["landed_cost"]
    assert all(_amount(row[2]) + _amount(row[3]) == _amount(row[4]) for row in rows)
    assert found.heading.startswith(f"{len(rows)} parcels, {plan['landed_cost'] - plan['goods']:.2f} EUR")


@pytest.fixture(scope="module")
def lettered_night(night: Night) -> Night:
    settings = night[1].settings
    report = settings.report.model_copy(update={"publish_vendors": "lettered"})
    return night[0], replace(night[1], settings=settings.model_copy(update={"report": report}))


def test_lettered_vendors_are_named_nowhere_in_public(lettered_night: Night, tmp_path: Path) -> None:
    site = Site(*lettered_night, tmp_path)
    for group in page_groups(site.page_data, [site.page_data.months()[-1]]):
        write_page_group(site, group)
    check_public(tmp_path / "public", lettered_night[1])
    names = {"Quayside Parts", "Sumi Bricks", "Alder & Daughters", "Faraway Loft"}
    assert names <= {each.value for each in private_values(lettered_night[1])}
    texts = [path.read_text(encoding="utf-8", errors="replace") for path in sorted(tmp_path.rglob("public/**/*.*"))]
    assert not [name for name in names for text in texts if name in text]
    assert any(re.search(r"\bvendor [A-E]\b", text) for text in texts)
    assert "Quayside Parts" in (tmp_path / "private/details/m00.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("planted", ["Sumi Bricks", "ALDER &amp; DAUGHTERS", "faraway"])
def test_a_planted_vendor_is_refused(lettered_night: Night, night: Night, planted: str, tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(f"<td>{planted}</td>", encoding="utf-8")
    with pytest.raises(CheckFailedError) as refused:
        check_public(tmp_path, lettered_night[1])
    assert "page.html" in str(refused.value) and "vendor" in str(refused.value)
    check_public(tmp_path, night[1])
    (tmp_path / "page.html").write_text("<td>vendor A, the maker's shop</td>", encoding="utf-8")
    check_public(tmp_path, lettered_night[1])


def test_every_vendor_has_a_letter_of_its_own_whatever_their_number() -> None:
    found = lettered(f"vendor_{number}" for number in range(800))
    assert len(set(found.values())) == 800
    assert {"vendor A", "vendor Z", "vendor AA", "vendor AZ", "vendor ADT"} <= set(found.values())
    assert "vendor ADU" not in found.values()


def test_a_sheet_is_short(folder: Any) -> None:
    for path in sorted((folder / "public/sheets").glob("*.html")):
        counts = words_outside_tables(path)
        assert set(counts) == {1, 2} and min(counts.values()) > 100, "the count must see the page"
        assert max(counts.values()) < MOST_WORDS, (path.name, counts)
        assert path.stat().st_size < MOST_BYTES
