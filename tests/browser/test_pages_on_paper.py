"""The pages printed: nothing cut off, no drawing split between two pages."""

import contextlib
import re
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Error

from tests.browser.visit import PAGES, Visit


@pytest.mark.parametrize("name", PAGES)
def test_pages_print(chromium: Any, site: Any, name: Any, tmp_path: Path) -> None:
    with Visit(chromium, site / name) as visit:
        pdf = visit.page.pdf(format="A4", margin=dict.fromkeys(("top", "bottom", "left", "right"), "15mm"))
        assert pdf.startswith(b"%PDF") and len(pdf) > 5000
        visit.page.emulate_media(media="print")
        assert not visit.page.locator("nav").is_visible()
        broken = visit.run(
            "[...document.querySelectorAll('figure')].filter(f => getComputedStyle(f).breakInside !== 'avoid').length"
        )
        assert broken == 0


PRINTED = (
    "public/index.html",
    "public/comparison.html",
    "private/details/m00.html",
    "public/reports/2026-11.html",
    "public/reports/2026-11/m00.html",
)
PAGE_WIDTH, PAGE_HEIGHT = 680, 1009
"""A4 less 15 mm on each side, 180 by 267 mm, in CSS pixels."""


@pytest.mark.parametrize("name", PRINTED)
def test_nothing_is_cut_off_on_paper(chromium_of_each: Any, site: Path, name: str) -> None:
    with Visit(chromium_of_each, site / name, PAGE_WIDTH) as visit:
        visit.page.emulate_media(media="print")
        assert visit.run("document.documentElement.scrollWidth") <= PAGE_WIDTH
        # What may not break between pages, fits on one; and a drawing ends inside of its figure.
        tallest = visit.run("Math.max(0, ...[...document.querySelectorAll('figure')].map(f => f.offsetHeight))")
        assert tallest < PAGE_HEIGHT / 2
        cut = visit.run(
            "[...document.querySelectorAll('.drawing text, .drawing path, .drawing rect')].filter(e => {"
            "const r = e.getBoundingClientRect(), f = e.closest('figure').getBoundingClientRect();"
            "return r.right > f.right + 1 || r.left < f.left - 1 || r.bottom > f.bottom + 1 || r.top < f.top - 1})"
            ".map(e => e.outerHTML.slice(0, 80))"
        )
        assert cut == []


MARK_ENDS_OF_CHARTS = """() => document.querySelectorAll('figure .drawing').forEach((drawing, n) => {
  for (const [place, green] of [['afterbegin', 200], ['beforeend', 100]]) {
    const line = document.createElement('div');  // its style goes in by script: pages allow no style attribute
    Object.assign(line.style, {height: '1px', background: `rgb(${10 + n},${green},3)`});
    drawing.insertAdjacentElement(place, line);
  }
})"""


def printed_pages(page: Any) -> Iterator[Any]:
    """Every page of the print as a PDF of its own."""
    margin = dict.fromkeys(("top", "bottom", "left", "right"), "15mm")
    for number in range(1, 30):
        try:
            yield page.pdf(format="A4", margin=margin, page_ranges=str(number), print_background=True, tagged=False)
        except Error as error:
            assert "exceeds page count" in str(error)
            return


def fills(pdf: Any) -> Any:
    """The colours that a PDF fills with, as its content streams write them."""
    found = []
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        with contextlib.suppress(zlib.error):
            found += [tuple(map(float, fill.split())) for fill in re.findall(rb"([\d. ]+) rg", zlib.decompress(stream))]
    return found


@pytest.mark.parametrize("name", ["public/reports/2026-11.html", "public/reports/2026-11/m00.html"])
def test_no_chart_is_split_between_two_printed_pages(chromium: Any, site: Any, name: str) -> None:
    """Each drawing gets thin lines of colours of their own at its top and its bottom: both are on one page of the PDF."""
    with Visit(chromium, site / name) as visit:
        count = visit.run("document.querySelectorAll('figure .drawing').length")
        visit.run(MARK_ENDS_OF_CHARTS)
        pages = [fills(pdf) for pdf in printed_pages(visit.page)]
    assert len(pages) > 2 and count >= 4
    for chart in range(count):
        ends = [
            [page for page, found in enumerate(pages) if any(fill == pytest.approx(colour, abs=1e-3) for fill in found)]
            for colour in (((10 + chart) / 255, green / 255, 3 / 255) for green in (200, 100))
        ]
        assert len(ends[0]) == 1 and ends[0] == ends[1], f"chart {chart} begins on {ends[0]} and ends on {ends[1]}"
