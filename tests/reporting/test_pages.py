"""The pages as a reader gets them: complete, honest, harmless, the same every time."""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.orders.order_lists import write_order_lists
from pipelines.reporting.pages import write_pages
from pipelines.resources import resource_folder
from schemas.all_tables import ALL_PUBLISHED, WORKSPACE_TABLES
from schemas.validate import empty_frame
from tests.builders.html_pages import HOSTILE, Page, change, details_text, html_pages, sheet_text
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import BUYERS, Night
from tests.present import present

SCRIPT = (resource_folder("reports") / "templates" / "page.js").read_text(encoding="utf-8")


def test_the_samples_amounts_add_up(night: Night) -> None:
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


def test_every_page_is_there(folder: Any) -> None:
    names = {str(path.relative_to(folder)) for path in folder.rglob("*.html")} | {
        str(path.relative_to(folder)) for path in folder.rglob("*.md")
    }
    expected = {
        "public/index.html",
        "public/comparison.html",
        "public/comparison.md",
        "public/how-we-calculate.html",
        "public/how-we-calculate.md",
        "public/reports/index.html",
        "private/index.html",
        "private/watches.html",
    }
    for code in ("m00", "m01", "m02"):
        expected |= {f"public/sheets/{code}.html", f"public/sheets/{code}.md", f"private/details/{code}.html"}
    months = [f"{year}-{month:02d}" for year in (2025, 2026) for month in range(1, 13)][9:23]
    for ending in (".html", ".md"):
        expected |= {f"public/reports/{month}{ending}" for month in months}
        expected |= {f"public/reports/{month}/{code}{ending}" for month in months for code in ("m00", "m01", "m02")}
    assert names == expected


def test_pages_are_well_formed_and_accessible(folder: Any) -> None:
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
        assert len(page.all("figure")) == len(page.all("figcaption"))
        drawings = [attrs for attrs in page.all("svg") if attrs.get("role") == "img"]
        assert len(drawings) >= len(page.all("figure")) and all(attrs["aria-label"] for attrs in drawings)


def test_pages_load_nothing_and_run_only_their_own_script(folder: Any) -> None:
    for path in html_pages(folder):
        page = Page(path)
        assert not {tag for tag, _ in page.tags} & {"link", "img", "iframe", "object", "embed", "form"}
        assert page.all("script") == [{}] and page.text.count(f"<script>{SCRIPT}</script>") == 1
        for tag, attrs in page.tags:
            assert not [name for name in attrs if name.startswith("on") or name == "src"], (path.name, tag)
            assert not (attrs.get("href") or "").startswith(("http", "//", "javascript", "/"))
        css = page.text.partition("<style>")[2].partition("</style>")[0]
        assert "url(" not in css and "@import" not in css and "--series-6" in css


def test_every_page_says_from_which_prices_it_was_made_and_when_it_is_old(night: Night, folder: Any) -> None:
    """The sample's prices are of 25 November 2026, and its offers count for 30 days."""
    assert night[1].settings.refresh.stale_after_days == 30
    for path in html_pages(folder):
        if path.name == "how-we-calculate.html":
            continue  # it has no prices
        text = Page(path).text
        is_report = "reports" in path.parts and path.name != "index.html"
        words = "Made from prices" if is_report else "Prices"
        assert text.count(f"{words} up to 25 November 2026.") == 1, path.name
        assert ("Out of date after 25 December 2026." in text) != is_report, path.name
        assert ('data-until="2026-12-25"' in text) != is_report, path.name


def test_links_lead_somewhere(folder: Any) -> None:
    for path in html_pages(folder):
        page = Page(path)
        places = {f"#{attrs['id']}" for _, attrs in page.tags if "id" in attrs}
        for href in [attrs["href"] for attrs in page.all("a")]:
            if href.startswith("tables/") or href == "kitfare.duckdb" or href in places:
                continue
            assert (path.parent / href).exists(), (path.name, href)


def test_nothing_public_names_or_links_to_what_is_private(folder: Any) -> None:
    public = folder / "public"
    for path in (path for path in public.rglob("*") if path.is_file() and path.suffix in (".html", ".md")):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"private/|details/|orders/|watches\.html|kitfare\.duckdb|tables/", text), path.name
    for path in html_pages(public):
        for href in [attrs["href"] for attrs in Page(path).all("a")]:
            assert (path.parent / href).resolve().is_relative_to(public.resolve()), (path.name, href)


def test_same_tables_same_bytes(night: Night, folder: Any, tmp_path: Path) -> None:
    tables, inputs = night
    shuffled = {name: frame.sample(fraction=1, shuffle=True, seed=7) for name, frame in tables.items()}
    write_pages(shuffled, inputs, tmp_path)
    for path in sorted(tmp_path.rglob("*.*")):
        assert path.read_bytes() == (folder / path.relative_to(tmp_path)).read_bytes(), path.name


def test_hostile_names_are_harmless_everywhere(tmp_path: Path) -> None:
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
        assert not page.all("img") and page.all("script") == [{}], path.name
        assert not [attrs for _, attrs in page.tags if "onerror" in attrs]
        if path not in (tmp_path / "public/reports/index.html", tmp_path / "public/how-we-calculate.html"):
            assert HOSTILE in page.shown
    for path in set(tmp_path.rglob("*.md")) - {tmp_path / "public/how-we-calculate.md"}:
        text = path.read_text(encoding="utf-8")
        assert "<script" not in text and "[l](" not in text and "\\*\\*b\\*\\*" in text
        for block in re.findall(r"(?:^\|.*\n)+", text, re.M):
            assert len({len(re.findall(r"(?<!\\)\|", line)) for line in block.splitlines()}) == 1


