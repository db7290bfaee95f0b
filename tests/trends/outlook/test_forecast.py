"""Forecasts: the method against its own definition, planted drift and season, and no forecast where there is nothing to forecast."""

import subprocess
import sys
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from statsmodels.tsa.forecasting.theta import ThetaModel

from pipelines.trends.outlook.forecast import HORIZON, forecast
from pipelines.trends.outlook.seasonal import STRONG, decompose
from tests.present import present
from tests.trends.outlook.planted_levels import planted

NEAR = 1e-4
"""In logarithms: a hundredth of the noise in these series. Optimisers stop a little short of the best smoothing constant."""


def theta_by_its_lines(logs: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Theta as first defined: the mean of the straight line and of the smoothed line with doubled curvature.

    Assimakopoulos and Nikolopoulos 2000. It shares nothing with the formula under test; the smoothing constant is the best of a fine
    grid.
    """
    count = len(logs)
    when = np.arange(count)
    slope, start = np.polyfit(when, logs, 1)
    line = start + slope * np.arange(count + HORIZON)
    doubled = 2 * logs - line[:count]

    def smooth(values: npt.NDArray[Any], alpha: Any) -> tuple[Any, Any]:
        level, squares = values[0], 0.0
        for value in values[1:]:
            squares = squares + (value - level) ** 2
            level = level + alpha * (value - level)
        return level, squares

    grid = np.linspace(0, 1, 10_001)
    alpha = grid[np.argmin(smooth(logs, grid)[1])]
    level = smooth(doubled, alpha)[0]
    found: npt.NDArray[Any] = (line[count:] + level) / 2
    return found


def past(seed: int) -> npt.NDArray[Any]:
    """Logarithms of 24 months: a walk, drifting or not, or noise around a line, so that any smoothing constant may come out."""
    random = np.random.default_rng(seed)
    noise = random.normal(0, 0.01, 24)
    return 4.6 + (np.cumsum(noise + 0.004) if seed % 2 else 0.003 * np.arange(24) + noise)


@pytest.mark.parametrize("seed", range(6))
def test_the_forecast_is_the_mean_of_the_two_lines(seed: int) -> None:
    logs = past(seed)
    assert np.log(forecast(np.exp(logs), 1).levels) == pytest.approx(theta_by_its_lines(logs), abs=NEAR)


@pytest.mark.parametrize("seed", range(6))
def test_the_forecast_is_that_of_the_librarys_own_theta_model(seed: int) -> None:
    """It estimates the smoothing constant in another way: by maximum likelihood, with a Kalman filter."""
    logs = past(seed)
    expected = ThetaModel(logs, deseasonalize=False).fit().forecast(HORIZON)
    assert np.log(forecast(np.exp(logs), 1).levels) == pytest.approx(expected.to_numpy(), abs=NEAR)


def test_a_straight_line_goes_on_and_a_flat_one_stays() -> None:
    levels = 100 * np.exp(0.005 * np.arange(30))
    made = forecast(levels, 4)
    assert made.method == "theta"
    # Half the slope is what the method adds beyond the smoothed level, which lags by half a step at full smoothing.
    assert np.diff(np.log(made.levels)) == pytest.approx([0.0025] * 2)
    assert forecast(np.full(30, 80.0), 1).levels == pytest.approx([80.0] * 3)


def test_a_planted_season_is_found_within_half_a_point() -> None:
    season = decompose(np.log(planted(48)), 1)
    wave = 0.03 * np.cos(2 * np.pi * (np.arange(12) + 1 - 12) / 12)
    assert present(season).by_month == pytest.approx(wave, abs=0.005)
    assert present(season).strength > 0.9 and list(present(season).year_count) == [3] * 12
    assert (present(season).low <= present(season).by_month + 1e-12).all() and (
        present(season).by_month <= present(season).high + 1e-12
    ).all()
    assert present(season).by_month.sum() == pytest.approx(0)


def test_the_season_belongs_to_the_month_of_the_year_wherever_the_series_starts() -> None:
    whole = np.log(planted(60, noise=0.0))
    late = decompose(whole[5:], 6)
    assert present(late).by_month == pytest.approx(present(decompose(whole, 1)).by_month, abs=1e-6)


def test_two_years_are_too_few_and_noise_is_no_season() -> None:
    assert decompose(np.log(planted(35)), 1) is None
    noise = np.random.default_rng(1).normal(0, 0.01, 60)
    assert present(decompose(np.cumsum(noise), 1)).strength < STRONG
    assert forecast(np.exp(np.cumsum(noise)), 1).method == "theta"


def test_drift_and_season_go_on() -> None:
    made = forecast(planted(60), 1)
    assert made.method == "theta-seasonal"
    assert made.levels == pytest.approx(planted(63)[60:], rel=0.015)


def test_forecasts_are_the_same_in_every_run() -> None:
    """Another process gives the same bytes, whatever this one calculated before; and loads the library only to forecast."""
    script = (
        "import sys; import numpy as np; from pipelines.trends.outlook.forecast import forecast; assert 'statsmodels' not in sys.modules;"
        "sys.stdout.buffer.write(forecast(np.frombuffer(sys.stdin.buffer.read()), 3).levels.tobytes())"
    )
    levels = planted(40)
    process = subprocess.run([sys.executable, "-c", script], input=levels.tobytes(), check=True, stdout=subprocess.PIPE)
    assert process.stdout == forecast(levels, 3).levels.tobytes()
