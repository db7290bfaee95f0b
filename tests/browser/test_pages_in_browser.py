"""The pages in a real browser: nothing fetched, nothing wrong, readable on a phone, in print and in the dark."""

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipelines.money import exactly
from pipelines.reporting.basis.look import width_of
from pipelines.reporting.drawings.bars import Bar, bar_chart
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.lines import line_chart
from pipelines.reporting.drawings.look_curve import Looked, look_curve
from pipelines.reporting.drawings.spreads import Spread, spread_chart
from pipelines.reporting.drawings.tornado import Change, TwoSidedBar, tornado
from pipelines.resources import resource_folder
from tests.browser.visit import PAGES, Visit
from tests.present import present


def test_the_guards_see_what_they_must(chromium: Any, tmp_path: Path) -> None:
    """A page that does everything wrong is caught by every check used below."""
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<!DOCTYPE html><title>x</title><img src='http://127.0.0.1:9/a.png'><script>throw new Error('b')</script>"
        "<div style='width:2000px'>wide</div>"
    )
    with Visit(chromium, bad, width=360) as visit:
        assert visit.outside == ["http://127.0.0.1:9/a.png"]
        assert any("b" in complaint for complaint in visit.complaints)
        assert visit.run("document.documentElement.scrollWidth") > 360


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("width", [360, 1280])
def test_pages_open_fetch_nothing_and_fit(chromium_of_each: Any, site: Path, name: str, width: int) -> None:
    with Visit(chromium_of_each, site / name, width) as visit:
        assert visit.page.title()
        assert visit.outside == [] and visit.complaints == []
        visit.run("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert visit.run("document.documentElement.scrollWidth") == width
        # Nothing sticks out of the page except what scrolls in a box of its own.
        out = visit.run(
            "[...document.querySelectorAll('body *')].filter(e => !e.closest('.box') && !e.closest('svg') "
            f"&& e.getBoundingClientRect().right > {width} + 0.5).map(e => e.outerHTML.slice(0, 80))"
        )
        assert out == []


@pytest.mark.parametrize("name", PAGES)
def test_stacked_tables_need_no_scrolling_on_a_phone(chromium_of_each: Any, site: Path, name: str) -> None:
    with Visit(chromium_of_each, site / name, 360) as visit:
        too_wide = visit.run(
            "[...document.querySelectorAll('.stacked')].filter(b => b.scrollWidth > b.clientWidth)"
            ".map(b => b.querySelector('caption').textContent)"
        )
        assert too_wide == []


def test_pages_need_no_javascript(chromium: Any, site: Any) -> None:
    with Visit(chromium, site / "public/sheets/m00.html", java_script_enabled=False) as visit:
        assert visit.page.get_by_role("heading", level=1).inner_text() == "Harbour crane"
        assert visit.page.locator("figure svg").first.bounding_box()["height"] > 100


@pytest.mark.parametrize(
    ("name", "count"), [("public/reports/2026-11.html", 4), ("public/reports/2026-11/m00.html", 10)]
)
def test_charts_have_words_a_size_and_their_figures(chromium_of_each: Any, site: Path, name: str, count: int) -> None:
    with Visit(chromium_of_each, site / name, 360) as visit:
        visit.run("document.querySelector('.buyers').remove()")  # so that the charts of all buyers show
        charts = visit.page.locator("figure.chart")
        assert charts.count() == count
        for chart in charts.all():
            drawing = chart.get_by_role("img")
            assert len(drawing.get_attribute("aria-label")) > 60
            assert drawing.bounding_box()["width"] > 300 and drawing.bounding_box()["height"] > 50
            is_over_time = chart.get_attribute("data-at") is not None
            rows = chart.locator("details table tbody tr").count()
            assert rows in (14, 21) if is_over_time else 2 <= rows <= 9
            assert chart.locator(".drawing text").count() >= 4
        smallest = visit.run(
            "Math.min(...[...document.querySelectorAll('.drawing text')].map(t => t.getBoundingClientRect().height))"
        )
        assert smallest >= 11, "labels can be read on a phone"


def test_every_charts_figures_are_there_as_files(chromium: Any, site: Any) -> None:
    with Visit(chromium, site / "public/reports/2026-11/m00.html") as visit:
        links = visit.run("[...document.querySelectorAll('figure details a')].map(a => a.getAttribute('href'))")
    assert len(links) == 20
    assert all((site / "public/reports/2026-11" / link).stat().st_size > 100 for link in links)
    assert {link.rsplit(".")[0] for link in links} == {
        "costs",
        "price_index",
        "nights",
        "contributions",
        "price_changes",
    }


def test_the_band_is_behind_the_lines_and_ends_with_them(chromium: Any, site: Any) -> None:
    """The page of an earlier month shows the same drawing, cut at the month."""
    ends = []
    for month in ("2026-10", "2026-11"):
        with Visit(chromium, site / f"public/reports/{month}/m00.html") as visit:
            right = (
                "Math.max(...[...document.querySelector('.mark-area').closest('svg').querySelectorAll('.mark-%s path')]"
                ".map(p => p.getBBox().x + p.getBBox().width))"
            )
            assert visit.run("document.querySelectorAll('.mark-area path').length") == 4  # two bands: costs, index
            ends.append((visit.run(right % "area"), visit.run(right % "line")))
    for area, line in ends:
        assert abs(area - line) < 1
    assert ends[0][0] < ends[1][0]


BADLY_PLACED = """() => {
  const box = (e) => e.getBoundingClientRect();
  const found = [];
  for (const drawing of document.querySelectorAll('.drawing > svg')) {
    const frame = box(drawing), labels = [...drawing.querySelectorAll('text')];
    for (const [at, label] of labels.entries()) {
      const b = box(label);
      if (b.left < frame.left - 0.5 || b.right > frame.right + 0.5 || b.bottom > frame.bottom + 1.5 || b.top < frame.top - 1.5)
        found.push('outside: ' + label.textContent);
      for (const other of labels.slice(at + 1)) {
        const o = box(other);
        if (b.left < o.right && o.left < b.right && b.top + 3 < o.bottom && o.top + 3 < b.bottom)
          found.push('over each other: ' + label.textContent + ', ' + other.textContent);
      }
    }
  }
  return found;
}"""
"""Labels that leave their drawing or touch another. Boxes are as high as lines of text, which is 3 pixels more than letters are."""


@pytest.mark.parametrize(
    "name", ["public/sheets/m00.html", "public/reports/2026-11.html", "public/reports/2026-11/m00.html"]
)
@pytest.mark.parametrize("width", [360, 1280])
def test_labels_of_drawings_stay_inside_and_clear_of_each_other(
    chromium_of_each: Any, site: Path, name: str, width: int
) -> None:
    with Visit(chromium_of_each, site / name, width) as visit:
        assert visit.run("document.querySelectorAll('.drawing > svg text').length") > 8
        assert visit.run(BADLY_PLACED) == []


def test_badly_placed_labels_are_found(chromium: Any, tmp_path: Path) -> None:
    page = tmp_path / "bad.html"
    page.write_text(
        "<!DOCTYPE html><title>x</title><div class='drawing'><svg viewBox='0 0 350 100' width='350' height='100' font-size='12'>"
        "<text x='10' y='50'>first</text><text x='20' y='52'>second</text><text x='340' y='90'>third</text></svg></div>"
    )
    with Visit(chromium, page) as visit:
        assert visit.run(BADLY_PLACED) == ["over each other: first, second", "outside: third"]


def crowded_drawings() -> list[Chart]:
    """Drawings of every kind with the longest labels and figures they are made for."""
    dates = [date(2025 + month // 12, month % 12 + 1, 28) for month in range(24)]
    rising = tuple(123456.78 + 1000 * place for place in range(24))
    names = [f"{word} wheels, mudguards and WWW {place}" for place, word in enumerate(("Long", "Mmmmm", "illicit"))]

    def as_text(value: float) -> str:
        return f"{value:+,.2f}".replace("-", "\u2212")

    def change(amount: str) -> Change:
        return Change(Decimal(amount), exactly(Decimal(amount)), "x")

    made = [
        line_chart("Cost", dates, [Line("a", rising, 0)], as_text),
        line_chart("Cost", dates[:2], [Line("a", (-0.25, -1.0), 0)], as_text),
        bar_chart("Adds", [Bar(name, 1000.25 * (-2) ** place) for place, name in enumerate(names)], as_text, ""),
        bar_chart("Adds", [Bar("a", 0.0)], as_text, ""),
        spread_chart("Moved", "Model", [Spread(name, (-100.1, -50.0, 0.0, 2.0, 1000.0)) for name in names], as_text),
        spread_chart("Moved", "Model", [Spread("Model", (10.0, 20.0, 30.0, 40.0, 50.0))], as_text),
        tornado("One change", [TwoSidedBar(name, change("-12"), change("2000")) for name in names]),
        tornado("One change", [TwoSidedBar("a", change("-0.001"), change("0.002"))]),
        look_curve("Could save", [Looked(n, 1000.0 * n, 1100.0 * n) for n in range(1, 1200)], as_text),
        look_curve("Could save", [Looked(1, 0.5, 0.5)], as_text),
    ]
    return [present(chart) for chart in made]


@pytest.mark.parametrize("width", [330, 432])
def test_labels_have_room_however_long_they_are(chromium_of_each: Any, tmp_path: Path, width: int) -> None:
    """The widths of drawings on a narrow phone and on a wide page."""
    css = (resource_folder("reports") / "templates" / "page.css").read_text(encoding="utf-8")
    drawings = "".join(
        f'<div class="drawing" style="width:{width}px">{chart.svg}</div>' for chart in crowded_drawings()
    )
    page = tmp_path / "crowded.html"
    page.write_text(
        f"<!DOCTYPE html><meta charset=utf-8><title>x</title><style>{css}</style>{drawings}", encoding="utf-8"
    )
    with Visit(chromium_of_each, page) as visit:
        assert visit.run(BADLY_PLACED) == []


def test_text_is_never_wider_than_the_room_it_is_given(chromium_of_each: Any, tmp_path: Path) -> None:
    """Letter by letter, in the fonts of drawings on pages."""
    letters = "".join(chr(code) for code in (*range(32, 127), *range(0xC0, 0x180))) + "\u2212\u2013\u2026€£×°"
    page = tmp_path / "empty.html"
    page.write_text("<!DOCTYPE html><title>x</title>")
    with Visit(chromium_of_each, page) as visit:
        widths = visit.page.evaluate(
            "letters => { const c = document.createElement('canvas').getContext('2d');"
            "c.font = '1000px Arial, \"Liberation Sans\", Helvetica, sans-serif';"
            "return [...letters].map(each => c.measureText(each).width) }",
            letters,
        )
    assert {letter for letter, width in zip(letters, widths, strict=True) if width > width_of(letter, 1000.0)} == set()


@pytest.mark.parametrize("name", ["public/reports/2026-11/m00.html"])
def test_lines_take_the_pages_colours(chromium: Any, site: Path, name: str) -> None:
    with Visit(chromium, site / name) as visit:
        light = set(visit.run("[...document.querySelectorAll('.mark-line path')].map(p => getComputedStyle(p).stroke)"))
        visit.page.emulate_media(color_scheme="dark")
        dark = set(visit.run("[...document.querySelectorAll('.mark-line path')].map(p => getComputedStyle(p).stroke)"))
        assert "rgb(11, 90, 107)" in light and "rgb(108, 196, 214)" in dark and not light & dark


COLOURED_PIXELS = """async () => {
  const svg = document.querySelector('svg').cloneNode(true);
  svg.setAttribute('width', 350);
  svg.setAttribute('height', 170);
  svg.querySelectorAll('.mark-line path').forEach(p => p.setAttribute('stroke', '#f00'));
  const image = new Image();
  image.src = 'data:image/svg+xml,' + encodeURIComponent(new XMLSerializer().serializeToString(svg));
  await image.decode();
  const canvas = Object.assign(document.createElement('canvas'), {width: 400, height: 200}).getContext('2d');
  canvas.drawImage(image, 0, 0);
  const pixels = canvas.getImageData(0, 0, 400, 200).data;
  let count = 0;
  for (let at = 0; at < pixels.length; at += 4) count += pixels[at] > 200 && pixels[at + 1] < 50 && pixels[at + 3] > 100;
  return count;
}"""


@pytest.mark.parametrize("style", range(6))
def test_a_lone_value_shows_as_a_dot_in_every_dash(chromium: Any, tmp_path: Path, style: Any) -> None:
    """Two values that have no neighbours: two dots."""
    dates = [date(2026, month, 1) for month in range(1, 5)]
    chart = line_chart("Cost", dates, [Line("one", (1.0, None, 2.0, None), style, 3.0)], str)
    svg = str(present(chart).svg)
    page = tmp_path / "dots.html"
    found = []
    for drawn in (svg, svg.replace("h.1", "h0"), svg.replace("h.1", "Z")):
        page.write_text(f"<!DOCTYPE html><title>x</title>{drawn}")
        with Visit(chromium, page) as visit:
            found.append(visit.run(COLOURED_PIXELS))
    assert found[0] >= 8
    assert found[1] == found[2] == 0 or not style, "without a length dots are lost in dashes"


def test_figures_stand_flush_right_with_even_digits(chromium: Any, site: Any) -> None:
    with Visit(chromium, site / "public/comparison.html") as visit:
        styles = visit.run(
            "[...document.querySelectorAll('td.number')].map(c => [getComputedStyle(c).textAlign, "
            "getComputedStyle(c).fontVariantNumeric].join())"
        )
        assert styles and set(styles) == {"right,tabular-nums"}


def test_reading_order_and_names_for_those_who_listen(chromium: Any, site: Any) -> None:
    with Visit(chromium, site / "public/sheets/m00.html", 360) as visit:
        table = visit.page.get_by_role("table", name="What it costs today, in EUR").first
        assert table.get_by_role("rowheader").all_inner_texts() == [
            "Cheapest mix",
            "Hidden parts in any colour",
            "The maker's shop first, the rest elsewhere",
            "Exactly as designed",
        ]
        assert visit.page.locator("html").get_attribute("lang") == "en"