def test_a_models_code_stays_inside_the_folder(tmp_path: Path) -> None:
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


def test_details_is_marked_as_private_unless_all_may_be_published(folder: Any) -> None:
    marked = {code: "Not for publishing" in details_text(folder, code) for code in ("m00", "m01", "m02")}
    assert marked == {"m00": True, "m01": True, "m02": False}


def test_details_shows_bounds_vendors_missing_lines_and_left_out_vendors(folder: Any, night: Night) -> None:
    text = details_text(folder, "m00")
    plan = PageData(*night).plan("m00", "inland", "flexible")
    gap = present(plan)["landed_cost"] - present(plan)["lower_bound"]
    assert (
        f"Hidden parts in any colour {present(plan)['landed_cost']:.2f} {present(plan)['lower_bound']:.2f} {gap:.2f} 0.4 %"
        in text
    )
    for reported in (
        "Alder & Daughters",
        "What is bought from each vendor",
        "any plain colour would fill it",
        "its last price seen",
        "Oldest offers bought",
        "Faraway Loft it has no terms for the region north on 2026-11-25",
    ):
        assert reported in text, reported


def test_orders_that_two_ways_of_buying_share_are_shown_once(night: Night, folder: Any, tmp_path: Path) -> None:
    tables = dict(night[0])
    for name in ("plan_vendor", "plan_purchase", "unfilled_line"):
        rows = tables[name]
        flexible = rows.filter(pl.col("scenario_code") == "flexible").with_columns(scenario_code=pl.lit("cheapest"))
        tables[name] = pl.concat([rows.filter(pl.col("scenario_code") != "cheapest"), flexible])
    write_pages(tables, night[1], tmp_path, months=())
    reported, before = details_text(tmp_path, "m00"), details_text(folder, "m00")
    assert reported.count("Cheapest mix The same orders as: Hidden parts in any colour.") == len(BUYERS)
    assert "The same orders as" not in before
    assert before.count("What is bought from each vendor") > reported.count("What is bought from each vendor") > 0
    links = [link["href"] for link in Page(tmp_path / "private/details/m00.html").all("a")]
    assert any("/cheapest/" in link for link in links), "the way's own order list is still linked"


def test_a_vendor_whose_prices_are_old_is_named(night: Night, tmp_path: Path) -> None:
    old = pl.when(pl.col("vendor_code") == "sumi").then(pl.lit(date(2026, 9, 1))).otherwise(pl.col("observed_on"))
    write_pages(change(night[0], "vendor_export", old.alias("observed_on")), night[1], tmp_path, months=())
    assert "Sumi Bricks its last price export is of 1 September 2026" in details_text(tmp_path, "m00")


def test_a_model_without_a_plan_says_why(night: Night, tmp_path: Path) -> None:
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
    assert "Tin lantern" in Page(tmp_path / "public/index.html").shown


def test_nothing_priced_yet_is_said_not_crashed(night: Night, tmp_path: Path) -> None:
    empty = {contract.name: empty_frame(contract) for contract in (*WORKSPACE_TABLES, *ALL_PUBLISHED)}
    write_pages(empty, night[1], tmp_path / "a")
    write_pages({}, night[1], tmp_path / "b")
    for place in ("a", "b"):
        assert "No model has been priced yet" in Page(tmp_path / place / "public/index.html").shown
        assert "No model has been priced yet" in sheet_text(tmp_path / place, "m00")
    assert write_order_lists(empty, night[1].settings, tmp_path / "a") == []


def test_offers_of_today_are_not_called_the_oldest(night: Night, tmp_path: Path) -> None:
    fresh = change(night[0], "price_history", pl.lit(date(2026, 11, 25)).alias("last_confirmed_on"))
    write_pages(fresh, night[1], tmp_path, months=())
    assert "Oldest offers bought" not in details_text(tmp_path, "m00")


def contrast(one: Any, other: Any) -> Any:
    """WCAG 2.2 contrast ratio of two colours such as #0b5a6b (definitions: relative luminance, contrast ratio)."""

    def luminance(colour: Any) -> Any:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_colours_have_enough_contrast(folder: Any) -> None:
    """WCAG 2.2 success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (graphics, 3:1), light, dark and in print."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    text = (folder / "private/index.html").read_text(encoding="utf-8")
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


def test_ways_of_buying_are_named_by_title_never_by_code(folder: Any, night: Any) -> None:
    codes = {scenario.scenario_code for scenario in night[1].settings.scenarios}
    assert codes >= {"listed", "flexible", "maker_marked", "maker_first", "cheapest"}
    for path in html_pages(folder):
        alone = {word.strip() for word in Page(path).words} & codes
        assert not alone, (path.name, alone)
    for path in folder.rglob("*.md"):
        cells = {cell.strip(" *") for cell in re.split(r"[|\n]", path.read_text(encoding="utf-8").replace("\\", ""))}
        assert not cells & codes, path.name
