"""What looking at lines could save: the curves, and the same in words."""

import pytest

from pipelines.reporting.drawings.look_curve import Looked, look_curve
from tests.present import present
from tests.reporting.drawings.drawing_parts import marks, stretches, texts


def as_text(value: float) -> str:
    return f"{value:.2f}"


LOOKED = [Looked(1, 4.0, 5.0), Looked(2, 6.0, 7.5), Looked(3, 8.0, 8.0), Looked(4, 8.0, 8.0)]


def test_the_curves_begin_at_nothing_and_are_as_high_as_what_is_saved() -> None:
    chart = look_curve("Could save, EUR", LOOKED, as_text)
    best, in_order = (stretches(path)[0] for path in marks(chart, "line"))
    assert len(best) == len(in_order) == 5 and best[0] == in_order[0] and best[-1] == in_order[-1]
    bottom = in_order[0][1]
    unit = (bottom - in_order[-1][1]) / 8
    assert [(bottom - y) / unit for _, y in in_order] == pytest.approx([0, 4, 6, 8, 8], abs=0.02)
    assert [(bottom - y) / unit for _, y in best] == pytest.approx([0, 5, 7.5, 8, 8], abs=0.02)
    assert texts(chart)[:3] == ["0", "2", "4"], "the number of lines is on the axis"
    assert present(chart).description == "Could save, EUR. 1 line: 4.00; 2 lines: 6.00; 3 lines: 8.00; 4 lines: 8.00."
    assert present(chart).figures.rows[1] == ("2", "6.00", "7.50")


def test_where_no_choice_is_better_than_the_order_there_is_one_curve() -> None:
    chart = look_curve("Could save, EUR", [Looked(1, 4.0, 4.0), Looked(2, 6.0, 6.0)], as_text)
    assert len(marks(chart, "line")) == 1 and len(present(chart).lines) == 1


def test_nothing_to_save_is_no_chart() -> None:
    assert look_curve("Could save", [Looked(1, 0.0, 0.0)], as_text) is None
    assert look_curve("Could save", [], as_text) is None
