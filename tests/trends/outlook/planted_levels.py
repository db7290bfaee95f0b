"""Index levels of known drift, season and noise."""

from typing import Any

import numpy as np
import numpy.typing as npt


def planted(
    months: int, drift: float = 0.005, season: float = 0.03, noise: float = 0.002, seed: int = 3, peak: int = 12
) -> npt.NDArray[Any]:
    """Levels with a drift a month, a season that peaks in a month of the year, and noise; the first month is a January."""
    when = np.arange(months)
    wave = season * np.cos(2 * np.pi * (when + 1 - peak) / 12)
    return 100 * np.exp(drift * when + wave + np.random.default_rng(seed).normal(0, noise, months))
