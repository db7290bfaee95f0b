"""What all drawings keep to: words for those who listen, colours of the page, no ids, no links, the same bytes each time."""

import json
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from xml.etree.ElementTree import fromstring

import altair
import pytest

from pipelines.money import Interval
from pipelines.reporting.basis import look
from pipelines.reporting.basis.page_tables import Table
from pipelines.reporting.drawings import elements, vega
from pipelines.reporting.drawings.bars import Bar, bar_chart
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.lines import ShadedBand, line_chart
from pipelines.reporting.drawings.look_curve import Looked, look_curve
from pipelines.reporting.drawings.share_picture import Shared, share_svg, write_share_picture
from pipelines.reporting.drawings.spreads import Spread, spread_chart
from pipelines.reporting.drawings.stacked import Segment, Stack, stacked_chart
from pipelines.reporting.drawings.timeline import timeline
from pipelines.reporting.drawings.tornado import Change, TwoSidedBar, tornado
from pipelines.resources import resource_folder
from tests.present import present
from tests.reporting.drawings.drawing_parts import parts

SPECIFICATIONS = sorted((resource_folder("reports") / "charts").glob("*.vl.json"))
HARMFUL = 'A "name" <b onload="x"> & more of it'
DATES = [date(2025, month, 28) for month in range(1, 13)]
RISING = tuple(float(month) for month in range(12))


def as_text(value: float) -> str:
    return f"{value:+.1f}"


def change(amount: int, words: str = "x") -> Change:
    return Change(Decimal(amount), Interval(Decimal(amount - 1), Decimal(amount + 1)), words)


def drawings() -> dict[str, Chart]:
    """One of each kind, with a name that must be escaped."""
    made = {
        "lines": line_chart(HARMFUL, DATES, [Line(HARMFUL, RISING, 0), Line("b", RISING[::-1], 1)], as_text, None, ShadedBand("between", RISING, tuple(v + 1 for v in RISING))),
        "bars": bar_chart(HARMFUL, [Bar(HARMFUL, 1.0), Bar("b", -2.0), Bar("c", 1.0, True)], as_text, HARMFUL),
        "spreads": spread_chart(HARMFUL, "Model", [Spread(HARMFUL, (-2, -1, 0, 3, 8)), Spread("b", (0, 1, 2, 3, 4))], as_text),
        "tornado": tornado(HARMFUL, [TwoSidedBar(HARMFUL, change(-1, HARMFUL), change(2)), TwoSidedBar("b", change(-3), None)]),
        "stacked": stacked_chart(HARMFUL, "Model", ("One", "Two"), [Stack(HARMFUL, (Segment(0, 2.0), Segment(1, -1.0, True)), "+1.0")], HARMFUL, Table("x", (), ())),
        "timeline": timeline(HARMFUL, DATES, RISING, [(v, v + 1) for v in RISING], [(DATES[3], "L")], {"L": "list"}, as_text, "band", "line"),
        "look_curve": look_curve(HARMFUL, [Looked(1, 2.0, 3.0), Looked(2, 4.0, 4.0)], as_text),
    }  # fmt: skip
    return {kind: present(chart) for kind, chart in made.items()}


KINDS = tuple(drawings())


@pytest.mark.parametrize("path", SPECIFICATIONS, ids=lambda path: path.name)
def test_specifications_are_valid_vega_lite_with_the_look_of_all(path: Path) -> None:
    spec = vega.specification(path.name.removesuffix(".vl.json"))
    assert "config" not in json.loads(path.read_text(encoding="utf-8")), "colours and sizes are in one place"
    kind = altair.LayerChart if "layer" in spec else altair.Chart
    kind.from_dict(spec)
    with pytest.raises(Exception, match="nonsense"):
        kind.from_dict({**spec, "encoding": "nonsense"})


@pytest.mark.parametrize("kind", KINDS)
def test_a_drawing_is_one_picture_with_words(kind: str) -> None:
    chart = drawings()[kind]
    root = fromstring(chart.svg)
    assert root.get("role") == "img" and root.get("aria-label") == chart.description
    assert chart.description.startswith(HARMFUL) and len(chart.description) > len(HARMFUL) + 10


