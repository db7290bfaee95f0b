"""Rolling windows: a multilateral index that goes on month by month without revising what was published.

A multilateral index of a window revises all its months when the window moves. So only the newest month of each window is
used. It is joined to the series so far at one month that both have, or at all of these. For a window of w months that ends in
t, the overlap months o are:

- ``movement``: o = t - 1;
- ``window``: o = t - w + 1, the window's first month;
- ``half``: the window's middle month; of an even window, the later of the two in the middle;
- ``mean``: the geometric mean over all months o of the window before t.

*On published values* the newest month is I_t = I_o J_t / J_o, with I the published series and J the newest window: what was
published in o stands. The older way carries on from the month before, corrected by the previous window K:
I_t = I_{t-1} (J_t / J_o) / (K_{t-1} / K_o); the mean is again over all o. The two agree for the first month that is joined,
and for ``movement``. The mean splice on published values is the choice of the Office for National Statistics (2022, "Introducing
multilateral index methods into consumer price statistics"), with 25 months. The window splice is that of Krsinich (2016), splices
on published values are compared by Chessa (2019); both as the documentation of the R package gpindex names them at ``splice_index``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray, Panel

SPLICES = ("movement", "window", "half", "mean")
WINDOW_MONTHS = 25
"""Two years and the month before them: wide enough for two seasons of a seasonal item (ONS 2022)."""

WindowIndex = Callable[[Panel], FloatArray]


def rolling_index(
    panel: Panel, index: WindowIndex, window: int = WINDOW_MONTHS, splice: str = "mean", on_published: bool = True
) -> FloatArray:
    """The index of the first window, extended by one month for each further window: one relative per month of the panel.

    Args:
        panel: all months, in order and without gaps between them.
        index: the multilateral index of a window, such as :func:`~pipelines.trends.index_numbers.multilateral.geks`.
        window: months in a window, at least 2; a panel of no more months is one window.
        splice: one of ``SPLICES``.
        on_published: join to the published series, or to the previous window.

    Returns:
        Relatives, 1 in the first month; NaN where the index, or the month to join at, has no value.

    Raises:
        ValueError: the window is shorter than 2 months, or there is no such splice.
    """
    _check(window, splice)
    count = len(panel.months)
    rows = np.arange(count)
    previous = index(panel.only(rows < window))
    levels = np.full(count, np.nan)
    levels[: len(previous)] = previous
    for row in range(window, count):
        newest = index(panel.only((rows > row - window) & (rows <= row)))
        before = levels[row - window + 1 : row]
        if on_published:
            levels[row] = extended(before, newest, splice)
        else:
            levels[row] = _carried_on(before[-1], previous[1:], newest, splice)
        previous = newest
    return levels


def extended(published: FloatArray, newest: FloatArray, splice: str = "mean") -> float:
    """The level of a window's last month, joined to what was published for the months of the window before it.

    Args:
        published: levels of all months of the window but the last, NaN where nothing was published.
        newest: the index of the window; any base.
        splice: one of ``SPLICES``.

    Returns:
        The level on the published series' base; NaN where the month to join at has no value (for the mean: where none has one).
    """
    _check(len(newest), splice)
    candidates = _logs(published) + _logs(newest)[-1] - _logs(newest)[:-1]
    return _joined(candidates, splice)


def _carried_on(last_level: float, previous: FloatArray, newest: FloatArray, splice: str) -> float:
    """The level carried on from the last one; ``previous`` is the previous window from the newest one's first month on."""
    own, before = _logs(newest), _logs(previous)
    candidates = _logs(np.array([last_level])) + own[-1] - own[:-1] - before[-1] + before
    return _joined(candidates, splice)


def _joined(candidates: FloatArray, splice: str) -> float:
    """Of log levels by overlap month, the one that a splice takes."""
    if splice == "mean":
        known = candidates[np.isfinite(candidates)]
        return float(np.exp(known.mean())) if known.size else float("nan")
    place = {"movement": -1, "window": 0, "half": (len(candidates) + 1) // 2}[splice]
    return float(np.exp(candidates[place]))


def _logs(levels: Sequence[float] | FloatArray) -> FloatArray:
    return np.log(np.asarray(levels, dtype=np.float64))


def _check(window: int, splice: str) -> None:
    if splice not in SPLICES:
        raise ValueError(f"no splice is called {splice!r}; there are {', '.join(SPLICES)}")
    if window < 2:
        raise ValueError("a window has 2 months or more")
