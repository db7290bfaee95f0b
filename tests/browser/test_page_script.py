"""What the pages' script adds: sorting, filtering, values of charts, one buyer at a time. Without it nothing is missing."""

from pathlib import Path
from typing import Any

import pytest

from pipelines.reporting.basis.page_tables import Table, columns
from pipelines.reporting.basis.render import write_page
from pipelines.resources import resource_folder
from tests.browser.visit import PAGES, Visit

COLUMN = "[...document.querySelectorAll('table tbody tr')].map(r => r.cells[%d].textContent.trim())"
COSTS = ("1,234.50", "–", "at least 99.00", "\u22123.20", "withheld", "7.00 (3.1\u00a0%)", "no clear saving")


@pytest.fixture
def listing(tmp_path: Path) -> Path:
    """A page with one table of fourteen rows: words, costs and dates, of every kind that cells have."""
    days = ["3 October 2026", "30 September 2026", "–", "1 January 2027"]
    rows = tuple((f"Row {n:02}", COSTS[n % 7], days[n % 4]) for n in range(14))
    table = Table("Kinds of cells", columns("Name", "#Cost", "Seen"), rows)
    return write_page(tmp_path / "listing.html", "months.html", page_title="Cells", months=table, made="")


def sort_by(visit: Any, name: str) -> None:
    """With the keyboard alone."""
    visit.page.get_by_role("button", name=name).focus()
    visit.page.keyboard.press("Enter")


def test_tables_sort_by_figures_and_what_has_none_comes_last(chromium: Any, listing: Path) -> None:
    with Visit(chromium, listing) as visit:
        sort_by(visit, "Cost")
        rising = visit.run(COLUMN % 1)
        assert rising[:8] == [COSTS[3]] * 2 + [COSTS[5]] * 2 + [COSTS[2]] * 2 + [COSTS[0]] * 2
        assert set(rising[8:]) == {"–", "withheld", "no clear saving"}
        assert visit.page.locator("th[aria-sort]").evaluate_all("e => e.map(t => t.ariaSort)") == ["ascending"]
        assert visit.page.locator("p[role=status]").inner_text() == "Sorted by Cost, rising."
        sort_by(visit, "Cost")
        falling = visit.run(COLUMN % 1)
        assert falling[:8] == rising[:8][::-1] and set(falling[8:]) == set(rising[8:])


def test_tables_sort_by_dates(chromium: Any, listing: Path) -> None:
    with Visit(chromium, listing) as visit:
        sort_by(visit, "Seen")
        seen = visit.run(COLUMN % 2)
    assert list(dict.fromkeys(seen)) == ["30 September 2026", "3 October 2026", "1 January 2027", "–"]


def test_long_tables_filter_by_words(chromium: Any, listing: Path) -> None:
    with Visit(chromium, listing) as visit:
        field = visit.page.get_by_label("Filter: Kinds of cells")
        field.fill("2026 99.00")
        shown = "[...document.querySelectorAll('tbody tr')].filter(r => !r.hidden).map(r => r.cells[0].textContent)"
        assert visit.run(shown) == ["Row 09"]
        assert visit.page.locator("output").inner_text() == "1 of 14"
        field.fill("")
        assert len(visit.run(shown)) == 14 and visit.page.locator("output").inner_text() == ""


def test_one_buyer_is_shown_at_a_time_and_goes_along(chromium: Any, site: Path) -> None:
    page = site / "public/index.html"
    with Visit(chromium, page) as visit:
        sections = visit.page.locator("section.buyer")
        assert sections.count() == 2
        assert [section.is_visible() for section in sections.all()] == [True, False]
        visit.page.get_by_role("radio").nth(1).check()
        assert [section.is_visible() for section in sections.all()] == [False, True]
        sections.nth(1).get_by_role("link").first.click()
        assert visit.page.url.endswith("#buyer-2")
        assert [section.is_visible() for section in visit.page.locator("section.buyer").all()] == [False, True]
        visit.page.emulate_media(media="print")
        assert all(section.is_visible() for section in visit.page.locator("section.buyer").all())


def test_the_switch_needs_no_script(chromium: Any, site: Path) -> None:
    with Visit(chromium, site / "public/index.html", java_script_enabled=False) as visit:
        visit.page.get_by_role("radio").nth(1).check()
        assert [section.is_visible() for section in visit.page.locator("section.buyer").all()] == [False, True]
        assert visit.page.locator("button, input[type=search]").count() == 0


def test_charts_say_their_values(chromium: Any, site: Path) -> None:
    """By keys and by pointer, and the point is the one that is drawn at the place."""
    with Visit(chromium, site / "public/reports/2026-11/m00.html") as visit:
        figure = visit.page.locator("figure[data-at]:visible").first
        rows = figure.locator("tbody tr")
        said, drawing = figure.locator(".said"), figure.locator(".drawing")
        drawing.focus()
        last = rows.last.evaluate("r => [...r.cells].map(c => c.textContent.trim())")
        assert said.inner_text().startswith(f"{last[0]}: ") and all(cell in said.inner_text() for cell in last)
        visit.page.keyboard.press("Home")
        first = rows.first.evaluate("r => [...r.cells].map(c => c.textContent.trim())")
        assert said.inner_text().startswith(f"{first[0]}: ")
        drawn = drawing.locator(".mark-line path").first
        places = figure.evaluate("f => f.dataset.at.split(' ').map(Number)")
        left, right = drawn.evaluate(
            "p => { const b = p.getBoundingClientRect(), s = p.ownerSVGElement, w = s.getBoundingClientRect();"
            " const k = s.viewBox.baseVal.width / w.width; return [(b.left - w.left) * k, (b.right - w.left) * k]; }"
        )
        assert abs(places[0] - left) < 2.5 and abs(places[-1] - right) < 2.5
        box = drawing.bounding_box()
        visit.page.mouse.move(box["x"] + box["width"] - 2, box["y"] + 20)
        assert said.inner_text().startswith(f"{last[0]}: ")


@pytest.mark.parametrize("name", PAGES)
def test_a_page_has_the_same_words_without_its_script(chromium: Any, site: Path, name: str) -> None:
    """But for what the script itself says."""
    words = (
        "[...document.querySelectorAll('main p:not(.unseen), main h1, main h2, main td, main th, main li, main dd')]"
        ".map(e => e.textContent.trim())"
    )
    found = []
    for has_script in (True, False):
        with Visit(chromium, site / name, java_script_enabled=has_script) as visit:
            found.append(visit.page.evaluate(words))
    assert found[0] == found[1]


def test_the_script_is_small() -> None:
    assert (resource_folder("reports") / "templates" / "page.js").stat().st_size < 20_000
