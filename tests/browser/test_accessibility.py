"""Everyone can use the pages: in light and dark, wide and narrow, by ear and by keyboard."""

import pytest
from accessibility import problems
from test_pages_in_browser import PAGES, Visit

pytestmark = pytest.mark.browser

BAD = """<!DOCTYPE html><title> </title><body><p style="color:#999;background:#fff">pale</p><main><h2>late</h2><h4></h4>
<table><tr><td>a</td></tr></table><img src="data:,"><svg></svg><div role="img" aria-label="short"></div><figure></figure>
<a href="x"></a><a href="y" style="text-decoration:none">plain</a><input><details>no</details><div tabindex="3"></div>
<ul></ul><ul><p>x</p></ul><dl></dl><b id="i"></b><b id="i"></b><nav></nav>
<svg class="mark-line" role="img"><path style="stroke:#eee"/></svg></main>"""


def test_the_checks_find_what_is_wrong(chromium, tmp_path):
    page = tmp_path / "bad.html"
    page.write_text(BAD)
    with Visit(chromium, page) as visit:
        rules = {line.split(":")[0].rstrip("0123456789. ") for line in problems(visit.page)}
    assert rules == {
        "no language", "no title", "id twice", "not one h", "heading leaves out a level", "empty heading",
        "nameless navigation", "outside of landmarks", "table without caption", "table without headings",
        "picture without text", "drawing without a role", "drawing without words", "figure without caption",
        "link without words or target", "link told by colour alone", "control without label", "details without summary",
        "order of its own", "stop without a name", "list with something else in it", "empty list",
        "empty description list", "contrast", "line contrast", "cells missing", "row without heading",
    }  # fmt: skip


@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_wrong_in_light_dark_and_print(chromium, site, name):
    with Visit(chromium, site / name) as visit:
        assert problems(visit.page) == []
        visit.page.emulate_media(color_scheme="dark")
        assert problems(visit.page) == []
        visit.page.emulate_media(color_scheme="dark", media="print")
        assert problems(visit.page) == []


def test_a_keyboard_reaches_every_link_and_every_box_that_scrolls(chromium, site):
    with Visit(chromium, site / "reports/2026-11/m00.html", 360) as visit:
        stops = visit.run("document.querySelectorAll('a, summary, .box').length")
        reached = set()
        for _ in range(stops + 5):
            visit.page.keyboard.press("Tab")
            reached.add(visit.run("[...document.querySelectorAll('a, summary, .box')].indexOf(document.activeElement)"))
        hidden = visit.run("document.querySelectorAll('details:not([open]) .box, details:not([open]) a').length")
        assert len(reached - {-1}) == stops - hidden


def test_text_grows_without_being_cut(chromium, site):
    """WCAG 1.4.4 and 1.4.10: at twice the size on a narrow screen nothing needs scrolling sideways."""
    with Visit(chromium, site / "reports/2026-11/m00.html", 640) as visit:
        visit.run("document.documentElement.style.fontSize = '200%'")
        assert visit.run("document.documentElement.scrollWidth") <= 640
