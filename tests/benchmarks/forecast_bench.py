"""How often a forecast is shown for series that nobody can forecast, and for series that can be: a table, no test.

    python -m tests.benchmarks.forecast_bench --series 1000 --months 40,60,84

Simulated are monthly series of logarithms. Those of ``FALSE`` have no better forecast than a benchmark that a forecast must beat, or only one
that Theta can't make; a forecast shown for them is a false alarm. Those of ``TRUE`` can be forecast better than by any benchmark. Each series is tested as the only one of its month, which is the easiest case for a false alarm. Beside it stands
what the rule before would have shown: an error below 95 % of that of "same as last month". Coverage is the share of the months after the
series' end that lie inside the interval shown, for the series with a forecast, and measured by trials for all.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray
from pipelines.trends.outlook.forecast import HORIZON, forecast
from pipelines.trends.outlook.forecast_trials import SIGNIFICANCE, rolling_origin

SIGMA = 0.015
"""Standard deviation of a month's surprise."""
Path = Callable[[np.random.Generator, int], FloatArray]


def moving_walk(random: np.random.Generator, count: int, share: float, drift: float = 0.0) -> FloatArray:
    """A walk whose changes are a surprise and a share of the one before: MA(1)."""
    surprises = random.normal(0, SIGMA, count + 1)
    found: FloatArray = np.cumsum(drift + surprises[1:] + share * surprises[:-1])
    return found


def reverting(random: np.random.Generator, count: int, kept: float) -> FloatArray:
    """AR(1) around a constant level, from its long-run distribution."""
    found = np.empty(count)
    found[0] = random.normal(0, SIGMA / np.sqrt(1 - kept**2))
    for at in range(1, count):
        found[at] = kept * found[at - 1] + random.normal(0, SIGMA)
    return found


def season(random: np.random.Generator, count: int, size: float, drift: float, is_walk: bool = False) -> FloatArray:
    """A yearly wave on a line with noise, or on a walk."""
    rest = moving_walk(random, count, 0) if is_walk else random.normal(0, SIGMA, count)
    found: FloatArray = drift * np.arange(count) + size * np.cos(2 * np.pi * np.arange(count) / 12) + rest
    return found


FALSE: dict[str, Path] = {
    "walk": lambda random, count: moving_walk(random, count, 0),
    "walk, drift 0.2 sigma": lambda random, count: moving_walk(random, count, 0, 0.2 * SIGMA),
    "walk, drift 1 sigma": lambda random, count: moving_walk(random, count, 0, SIGMA),
    "walk, MA(1) +0.5": lambda random, count: moving_walk(random, count, 0.5),
    "walk, MA(1) +0.5, drift 0.2 sigma": lambda random, count: moving_walk(random, count, 0.5, 0.2 * SIGMA),
}
TRUE: dict[str, Path] = {
    "walk, MA(1) -0.3": lambda random, count: moving_walk(random, count, -0.3),
    "walk, MA(1) -0.6": lambda random, count: moving_walk(random, count, -0.6),
    "reverting, AR(1) 0.5": lambda random, count: reverting(random, count, 0.5),
    "reverting, AR(1) 0.9": lambda random, count: reverting(random, count, 0.9),
    "season of 3 sigma, noise on a line": lambda random, count: season(random, count, 3 * SIGMA, 0.2 * SIGMA),
    "season of 3 sigma on a walk": lambda random, count: season(random, count, 3 * SIGMA, 0, is_walk=True),
}


@dataclass(frozen=True)
class Found:
    """Shares of series and of months."""

    shown: float
    shown_before: float
    inside_where_shown: float
    inside_in_trials: float
    refused_for_coverage: float


def tried(path: Path, months: int, series: int, seed: int = 0) -> Found:
    """What the trials say of so many series of so many months."""
    shown, before, inside, trials, refused = [], [], [], [], []
    for number in range(series):
        logs = path(np.random.default_rng([seed, number]), months + HORIZON)
        known = 100 * np.exp(logs[:months])
        trial = rolling_origin(known, 1)
        is_better = trial.p_value <= SIGNIFICANCE
        refused.append(is_better and trial.is_coverage_too_low)
        shown.append(is_better and not trial.is_coverage_too_low)
        before.append(trial.error < 0.95 * trial.benchmark_error("naive"))
        trials.append(trial.coverage)
        if shown[-1]:
            misses = np.abs(np.log(100 * np.exp(logs[months:]) / forecast(known, 1).levels))
            inside.append(np.mean(misses <= trial.half_widths()))
    return Found(*(float(np.mean(part)) if part else float("nan") for part in (shown, before, inside, trials, refused)))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=1000)
    parser.add_argument("--months", default="40,60,84")
    given = parser.parse_args()
    headings = (
        "series",
        "months",
        "shown",
        "rule before",
        "inside where shown",
        "inside in trials",
        "refused for coverage",
    )
    print("| " + " | ".join(headings) + " |")
    print("|" + " --- |" + " ---: |" * (len(headings) - 1))
    began = time.process_time()
    for name, path in (FALSE | TRUE).items():
        for months in map(int, given.months.split(",")):
            found = tried(path, months, given.series)
            shares = (
                found.shown,
                found.shown_before,
                found.inside_where_shown,
                found.inside_in_trials,
                found.refused_for_coverage,
            )
            cells = [name, str(months), *("" if np.isnan(share) else f"{100 * share:.1f} %" for share in shares)]
            print("| " + " | ".join(cells) + " |", flush=True)
    print(f"\n{time.process_time() - began:.0f} CPU s")


if __name__ == "__main__":
    main()
