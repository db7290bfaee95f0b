"""Trials of forecasts: three benchmarks, intervals from earlier errors, and no forecast that is not earned."""

import numpy as np
import numpy.typing as npt
import pytest

from pipelines.trends.outlook.accuracy_test import chance_of_mean
from pipelines.trends.outlook.forecast import HORIZON, forecast
from pipelines.trends.outlook.forecast_trials import (
    BENCHMARKS,
    LEAST_HISTORY,
    LEAST_MONTHS_TO_TEST,
    LEAST_ORIGINS,
    LEVEL,
    SIGNIFICANCE,
    Trial,
    benchmarks,
    rolling_origin,
)
from tests.builders.length import examples
from tests.trends.outlook.planted_levels import planted


def made_up(errors: npt.NDArray[np.float64], *others: npt.NDArray[np.float64]) -> Trial:
    return Trial(errors, dict(zip(BENCHMARKS, others or (errors + 1,) * 3, strict=True)))


def noise(count: int, seed: int = 1, scale: float = 1.0) -> npt.NDArray[np.float64]:
    found: npt.NDArray[np.float64] = np.abs(np.random.default_rng(seed).normal(0, scale, (count, HORIZON)))
    return found


def test_benchmarks_by_hand() -> None:
    logs = np.array([0.0, 5, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12])
    found = benchmarks(logs)
    assert found["naive"].tolist() == [12, 12, 12]
    assert found["drift"].tolist() == [13, 14, 15]
    assert found["seasonal_naive"].tolist() == [5, 1, 2]
    assert benchmarks(logs[1:])["seasonal_naive"].tolist() == [5, 1, 2]


def test_a_forecast_must_beat_every_benchmark() -> None:
    """The p-value is the worst of three: one benchmark as good as the forecast is enough against it."""
    errors = noise(30)
    dull = errors + 0.5 + 0.1 * noise(30, 2)
    good = made_up(errors, dull, dull, dull)
    assert good.p_value < 0.001
    for at in range(3):
        others = [dull, dull, dull]
        others[at] = noise(30, 7)
        trial = made_up(errors, *others)
        expected = chance_of_mean((others[at] - errors).mean(axis=1), HORIZON)[1]
        assert trial.p_value == pytest.approx(expected) and trial.p_value > SIGNIFICANCE


def test_only_origins_with_all_months_known_count() -> None:
    errors = noise(LEAST_ORIGINS + 1)
    errors[-2, 2:], errors[-1, 1:] = np.nan, np.nan
    trial = made_up(errors)
    assert trial.origin_count == LEAST_ORIGINS - 1 and not trial.is_long_enough and trial.p_value == 1
    assert trial.error == pytest.approx(errors[:-2].mean())
    assert trial.benchmark_error("drift") == pytest.approx(errors[:-2].mean() + 1)


def test_coverage_comes_from_earlier_errors_alone() -> None:
    """By a plain loop: at origin r the error h months ahead of origin j is known if j + h is at most r."""
    errors = noise(24)
    errors[-1, 1:], errors[-2, 2:] = np.nan, np.nan
    inside = []
    for origin in range(24):
        for step in range(HORIZON):
            known = sorted(errors[j, step] for j in range(24) if j + step + 1 <= origin)
            # Of n + 1 errors at least four in five are no larger than the one ranked so.
            rank = -(-4 * (len(known) + 1) // 5)
            if rank <= len(known) and np.isfinite(errors[origin, step]):
                inside.append(errors[origin, step] <= known[rank - 1])
    assert made_up(errors).coverage == pytest.approx(np.mean(inside))
    assert not made_up(errors).is_coverage_too_low


def test_intervals_that_clearly_fail_are_noticed() -> None:
    growing = noise(40) * 1.2 ** np.arange(40)[:, None]
    assert made_up(growing).coverage < 0.6 and made_up(growing).is_coverage_too_low
    assert not made_up(noise(40) * 0.9 ** np.arange(40)[:, None]).is_coverage_too_low
    assert made_up(noise(3)).is_coverage_too_low and np.isnan(made_up(noise(3)).coverage)


@pytest.mark.parametrize(
    ("months", "first"), [(13, 12), (LEAST_MONTHS_TO_TEST, 12), (45, 19), (62, 36), (90, 36)], ids=str
)
def test_trials_begin_where_a_season_can_be_seen_if_enough_are_left(months: int, first: int) -> None:
    trial = rolling_origin(planted(months), 1)
    assert len(trial.errors) == months - first
    assert trial.is_long_enough == (months >= LEAST_MONTHS_TO_TEST)
    assert trial.origin_count == max(0, months - first - HORIZON + 1)


def test_trials_use_only_what_was_known_then() -> None:
    levels = planted(70)
    changed = np.concatenate([levels[:-1], [500.0]])
    one, other = rolling_origin(levels, 1), rolling_origin(changed, 1)
    for mine, theirs in (
        (one.errors, other.errors),
        *zip(one.of_benchmarks.values(), other.of_benchmarks.values(), strict=True),
    ):
        assert np.array_equal(mine[:-HORIZON], theirs[:-HORIZON]) and (mine != theirs).any()


def test_a_drift_alone_is_not_earned_because_the_mean_change_forecasts_it_as_well() -> None:
    trial = rolling_origin(planted(72, season=0, noise=0), 1)
    assert trial.error < 0.6 * trial.benchmark_error("naive")
    assert trial.benchmark_error("drift") == pytest.approx(0, abs=1e-9) and trial.p_value > 0.9


def test_a_season_with_a_drift_is_earned() -> None:
    trial = rolling_origin(planted(84, noise=0.004), 1)
    assert trial.p_value < SIGNIFICANCE and not trial.is_coverage_too_low
    assert trial.error < min(map(trial.benchmark_error, BENCHMARKS))


def test_a_short_past_gives_no_verdict() -> None:
    trial = rolling_origin(planted(LEAST_HISTORY), 1)
    assert trial.origin_count == 0 and trial.p_value == 1 and np.isnan(trial.error) and trial.is_coverage_too_low


def test_the_interval_is_what_four_of_five_errors_kept_to() -> None:
    trial = rolling_origin(planted(60, season=0, noise=0.01), 1)
    for ahead, width in enumerate(trial.half_widths()):
        errors = trial.errors[:, ahead]
        errors = errors[np.isfinite(errors)]
        assert np.mean(errors <= width) >= LEVEL
        assert np.mean(errors < width) <= LEVEL + 0.05


def test_the_interval_holds_about_four_times_in_five_for_months_that_no_trial_has_seen() -> None:
    """Simulated: a drift with noise around it, 38 months known, and the next months against the interval made then."""
    number = examples(40, 600)
    kept = np.zeros(HORIZON)
    for seed in range(number):
        levels = planted(LEAST_MONTHS_TO_TEST + HORIZON, season=0, noise=0.01, seed=seed)
        known = levels[:LEAST_MONTHS_TO_TEST]
        misses = np.abs(np.log(levels[LEAST_MONTHS_TO_TEST:] / forecast(known, 1).levels))
        kept += misses <= rolling_origin(known, 1).half_widths()
    # Three standard errors of a share of 40.
    assert kept / number == pytest.approx(np.full(HORIZON, LEVEL), abs=0.19)
    assert kept.mean() / number == pytest.approx(LEVEL, abs=0.12)
