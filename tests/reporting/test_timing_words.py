"""What the forecast's intervals say about waiting, and nothing beyond them."""

from typing import Any

import pytest

from pipelines.reporting.sections.timing import waiting_words


def ahead(*intervals: tuple[float, float]) -> list[dict[str, Any]]:
    months = ("2026-12", "2027-01", "2027-02")
    return [
        {"month": month, "forecast_low": low, "forecast_high": high}
        for month, (low, high) in zip(months, intervals, strict=False)
    ]


@pytest.mark.parametrize(
    ("intervals", "words"),
    [
        (((95, 105), (90, 100), (100, 110)), ["Today's index is inside every interval: the forecast does not show whether waiting pays."]),
        (((95, 105), (90, 99), (80, 99.9)), ["The whole interval of January 2027 and February 2027 is below today's index."]),
        (
            ((90, 99), (101, 105), (99, 105)),
            ["The whole interval of December 2026 is below today's index.", "The whole interval of January 2027 is above today's index."],
        ),
        ((), []),
    ],
)  # fmt: skip
def test_a_side_is_named_only_where_the_whole_interval_is_on_it(intervals: Any, words: list[str]) -> None:
    assert waiting_words(ahead(*intervals), 100) == words
    assert waiting_words(ahead(*intervals), None) == []
