"""Charts: what is drawn, what is said in words, and that both come out the same everywhere."""

import json
import re
from datetime import date
from typing import Any

import altair
import pytest

from pipelines.reporting.charts import Band, Line, line_chart
from pipelines.resources import resource_folder
from tests.present import present

DATES = tuple(date(2026, month, 28) for month in range(1, 7))
LINES = (
    Line("Cheapest mix", (10.0, 11.0, None, 9.0, 12.0, 13.0), 0),
    Line("Never known", (None,) * 6, 1),
    Line("Now and then", (20.0, None, 21.0, None, 22.0, None), 2),
)


def tell(value: Any) -> Any:
    return f"{value:.2f}"


def paths(chart: Any) -> Any:
    return re.findall(r'mark-line[^>]*><path d="([^"]*)"', chart.svg)


def test_the_specification_is_valid_vega_lite() -> None:
    specification = json.loads((resource_folder("reports") / "charts" / "lines.vl.json").read_text(encoding="utf-8"))
    altair.Chart.from_dict(specification)
    with pytest.raises(Exception, match="nonsense"):
        altair.Chart.from_dict({**specification, "layer": "nonsense"})


def test_every_known_value_is_a_vertex_and_gaps_stay_gaps() -> None:
    chart = line_chart("Cost, EUR", DATES, LINES, tell)
    second, first = paths(chart)
    assert len(re.findall("[ML]", first)) == 5 and first.count("M") == 2
    # Lone values show as dots: very short lines with round ends.
    assert second.count("h.1") == 3 and "Z" not in second
    assert [line.label for line in present(chart).lines] == ["Cheapest mix", "Now and then"]


@pytest.mark.parametrize("shown", range(1, 7))
def test_a_line_ends_where_the_reader_is_not_to_look_further(shown: Any) -> None:
    whole, part = (line_chart("Cost", DATES, LINES, tell, until) for until in (None, DATES[shown - 1]))
    if shown == 1:
        assert part is None, "one value is no line"
        return
    for line, path, full in zip(reversed(present(part).lines), paths(part), paths(whole), strict=True):
        known = sum(value is not None for value in line.values)
        assert len(line.values) == shown
        assert len(re.findall("[ML]", path)) == known
        assert full.startswith(path.removesuffix("h.1"))
        # A lone vertex must have a length, or nothing is drawn.
        assert not re.search(r"M[^LMh]*(M|$)", path)
    assert len(present(part).figures.rows) == shown
    assert DATES[shown - 1].strftime("%-d %B %Y") in present(part).description


BAND = Band("Between", (9.0, None, 8.0, 8.5, 9.0, None), (11.0, None, 12.0, 13.0, 12.0, None))


def band_vertices(chart: Any) -> Any:
    (found,) = re.findall(r'mark-area[^>]*><path d="([^"]*)"', chart.svg)
    return [len(re.findall("[ML]", stretch)) for stretch in re.findall("M[^M]*", found)]


@pytest.mark.parametrize(("shown", "stretches"), [(6, [2, 6]), (5, [2, 6]), (4, [2, 4]), (3, [2, 2])])
def test_a_band_breaks_at_gaps_and_ends_with_the_lines(shown: int, stretches: list[int]) -> None:
    """There along one edge and back along the other: two vertices for every date."""
    chart = line_chart("Cost", DATES, LINES[:1], tell, DATES[shown - 1], BAND)
    assert band_vertices(chart) == stretches
    assert present(chart).areas == (("Between", "var(--series-1)"),)
    assert present(chart).figures.rows[2][-2:] == ("8.00", "12.00")
    told = {6: "9.00 to 12.00 on 28 May", 3: "8.00 to 12.00 on 28 March"}
    assert told.get(shown, "Between: ") in present(chart).description


def test_a_cut_band_is_the_beginning_of_the_whole_one() -> None:
    whole, part = (line_chart("Cost", DATES, LINES[:1], tell, until, BAND) for until in (None, DATES[3]))
    points = [
        re.findall(r"[\d.]+,[\d.]+", re.findall(r'mark-area[^>]*><path d="([^"]*)"', present(c).svg)[0])
        for c in (whole, part)
    ]
    assert set(points[1]) < set(points[0])


def test_a_band_without_two_values_is_left_out() -> None:
    lone = Band("Between", (9.0,) + (None,) * 5, (11.0,) + (None,) * 5)
    chart = line_chart("Cost", DATES, LINES[:1], tell, None, lone)
    assert "mark-area" not in present(chart).svg and not present(chart).areas


def test_nothing_to_draw_is_no_chart() -> None:
    assert line_chart("Cost", DATES, LINES[1:2], tell) is None
    assert line_chart("Cost", (), (), tell) is None
    assert line_chart("Cost", DATES, [Line("Late", (None, None, 1.0, 2.0, 3.0, 4.0), 0)], tell, DATES[1]) is None


def test_a_single_date_is_no_chart() -> None:
    assert line_chart("Cost", DATES[:1], [Line("One", (5.0,), 0), Line("Two", (6.0,), 1)], tell) is None


def test_thin_lines_lie_above_thick_ones_and_the_first_above_others_of_its_width() -> None:
    widths = (2.5, 1.0, 1.0)
    lines = [Line(str(style), (1.0 + style,) * 6, style, width) for style, width in enumerate(widths)]
    svg = present(line_chart("Cost", DATES, lines, tell)).svg
    drawn = re.findall(r'mark-line[^>]*><path [^>]*stroke="var\(--series-(\d)\)"', svg)
    assert drawn == ["1", "3", "2"]


def test_the_chart_says_in_words_what_it_shows() -> None:
    chart = line_chart("Cost, EUR", DATES, LINES, tell)
    assert present(chart).description == (
        "Cost, EUR, 28 January 2026 to 28 June 2026. "
        "Cheapest mix: from 10.00 to 13.00, lowest 9.00 on 28 April 2026. "
        "Now and then: from 20.00 to 22.00, lowest 20.00 on 28 January 2026."
    )
    assert present(chart).figures.rows[2] == ("28 March 2026", "–", "21.00")


def test_the_drawing_has_no_ids_no_links_and_follows_the_pages_colours() -> None:
    svg = present(line_chart("Cost, EUR", DATES, LINES, tell)).svg
    assert " id=" not in svg and "href" not in svg.replace("xmlns:xlink", "")
    assert set(re.findall(r'stroke="([^"]*)"', svg)) <= {"var(--series-1)", "var(--series-3)", "var(--rule)"}
    assert set(re.findall(r'fill="([^"]*)"', svg)) <= {"none", "currentColor"}


def test_lines_differ_by_dash_as_well_as_by_colour() -> None:
    lines = [Line(str(style), (1.0 + style,) * 6, style) for style in range(6)]
    assert len({line.dash for line in lines}) == len({line.colour for line in lines}) == 6
