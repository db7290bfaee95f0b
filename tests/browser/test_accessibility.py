"""Everyone can use the pages: in light and dark, wide and narrow, by ear and by keyboard."""

from pathlib import Path
from typing import Any

import pytest

from tests.browser.accessibility import CONTRAST, problems, shorten, violations
from tests.browser.visit import PAGES, Visit
from tests.builders.length import examples

BAD = """<!DOCTYPE html><title> </title><body><p style="color:#999;background:#fff">pale</p><main><h2>late</h2><h4></h4>
<table><tr><td>a</td></tr></table><table><caption>c</caption><thead><tr><th>a</th></tr></thead></table><img src="data:,"><svg></svg>
<div role="img" aria-label="short"></div><figure></figure><p>words <a href="y" style="text-decoration:none">plain</a> words</p><input>
<div tabindex="3">a</div><ul><p>x</p></ul><b id="i"></b><b id="i"></b><nav></nav>
<svg class="mark-line" role="img"><path style="stroke:#eee"/><text style="fill:#eee">x</text></svg></main>"""


def test_the_checkers_find_what_is_wrong(chromium: Any, tmp_path: Path) -> None:
    page = tmp_path / "bad.html"
    page.write_text(BAD)
    with Visit(chromium, page) as visit:
        rules = {line.split(":")[0].rstrip("0123456789. ") for line in problems(visit.page)}
        reported = {line.split(" ")[0] for line in violations(visit.page)}
        pale = {line.split(" ")[0] for line in violations(visit.page, CONTRAST)}
        assert visit.outside == [], "the checker itself fetches nothing"
    assert rules == {
        "id twice", "nameless navigation", "table without caption", "table without headings", "heading without scope",
        "cells missing", "row without heading", "drawing without a role", "drawing without words", "figure without caption",
        "contrast in a drawing", "line contrast",
    }  # fmt: skip
    assert reported >= {
        "html-has-lang", "document-title", "page-has-heading-one", "heading-order", "empty-heading", "image-alt", "label", "list",
        "tabindex", "region", "color-contrast",
    }  # fmt: skip
    assert pale == {"color-contrast", "link-in-text-block"}


WIDTHS = examples(1, 2)
"""At how many widths each page is looked at: usually one, the wide and the narrow in turn, and then with short tables."""


@pytest.mark.parametrize(
    ("name", "width"), [(name, (1280, 360)[(at + n) % 2]) for at, name in enumerate(PAGES) for n in range(WIDTHS)]
)
def test_nothing_is_wrong_in_light_dark_and_print(chromium: Any, site: Any, name: Any, width: Any) -> None:
    with Visit(chromium, site / name, width) as visit:
        assert problems(visit.page) == []
        if WIDTHS == 1:
            shorten(visit.page)
        assert violations(visit.page) == []
        visit.page.emulate_media(color_scheme="dark")
        assert violations(visit.page, CONTRAST) == [] and problems(visit.page) == []
        visit.page.emulate_media(color_scheme="dark", media="print")
        assert problems(visit.page) == []
        assert visit.outside == []


def test_a_keyboard_reaches_every_link_and_every_box_that_scrolls(chromium: Any, site: Any) -> None:
    with Visit(chromium, site / "public/reports/2026-11/m00.html", 360) as visit:
        # Of the buttons of a choice the chosen one is a stop; arrow keys go to the others.
        kinds = "a, summary, .box, button, .drawing[tabindex], input:not([type=radio]), input:checked"
        targets = f"[...document.querySelectorAll('{kinds}')].filter(e => e.checkVisibility())"
        names = visit.run(f"{targets}.map(e => e.outerHTML.slice(0, 60))")
        reached = set()
        for _ in range(len(names) + 5):
            visit.page.keyboard.press("Tab")
            reached.add(visit.run(f"{targets}.indexOf(document.activeElement)"))
        assert len(names) > 15
        assert [name for position, name in enumerate(names) if position not in reached] == []


def test_text_grows_without_being_cut(chromium: Any, site: Any) -> None:
    """WCAG 1.4.4 and 1.4.10: at twice the size on a narrow screen nothing needs scrolling sideways."""
    with Visit(chromium, site / "public/reports/2026-11/m00.html", 640) as visit:
        visit.run("document.documentElement.style.fontSize = '200%'")
        assert visit.run("document.documentElement.scrollWidth") <= 640
