"""Lines and bands: what is drawn, what is said in words, and that both come out the same everywhere."""

from datetime import date
from typing import Any

import pytest

from pipelines.reporting.drawings.chart import Line
from pipelines.reporting.drawings.lines import ShadedBand, line_chart
from tests.present import present
from tests.reporting.drawings.drawing_parts import marks, stretches, texts

DATES = tuple(date(2026, month, 28) for month in range(1, 7))
LINES = (
    Line("Cheapest mix", (10.0, 11.0, None, 9.0, 12.0, 13.0), 0),
    Line("Never known", (None,) * 6, 1),
    Line("Now and then", (20.0, None, 21.0, None, 22.0, None), 2),
)


def as_text(value: Any) -> Any:
    return f"{value:.2f}"


def test_every_known_value_is_a_vertex_and_gaps_stay_gaps() -> None:
    chart = line_chart("Cost, EUR", DATES, LINES, as_text)
    second, first = marks(chart, "line")
    assert [len(stretch) for stretch in stretches(first)] == [2, 3]
    # Lone values show as dots: very short lines with round ends.
    assert [len(stretch) for stretch in stretches(second)] == [1, 1, 1]
    assert present(second.get("d")).count("h.1") == 3 and "Z" not in present(second.get("d"))
    assert [line.label for line in present(chart).lines] == ["Cheapest mix", "Now and then"]


@pytest.mark.parametrize("shown", range(1, 7))
def test_a_line_ends_where_the_reader_is_not_to_look_further(shown: Any) -> None:
    whole, part = (line_chart("Cost", DATES, LINES, as_text, until) for until in (None, DATES[shown - 1]))
    if shown == 1:
        assert part is None, "one value is no line"
        return
    for line, path, full in zip(reversed(present(part).lines), marks(part, "line"), marks(whole, "line"), strict=True):
        known = sum(value is not None for value in line.values)
        assert len(line.values) == shown
        assert sum(len(stretch) for stretch in stretches(path)) == known
        assert present(full.get("d")).startswith(present(path.get("d")).removesuffix("h.1"))
        # A lone point must have a length, or nothing is drawn.
        assert present(path.get("d")).count("h.1") == sum(len(stretch) == 1 for stretch in stretches(path))
    assert len(present(part).figures.rows) == shown
    assert DATES[shown - 1].strftime("%-d %B %Y") in present(part).description


BAND = ShadedBand("Between", (9.0, None, 8.0, 8.5, 9.0, None), (11.0, None, 12.0, 13.0, 12.0, None))


def band_vertices(chart: Any) -> Any:
    (path,) = marks(chart, "area")
    assert all(each.endswith("Z") for each in present(path.get("d")).split("M")[1:]), "each stretch is closed"
    return [len(stretch) for stretch in stretches(path)]


@pytest.mark.parametrize(("shown", "stretches"), [(6, [2, 6]), (5, [2, 6]), (4, [2, 4]), (3, [2, 2])])
def test_a_band_breaks_at_gaps_and_ends_with_the_lines(shown: int, stretches: list[int]) -> None:
    """There along one edge and back along the other: two vertices for every date."""
    chart = line_chart("Cost", DATES, LINES[:1], as_text, DATES[shown - 1], BAND)
    assert band_vertices(chart) == stretches
    assert present(chart).areas == (("Between", "var(--series-1)"),)
    assert present(chart).figures.rows[2][-2:] == ("8.00", "12.00")
    reported = {6: "9.00 to 12.00 on 28 May", 3: "8.00 to 12.00 on 28 March"}
    assert reported.get(shown, "Between: ") in present(chart).description


def test_a_cut_band_is_the_beginning_of_the_whole_one() -> None:
    whole, part = (line_chart("Cost", DATES, LINES[:1], as_text, until, BAND) for until in (None, DATES[3]))
    points = [{point for stretch in stretches(marks(chart, "area")[0]) for point in stretch} for chart in (whole, part)]
    assert points[1] < points[0]


def test_a_band_without_two_values_is_left_out() -> None:
    lone = ShadedBand("Between", (9.0,) + (None,) * 5, (11.0,) + (None,) * 5)
    chart = line_chart("Cost", DATES, LINES[:1], as_text, None, lone)
    assert not marks(chart, "area") and not present(chart).areas


def test_nothing_to_draw_is_no_chart() -> None:
    assert line_chart("Cost", DATES, LINES[1:2], as_text) is None
    assert line_chart("Cost", (), (), as_text) is None
    assert line_chart("Cost", DATES, [Line("Late", (None, None, 1.0, 2.0, 3.0, 4.0), 0)], as_text, DATES[1]) is None


def test_a_single_date_is_no_chart() -> None:
    assert line_chart("Cost", DATES[:1], [Line("One", (5.0,), 0), Line("Two", (6.0,), 1)], as_text) is None


def test_thin_lines_lie_above_thick_ones_and_the_first_above_others_of_its_width() -> None:
    widths = (2.5, 1.0, 1.0)
    lines = [Line(str(style), (1.0 + style,) * 6, style, width) for style, width in enumerate(widths)]
    drawn = [path.get("stroke") for path in marks(line_chart("Cost", DATES, lines, as_text), "line")]
    assert drawn == ["var(--series-1)", "var(--series-3)", "var(--series-2)"]


def test_the_chart_says_in_words_what_it_shows() -> None:
    chart = line_chart("Cost, EUR", DATES, LINES, as_text)
    assert present(chart).description == (
        "Cost, EUR, 28 January 2026 to 28 June 2026. "
        "Cheapest mix: from 10.00 to 13.00, lowest 9.00 on 28 April 2026. "
        "Now and then: from 20.00 to 22.00, lowest 20.00 on 28 January 2026."
    )
    assert present(chart).figures.rows[2] == ("28 March 2026", "–", "21.00")


def test_days_or_months_are_on_the_axis_and_all_dates_whatever_is_shown() -> None:
    whole, part = (line_chart("Cost", DATES, LINES[:1], as_text, until) for until in (None, DATES[3]))
    assert texts(whole) == texts(part) and texts(whole)[:3] == ["Jan 2026", "Apr 2026", "Jun 2026"]
    days = [date(2026, 11, day) for day in (1, 12, 25)]
    assert texts(line_chart("Cost", days, [Line("a", (1.0, 2.0, 4.0), 0)], as_text))[:3] == [
        "1 Nov",
        "12 Nov",
        "25 Nov",
    ]


def test_a_drawing_that_was_cut_leaves_the_whole_one_as_it_is() -> None:
    before = present(line_chart("Cost", DATES, LINES, as_text, None, BAND)).svg
    line_chart("Cost", DATES, LINES, as_text, DATES[2], BAND)
    assert present(line_chart("Cost", DATES, LINES, as_text, None, BAND)).svg == before


def test_lines_differ_by_dash_as_well_as_by_colour() -> None:
    lines = [Line(str(style), (1.0 + style,) * 6, style) for style in range(6)]
    assert len({line.dash for line in lines}) == len({line.colour for line in lines}) == 6
