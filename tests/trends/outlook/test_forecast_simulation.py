"""Simulated: forecasts are hardly ever shown for series that nobody can forecast, and often for those that can be."""

import pytest

from tests.benchmarks.forecast_bench import FALSE, TRUE, tried
from tests.builders.length import examples


@pytest.mark.parametrize("months", [40, 72])
@pytest.mark.parametrize("name", FALSE)
def test_false_alarms_stay_at_one_in_twenty(name: str, months: int) -> None:
    """The share shown, less two standard errors of it if it were exactly 5 %, is no more than 5 %."""
    series = examples(60, 1000)
    found = tried(FALSE[name], months, series, seed=11)
    print(
        f"{name}, {months} months, {series} series: {100 * found.shown:.1f} % shown, {100 * found.shown_before:.1f} % by the rule before"
    )
    assert found.shown <= 0.05 + 2 * (0.05 * 0.95 / series) ** 0.5
    # By trials of earlier errors alone: 80 %, a little more because few errors are rounded up.
    assert 0.77 <= found.inside_in_trials <= 0.88


@pytest.mark.parametrize(
    ("name", "least"), [("season of 3 sigma, noise on a line", 0.5), ("reverting, AR(1) 0.5", 0.2)]
)
def test_what_can_be_forecast_is_forecast_often(name: str, least: float) -> None:
    series = examples(40, 400)
    found = tried(TRUE[name], 84, series, seed=12)
    print(f"{name}, 84 months, {series} series: {100 * found.shown:.1f} % shown")
    assert found.shown >= least
    assert found.inside_where_shown >= 0.7