@pytest.mark.parametrize("kind", KINDS)
def test_a_drawing_has_no_ids_no_links_no_styles_and_the_pages_colours(kind: str) -> None:
    chart = drawings()[kind]
    known = {look.INK, look.PAPER, look.RULE, look.BOX, *look.SERIES, "none", None}
    tags = set()
    for element in fromstring(chart.svg).iter():
        tags.add(element.tag)
        assert not {"id", "style", "href", "onload"} & set(element.attrib)
        assert not [name for name in element.attrib if name.startswith("{")], "no other vocabulary"
        assert element.get("fill") in known and element.get("stroke") in known
    assert tags <= {f"{{{elements.NAMESPACE}}}{tag}" for tag in ("svg", "g", "path", "line", "rect", "text")}


@pytest.mark.parametrize("kind", KINDS)
def test_all_text_has_the_one_size(kind: str) -> None:
    chart = drawings()[kind]
    assert fromstring(chart.svg).get("font-size") == str(look.TEXT)
    assert parts(chart, "text") and not [text for text in parts(chart, "text") if text.get("font-size")]


def test_coordinates_are_short_and_never_minus_nothing() -> None:
    assert [elements.written(value) for value in (1.0, 2.25, -0.04, 0.0, 1e6, -3.16)] == ["1", "2.2", "0", "0", "1000000", "-3.2"]  # fmt: skip


def test_text_is_cut_only_where_it_does_not_fit() -> None:
    name = "An endless family of parts"
    assert look.fitting(name, look.width_of(name)) == name
    cut = look.fitting(name, look.width_of(name) - 1)
    assert cut.endswith("…") and name.startswith(cut[:-1]) and look.width_of(cut) <= look.width_of(name) - 1
    assert look.fitting(name, 1.0) == "…"


def test_the_palette_is_the_pages() -> None:
    assert {*look.SERIES, look.PAPER, look.RULE, look.BOX, look.INK} <= set(look.light_colours())
    assert all(value.startswith("#") for value in look.light_colours().values())


def shared(**words: str) -> Shared:
    named = dict.fromkeys(("title", "figure", "note", "finding", "line_words", "source"), "") | words
    return Shared(dates=tuple(DATES), values=(None, *RISING[1:]), **named)


WORDS = ("title", "figure", "note", "finding", "line_words", "source")


def test_the_share_picture_has_values_for_colours_and_a_size() -> None:
    made = fromstring(share_svg(shared(title=HARMFUL, figure="12.00 EUR"), as_text))
    colours = {element.get(name) for element in made.iter() for name in ("fill", "stroke")} - {None, "none"}
    assert colours and all(present(colour).startswith("#") for colour in colours)
    assert (made.get("width"), made.get("height")) == ("1200", "630")


def test_the_share_picture_has_the_same_bytes_twice_and_draws_each_of_its_words(tmp_path: Path) -> None:
    """A font that is not known would drop all text without a word."""
    whole = shared(**dict.fromkeys(WORDS, "Words of zł, € and ü"))
    one, two = (write_share_picture(tmp_path / name, whole, as_text).read_bytes() for name in ("a.png", "b.png"))
    assert one == two and one[16:24] == (1200).to_bytes(4, "big") + (630).to_bytes(4, "big")
    for left_out in WORDS:
        fewer = shared(**(dict.fromkeys(WORDS, "Words of zł, € and ü") | {left_out: "-"}))
        assert write_share_picture(tmp_path / "c.png", fewer, as_text).read_bytes() != one, left_out


def test_a_share_picture_without_two_values_has_no_line_and_long_words_stay_inside() -> None:
    alone = replace(shared(title="x " * 200, finding="word " * 200), values=(None, 1.0, *[None] * 10))
    made = fromstring(share_svg(alone, as_text))
    assert not [element for element in made if element.tag.endswith("path")]
    texts = [element.text or "" for element in made if element.tag.endswith("text")]
    assert texts[0].endswith("…") and texts[3].endswith("…") and len(texts) == 5
