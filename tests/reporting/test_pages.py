"""The pages as a reader gets them: complete, honest, harmless, the same every time."""

import re
from dataclasses import replace
from datetime import date
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from sample_tables import BUYERS, TITLES, sample

from pipelines.reporting.basis.page_data import PageData, ranked, saving
from pipelines.reporting.orders.order_lists import write_order_lists
from pipelines.reporting.pages import write_pages
from pipelines.reporting.sections.costs import comparison_table
from pipelines.reporting.sections.near_colours import distance_words
from schemas.all_tables import ALL_PUBLISHED, WORKSPACE_TABLES
from schemas.validate import empty_frame

HOSTILE = '<script>alert(1)</script>"><img src=x onerror=alert(2)> | **b** [l](javascript:x)'
VOID = {"meta", "br", "img", "path", "line", "link", "hr"}


class Page(HTMLParser):
    """A parsed page: its tags, whether they are balanced, its links and its visible words."""

    def __init__(self, path: Path) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.text = path.read_text(encoding="utf-8")
        self.feed(self.text)
        assert self.open == [], f"{path.name}: left open {self.open}"

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def shown(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


def change(tables, name, *expressions):
    return {**tables, name: tables[name].with_columns(*expressions)}


def with_plan(tables, where, **values):
    """model_cost with some values of the plans that meet a condition replaced."""
    kept = [
        pl.when(where).then(pl.lit(v, dtype=tables["model_cost"].schema[k])).otherwise(pl.col(k)).alias(k)
        for k, v in values.items()
    ]
    return change(tables, "model_cost", *kept)


TODAY_BEST = (
    (pl.col("priced_on") == date(2026, 11, 25))
    & (pl.col("scenario_code") == "cheapest")
    & (pl.col("model_code") == "m00")
)


@pytest.fixture(scope="module")
def night():
    return sample()


@pytest.fixture(scope="module")
def folder(night, tmp_path_factory):
    place = tmp_path_factory.mktemp("generation")
    write_pages(*night, place)
    write_order_lists(night[0], night[1].settings, place)
    return place


def html_pages(place):
    return sorted(place.rglob("*.html"))


def test_the_samples_amounts_add_up(night):
    costs = night[0]["model_cost"]
    parts = pl.col("goods") + pl.col("shipping") + pl.col("handling") + pl.col("tax")
    assert costs.filter(parts != pl.col("landed_cost")).height == 0
    assert costs.filter(pl.col("landed_cost") + pl.col("unfilled_estimate") != pl.col("complete_cost")).height == 0
    assert costs.filter(pl.col("lower_bound") > pl.col("landed_cost")).height == 0
    vendors = (
        night[0]["plan_vendor"].group_by("model_code", "buyer_code", "scenario_code").agg(pl.col("landed_cost").sum())
    )
    today = costs.filter(pl.col("priced_on") == date(2026, 11, 25))
    both = today.join(vendors, on=["model_code", "buyer_code", "scenario_code"])
    assert both.height == today.height and both.filter(pl.col("landed_cost") != pl.col("landed_cost_right")).height == 0


def test_every_page_is_there(folder):
    names = {str(path.relative_to(folder)) for path in folder.rglob("*.html")} | {
        str(path.relative_to(folder)) for path in folder.rglob("*.md")
    }
    expected = {"index.html", "comparison.html", "comparison.md", "reports/index.html", "watches.html"}
    for code in ("m00", "m01", "m02"):
        expected |= {f"sheets/{code}.html", f"sheets/{code}.md", f"sheets/{code}-details.html"}
    months = [f"{year}-{month:02d}" for year in (2025, 2026) for month in range(1, 13)][9:23]
    for ending in (".html", ".md"):
        expected |= {f"reports/{month}{ending}" for month in months}
        expected |= {f"reports/{month}/{code}{ending}" for month in months for code in ("m00", "m01", "m02")}
    assert names == expected


def test_pages_are_well_formed_and_accessible(folder):
    for path in html_pages(folder):
        page = Page(path)
        assert page.text.startswith("<!DOCTYPE html>") and page.all("html") == [{"lang": "en"}]
        assert len(page.all("h1")) == 1 and len(page.all("title")) == 1
        levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
        assert all(deeper - level <= 1 for level, deeper in zip(levels, levels[1:], strict=False)), path.name
        assert len(page.all("caption")) == len(page.all("table"))
        assert all(cell.get("scope") in ("col", "row") for cell in page.all("th"))
        ids = [attrs["id"] for _, attrs in page.tags if attrs.get("id")]
        assert len(ids) == len(set(ids))
        assert len(page.all("figure")) == page.text.count('role="img"') == len(page.all("figcaption"))


def test_pages_load_nothing_and_run_nothing(folder):
    for path in html_pages(folder):
        page = Page(path)
        assert not {tag for tag, _ in page.tags} & {"script", "link", "img", "iframe", "object", "embed", "form"}
        for tag, attrs in page.tags:
            assert not [name for name in attrs if name.startswith("on") or name == "src"], (path.name, tag)
            assert not (attrs.get("href") or "").startswith(("http", "//", "javascript", "/"))
        css = page.text.partition("<style>")[2].partition("</style>")[0]
        assert "url(" not in css and "@import" not in css and "--series-6" in css


def test_links_lead_somewhere(folder):
    for path in html_pages(folder):
        for href in [attrs["href"] for attrs in Page(path).all("a")]:
            if href.startswith("tables/") or href == "kitfare.duckdb":
                continue
            assert (path.parent / href).exists(), (path.name, href)


def test_same_tables_same_bytes(night, folder, tmp_path):
    tables, inputs = night
    shuffled = {name: frame.sample(fraction=1, shuffle=True, seed=7) for name, frame in tables.items()}
    write_pages(shuffled, inputs, tmp_path)
    for path in sorted(tmp_path.rglob("*.*")):
        assert path.read_bytes() == (folder / path.relative_to(tmp_path)).read_bytes(), path.name


def test_hostile_names_are_harmless_everywhere(tmp_path):
    tables, inputs = sample(titles=[HOSTILE, "Quiet"], publish=["all"], month_count=3, line_count=6)
    for name, column in (
        ("parts", "part_name"),
        ("colours", "colour_name"),
        ("vendors", "vendor_name"),
        ("parts", "part_family"),
    ):
        tables = change(tables, name, pl.lit(HOSTILE).alias(column))
    tables = change(tables, "plan_vendor", pl.lit(HOSTILE).alias("vendor_name"))
    tables = change(tables, "unfilled_line", pl.lit(HOSTILE).alias("remedies"))
    buyers = [buyer.model_copy(update={"title": HOSTILE}) for buyer in inputs.settings.buyer]
    report = inputs.settings.report.model_copy(update={"title": HOSTILE})
    settings = inputs.settings.model_copy(update={"buyer": buyers, "report": report})
    designer = inputs.models[0].settings.model_copy(update={"designer": HOSTILE})
    models = (replace(inputs.models[0], settings=designer), *inputs.models[1:])
    write_pages(tables, replace(inputs, settings=settings, models=models), tmp_path, months=["2026-10", "2026-11"])
    for path in html_pages(tmp_path):
        page = Page(path)
        assert not {tag for tag, _ in page.tags} & {"script", "img"}, path.name
        assert not [attrs for _, attrs in page.tags if "onerror" in attrs]
        if path.name != "index.html" or path.parent != tmp_path / "reports":
            assert HOSTILE in page.shown
    for path in tmp_path.rglob("*.md"):
        text = path.read_text(encoding="utf-8")
        assert "<script" not in text and "[l](" not in text and "\\*\\*b\\*\\*" in text
        for block in re.findall(r"(?:^\|.*\n)+", text, re.M):
            assert len({len(re.findall(r"(?<!\\)\|", line)) for line in block.splitlines()}) == 1


def test_a_models_code_stays_inside_the_folder(tmp_path):
    tables, inputs = sample(titles=["Crane"], month_count=2, line_count=4)
    code = "../../up"
    tables = {
        name: frame.with_columns(pl.lit(code).alias("model_code")) if "model_code" in frame.columns else frame
        for name, frame in tables.items()
    }
    model = replace(inputs.models[0], settings=inputs.models[0].settings.model_copy(update={"model_code": code}))
    inside = tmp_path / "deep" / "generation"
    written = write_pages(tables, replace(inputs, models=(model,)), inside, months=["2026-11"])
    written += write_order_lists(tables, inputs.settings, inside)
    assert all(path.resolve().is_relative_to(inside) for path in written)
    assert {path for path in tmp_path.rglob("*") if path.is_file()} == set(written)


def sheet_text(place, code, ending="html"):
    path = place / "sheets" / f"{code}.{ending}"
    return Page(path).shown if ending == "html" else path.read_text(encoding="utf-8")


@pytest.mark.parametrize("ending", ["html", "md"])
def test_a_sheet_names_lines_only_as_far_as_the_model_allows(folder, night, ending):
    """m00 publishes none of its lines, m01 some, m02 all."""
    elements = re.compile("|".join(re.escape(name) for name in night[0]["parts"]["part_name"]))
    named = {code: len(elements.findall(sheet_text(folder, code, ending))) for code in ("m00", "m01", "m02")}
    assert named["m00"] == 0
    # Of six lines with a flexibility three save something, one of them by its form, too; four undecided ones are worth a look.
    assert named["m01"] == (3 + 1) * len(BUYERS)
    assert named["m02"] == (3 + 1 + 4) * len(BUYERS)
    words = "2 clearly save money, 1 saves too little to be sure, 1 finds pieces that are missing as designed and 2 save nothing"
    assert words in sheet_text(folder, "m00", ending)


def test_details_is_marked_as_private_unless_all_may_be_published(folder):
    marked = {code: "Not for publishing" in sheet_text(folder, f"{code}-details") for code in ("m00", "m01", "m02")}
    assert marked == {"m00": True, "m01": True, "m02": False}


def test_ways_of_buying_are_named_by_title_never_by_code(folder, night):
    codes = {scenario.scenario_code for scenario in night[1].settings.scenarios}
    assert codes >= {"listed", "flexible", "maker_marked", "maker_first", "cheapest"}
    for path in html_pages(folder):
        alone = {word.strip() for word in Page(path).words} & codes
        assert not alone, (path.name, alone)
    for path in folder.rglob("*.md"):
        cells = {cell.strip(" *") for cell in re.split(r"[|\n]", path.read_text(encoding="utf-8").replace("\\", ""))}
        assert not cells & codes, path.name


def test_a_sheet_shows_what_it_must(folder, night):
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
        row = f"{title} {plan['complete_cost']:.2f} {plan['goods']:.2f} {plan['shipping']:.2f}"
        assert row in text
    saved = plans["listed"]["complete_cost"] - plans["cheapest"]["complete_cost"]
    assert f"Saved {saved:.2f} EUR" in text
    for reported in (
        "What its parts cost on 25 November 2026",
        "version 1, 180 pieces",
        "For a buyer at home",
        "For a buyer abroad",
        "new parts only",
        "12 days old (13 November 2026)",
        "at most 0.4 % above the best possible",
        "Instructions 12.00 EUR",
        "31 pieces missing",
        "Prices are estimates until the vendor's basket confirms them",
        "Check tax and customs",
        "load-bearing",
        "small children",
        "6 decisions about its lines took effect",
        "Terms changed at 1 vendor",
        "Not included",
    ):
        assert reported in text, reported
    assert "maker_marked" not in text and "Some lines from the maker's shop" not in text
    for solver_word in ("bound", "gap", "optimal", "proven", "solver"):
        assert not re.search(rf"\b{solver_word}", text, re.I), solver_word


def test_the_comparison_ranks_by_complete_cost_and_speaks_plainly(folder, night):
    page = Page(folder / "comparison.html")
    for word in ("lower bound", "gap", "optimal", "proven", "solver", "branch"):
        assert not re.search(rf"\b{word}\b", page.shown, re.I), word
    page_data = PageData(*night)
    order = [page_data.scenario_title(plan["scenario_code"]) for plan in ranked(page_data.plans("m00", "inland"))]
    block = page.shown.partition("Ways of buying, in EUR")[2]
    assert [block.index(title) for title in order] == sorted(block.index(title) for title in order)
    listed = page_data.plan("m00", "inland", "listed")
    assert f"{listed['landed_cost']:.2f}†" in block, "a landed cost at unequal fill is marked"
    assert block.partition("Night ferry")[0].count("†") == 1
    assert "† Buys fewer pieces than another row" in block
    overview = page.shown.partition("Ways of buying, in EUR")[0]
    assert (
        f"{listed['complete_cost']:.2f}*" in overview
        and "* With an estimate for pieces that can't be bought today" in overview
    )


def test_marks_are_explained_only_where_they_are_used(tmp_path):
    tables, inputs = sample(titles=["Crane"], month_count=1, with_missing=False)
    write_pages(tables, inputs, tmp_path, months=())
    for ending in (".html", ".md"):
        text = (tmp_path / f"comparison{ending}").read_text(encoding="utf-8")
        assert "†" not in text and "With an estimate for pieces" not in text
        assert "Landed cost |" not in text and ">Landed cost<" not in text, (
            "it is the complete cost where nothing is missing"
        )


def test_equal_costs_share_a_rank(night):
    page_data = PageData(*night)
    plans = page_data.plans("m00", "inland")
    same = [{**plan, "complete_cost": Decimal(9)} if plan["scenario_code"] != "listed" else plan for plan in plans]
    table = comparison_table(page_data, same, None, "Ways")
    assert [row[2] for row in table.rows] == ["1", "1", "1", "1", "5"]


def test_plans_without_any_price_for_some_pieces_rank_last(night, tmp_path):
    tables = with_plan(night[0], TODAY_BEST, unfilled_estimate_count=3, unfilled_piece_count=3)
    page_data = PageData(tables, night[1])
    best = page_data.plan("m00", "inland", "cheapest")
    assert min(page_data.plans("m00", "inland"), key=lambda plan: plan["complete_cost"]) == best
    assert ranked(page_data.plans("m00", "inland"))[-1] == best
    assert saving(page_data.plan("m00", "inland", "listed"), best) is None
    write_pages(tables, night[1], tmp_path, months=())
    assert f"at least {best['complete_cost']:.2f}" in sheet_text(tmp_path, "m00")


def test_a_cost_without_enough_prices_is_withheld(night, tmp_path):
    tables = with_plan(night[0], TODAY_BEST, unfilled_estimate_count=60, unfilled_piece_count=60)
    write_pages(tables, night[1], tmp_path, months=["2026-11"])
    best = PageData(tables, night[1]).plan("m00", "inland", "cheapest")
    assert "withheld" in sheet_text(tmp_path, "m00")
    assert f"Cheapest mix {best['complete_cost']:.2f}" not in sheet_text(tmp_path, "m00")
    assert f"{best['complete_cost']:.2f}" not in Page(tmp_path / "index.html").shown


def test_a_refused_plan_is_shown_as_refused_and_never_headlines(night, tmp_path):
    tables = with_plan(night[0], TODAY_BEST, plan_status="refused", complete_cost=Decimal("77.77"))
    write_pages(tables, night[1], tmp_path, months=["2026-11"])
    page_data = PageData(tables, night[1])
    for page in ("index.html", "comparison.html", "sheets/m00.html", "reports/2026-11.html"):
        assert "77.77" not in Page(tmp_path / page).shown, page
    assert "Cheapest mix refused by a check" in sheet_text(tmp_path, "m00")
    assert (
        f"{page_data.plan('m00', 'inland', 'flexible')['complete_cost']:.2f} (Hidden parts in any colour)"
        in Page(tmp_path / "index.html").shown
    )
    assert not [link for link in Page(tmp_path / "sheets/m00-details.html").all("a") if "cheapest" in link["href"]]


def test_a_way_that_costs_more_because_it_finds_more_pieces_is_not_called_a_saving(night, tmp_path):
    """As listed 31 pieces of m01 are missing and cost little by their estimate; the others buy all of them."""
    of_m01 = (pl.col("model_code") == "m01") & (pl.col("buyer_code") == "inland")
    todays = of_m01 & (pl.col("priced_on") == date(2026, 11, 25))
    listed = PageData(*night).plan("m01", "inland", "listed")
    dear = listed["complete_cost"] + Decimal("8.48")
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
        assert "Dearer than as designed" in text and "8.48 EUR" in text and "because it finds 31 more pieces" in text
        assert "Buying flexibly finds 31 more pieces, which the cost as designed only estimates or leaves out." in text
        assert "So it makes more of the model buildable, not cheaper." in text
        assert "save nothing" not in text and "could return" not in text
        assert "A way that finds more pieces can cost more." in text
    sheet = sheet_text(tmp_path, "m01").partition("For a buyer abroad")[0]
    missing = tables["unfilled_line"].filter(todays & (pl.col("scenario_code") == "listed"))["line_number"].unique()
    flexible = flex.filter(of_m01)["line_number"].unique()
    filling = len(set(flexible) & set(missing))
    assert filling and set(flexible) - set(missing)
    assert f"{filling} {'finds' if filling == 1 else 'find'} pieces that are missing as designed." in sheet
    assert "Those pieces cost more than all savings, so no line's saving is shown." in sheet
    details = sheet_text(tmp_path, "m01-details").partition("For a buyer abroad")[0]
    assert "could return" not in details and "What each line's flexible colour saves" not in details
    assert re.search(r"Colours [\d.]+ 0 –", sheet), "no saving is shown for costs that can't be compared"


def test_a_saving_below_the_gaps_cannot_be_reported_apart(night):
    page_data = PageData(*night)
    listed, flexible = (page_data.plan("m00", "inland", code) for code in ("listed", "flexible"))
    gap = flexible["landed_cost"] - flexible["lower_bound"]
    assert gap > 0
    near = {**flexible, "complete_cost": listed["complete_cost"] - gap}
    assert not saving(listed, near).is_distinct
    assert saving(listed, {**near, "complete_cost": near["complete_cost"] - Decimal("0.01")}).is_distinct
    exact = {**near, "lower_bound": near["landed_cost"], "complete_cost": listed["complete_cost"]}
    assert saving(listed, exact).is_distinct and saving(listed, exact).amount == 0


def test_details_shows_bounds_vendors_missing_lines_and_left_out_vendors(folder, night):
    text = sheet_text(folder, "m00-details")
    plan = PageData(*night).plan("m00", "inland", "flexible")
    gap = plan["landed_cost"] - plan["lower_bound"]
    assert f"Hidden parts in any colour {plan['landed_cost']:.2f} {plan['lower_bound']:.2f} {gap:.2f} 0.4 %" in text
    for reported in (
        "Alder & Daughters",
        "What is bought from each vendor",
        "any plain colour would fill it",
        "its last price seen",
        "Oldest offers bought",
        "Faraway Loft it has no terms for the region north on 2026-11-25",
    ):
        assert reported in text, reported


def test_orders_that_two_ways_of_buying_share_are_shown_once(night, folder, tmp_path):
    tables = dict(night[0])
    for name in ("plan_vendor", "plan_purchase", "unfilled_line"):
        rows = tables[name]
        flexible = rows.filter(pl.col("scenario_code") == "flexible").with_columns(scenario_code=pl.lit("cheapest"))
        tables[name] = pl.concat([rows.filter(pl.col("scenario_code") != "cheapest"), flexible])
    write_pages(tables, night[1], tmp_path, months=())
    reported, before = sheet_text(tmp_path, "m00-details"), sheet_text(folder, "m00-details")
    assert reported.count("Cheapest mix The same orders as: Hidden parts in any colour.") == len(BUYERS)
    assert "The same orders as" not in before
    assert before.count("What is bought from each vendor") > reported.count("What is bought from each vendor") > 0
    links = [link["href"] for link in Page(tmp_path / "sheets/m00-details.html").all("a")]
    assert any("/cheapest/" in link for link in links), "the way's own order list is still linked"


def test_a_vendor_whose_prices_are_old_is_named(night, tmp_path):
    old = pl.when(pl.col("vendor_code") == "sumi").then(pl.lit(date(2026, 9, 1))).otherwise(pl.col("observed_on"))
    write_pages(change(night[0], "vendor_export", old.alias("observed_on")), night[1], tmp_path, months=())
    assert "Sumi Bricks its last price export is of 1 September 2026" in sheet_text(tmp_path, "m00-details")


def test_a_model_without_a_plan_says_why(night, tmp_path):
    tables, inputs = night
    gone = {
        name: frame.filter(pl.col("model_code") != "m02") if "model_code" in frame.columns else frame
        for name, frame in tables.items()
    }
    later = inputs.models[2].settings.versions[0].model_copy(update={"released_on": date(2027, 1, 1)})
    settings = inputs.models[2].settings.model_copy(update={"versions": [later]})
    models = (*inputs.models[:2], replace(inputs.models[2], settings=settings))
    write_pages(gone, replace(inputs, models=models), tmp_path, months=())
    assert "There is no plan for 25 November 2026: the parts list is dated 1 January 2027." in sheet_text(
        tmp_path, "m02"
    )
    assert "Tin lantern" in Page(tmp_path / "index.html").shown


def test_nothing_priced_yet_is_said_not_crashed(night, tmp_path):
    empty = {contract.name: empty_frame(contract) for contract in (*WORKSPACE_TABLES, *ALL_PUBLISHED)}
    write_pages(empty, night[1], tmp_path / "a")
    write_pages({}, night[1], tmp_path / "b")
    for place in ("a", "b"):
        assert "No model has been priced yet" in Page(tmp_path / place / "index.html").shown
        assert "No model has been priced yet" in sheet_text(tmp_path / place, "m00")
    assert write_order_lists(empty, night[1].settings, tmp_path / "a") == []


def test_the_first_night_has_no_history_and_says_nothing_of_it(tmp_path):
    tables, inputs = sample(titles=["Crane"], month_count=1)
    write_pages(tables, inputs, tmp_path, months=())
    assert "What changed" not in sheet_text(tmp_path, "m00")


def test_a_buyer_whose_past_is_not_planned_is_reported_so_instead_of_an_empty_chart(night, tmp_path):
    tables, inputs = night
    buyers = [inputs.settings.buyer[0], inputs.settings.buyer[1].model_copy(update={"plan_past_months": False})]
    inputs = replace(inputs, settings=inputs.settings.model_copy(update={"buyer": buyers}))
    planned = (pl.col("buyer_code") == "inland") | (pl.col("priced_on") == date(2026, 11, 25))
    write_pages(
        {**tables, "model_cost": tables["model_cost"].filter(planned)}, inputs, tmp_path, months=["2026-03", "2026-11"]
    )
    words = "Past month ends are not planned for this buyer."
    for name in ("sheets/m00", "reports/2026-11/m00", "reports/2026-03/m00"):
        home, _, abroad = Page(tmp_path / f"{name}.html").shown.partition("For a buyer abroad")
        assert words in abroad and "Complete cost at month ends" not in abroad
        assert words not in home and "Complete cost at month ends" in home
        assert words in (tmp_path / f"{name}.md").read_text(encoding="utf-8")
    assert "Prices alone:" in Page(tmp_path / "sheets/m00.html").shown.partition("For a buyer abroad")[2]
    past, latest = (
        Page(tmp_path / f"reports/{month}.html").shown.partition("For a buyer abroad")[2]
        for month in ("2026-03", "2026-11")
    )
    assert "Cheapest complete cost" not in past and "Cheapest complete cost" in latest


def test_the_chart_and_the_changes_say_how_exact_their_costs_are(night, tmp_path):
    month_end = (pl.col("priced_on") == date(2026, 10, 31)) & (pl.col("model_code") == "m00")
    write_pages(
        with_plan(night[0], month_end & (pl.col("scenario_code") == "flexible"), gap_pct=33.3),
        night[1],
        tmp_path,
        months=(),
    )
    text = sheet_text(tmp_path, "m00")
    assert (
        "Costs in the chart are at most 33.3 % above the best possible "
        "(Hidden parts in any colour, 31 October 2026)." in text
    )
    assert "Costs of 31 Oct are at most 33.3 % above the best possible, today's at most 0.4 %" in text


@pytest.mark.parametrize(
    ("saving", "is_distinct", "words"),
    [
        (Decimal("0.10"), True, "Of 6 lines with flexible colour, 6 clearly save money."),
        (
            Decimal(0),
            False,
            "Of 6 lines with flexible colour, 0 clearly save money, 1 finds pieces that are missing as designed and "
            "5 save nothing: the designer's colour could return there.",
        ),
        (
            Decimal(5),
            False,
            "Of 6 lines with flexible colour, 0 clearly save money and 6 save too little to be sure.",
        ),
    ],
)
def test_how_many_flexible_lines_pay_is_reported(night, tmp_path, saving, is_distinct, words):
    values = pl.lit(saving, dtype=night[0]["colour_flex_saving"].schema["saving"]).alias("saving")
    tables = change(night[0], "colour_flex_saving", values, pl.lit(is_distinct).alias("is_distinct"))
    write_pages(tables, night[1], tmp_path, months=())
    assert words in sheet_text(tmp_path, "m02")
    marked = "5.00 \u2248"
    assert (marked in sheet_text(tmp_path, "m02-details")) == (saving == 5)
    named = "Lines 1, 3, 5, 7, 9 save nothing today: the designer's colour could return there."
    assert (named in sheet_text(tmp_path, "m02-details")) == (not saving)
    assert named not in sheet_text(tmp_path, "m02")


def test_sheets_show_kinds_shares_and_where_to_look(folder):
    """m02 publishes all its lines, m00 none."""
    text = sheet_text(folder, "m02")
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
    assert "Lines to look at first" in none
    for words in ("Fair share", "Lines to look at first, in EUR", "What other forms save", "(line "):
        assert words not in none, words
    details = sheet_text(folder, "m02-details")
    assert "By the estimate" in details and "the first 2 lines to look at in any colour" in details
    assert "By the estimate" not in text
    assert "quick estimate within a few dozen sets of vendors" in none
    assert "quick estimate within a few dozen sets of vendors" in sheet_text(folder, "m00", "md")


def test_how_exact_sampled_shares_are_is_reported(night, tmp_path):
    error = (
        pl.when(pl.col("saving_view") == "fair")
        .then(pl.lit(Decimal("0.02")))
        .cast(pl.Decimal(18, 4))
        .alias("standard_error")
    )
    tables = change(night[0], "colour_flex_saving", error, pl.lit(3, pl.Int64).alias("flexible_line_count"))
    write_pages(tables, night[1], tmp_path)
    words = "Fair shares are means over 512 random sequences; their standard error is at most 0.02 EUR."
    assert words in sheet_text(tmp_path, "m02") and words not in sheet_text(tmp_path, "m00")
    assert "Lines that must be alike count as one" in sheet_text(tmp_path, "m02")


def test_near_colours_are_shown_side_by_side_with_the_distance_in_words(night, tmp_path):
    lines = night[0]["plan_line"].with_columns(
        pl.lit("near").alias("colour_rule"), pl.lit(False).alias("is_listed_colour")
    )
    write_pages({**night[0], "plan_line": lines}, night[1], tmp_path, months=())
    html = (tmp_path / "sheets" / "m02.html").read_text(encoding="utf-8")
    assert "Colours close to the listed ones" in html and "(CIEDE2000 " in html
    swatches = re.search(r'<rect width="24" height="24" fill="(#[0-9A-Fa-f]{6})"/><rect x="24"', html)
    assert swatches
    assert "Colours close to the listed ones" not in sheet_text(tmp_path, "m00")


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
def test_distances_of_colours_have_words(distance, words):
    assert distance_words(distance) == words


def test_savings_without_fair_shares_are_not_lost(night, tmp_path):
    last = {**night[0], "colour_flex_saving": night[0]["colour_flex_saving"].filter(pl.col("saving_view") == "last")}
    write_pages(last, night[1], tmp_path, months=())
    assert "Of 6 lines with flexible colour, 2 clearly save money" in sheet_text(tmp_path, "m00")


def test_offers_of_today_are_not_called_the_oldest(night, tmp_path):
    fresh = change(night[0], "price_history", pl.lit(date(2026, 11, 25)).alias("last_confirmed_on"))
    write_pages(fresh, night[1], tmp_path, months=())
    assert "Oldest offers bought" not in sheet_text(tmp_path, "m00-details")


def contrast(one, other):
    """WCAG 2.2 contrast ratio of two colours such as #0b5a6b (definitions: relative luminance, contrast ratio)."""

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_colours_have_enough_contrast(folder):
    """WCAG 2.2 success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (graphics, 3:1), light, dark and in print."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    text = (folder / "index.html").read_text(encoding="utf-8")
    palettes = [
        dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})", block)) for block in re.findall(r":root \{([^}]*)\}", text)
    ]
    assert len(palettes) == 3
    for palette in palettes:
        full = {name: c if len(c) == 7 else "#" + "".join(2 * d for d in c[1:]) for name, c in palette.items()}
        for name in ("ink", "soft", "mark", "warn"):
            for ground in ("paper", "band"):
                assert contrast(full[name], full[ground]) >= 4.5, (name, ground)
        for style in range(1, 7):
            assert contrast(full[f"series-{style}"], full["paper"]) >= 3


@pytest.mark.slow
def test_every_month_has_its_pages_figures_and_picture(tmp_path):
    tables, inputs = sample(titles=TITLES[:4], month_count=3, line_count=30)
    written = write_pages(tables, inputs, tmp_path)
    assert len(written) == len(set(written)) and all(path.is_file() for path in written)
    figures = 5 * 2
    # The first month has no change yet, so no contributions, no price changes and no picture.
    of_months = 3 * (2 + 4 * 2 + figures + 1) - (2 * 2 + 1) + 2  # costs of the last nights, in the latest month
    assert len(written) == 1 + 2 + 4 * 3 + of_months + 1 + 1


def test_every_cost_has_its_coverage_beside_it_and_the_floor_is_reported(folder):
    for name, times in (("index", 2), ("comparison", 6)):
        page = Page(folder / f"{name}.html").shown
        assert page.count("Pieces priced") >= times, "a table per buyer, or per model and buyer"
        assert "withheld when less than 80 % of the pieces have a price" in page.replace("\u00a0", " ")
    sheet = Page(folder / "sheets/m00.html").shown.replace("\u00a0", " ")
    assert "Pieces with a price 100.0 %" in sheet and "97.0 % of the list priced" in sheet
