"""Orders in whole packs: what every offer gains is what trying all quantities finds, and so are the prices made of it."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.planner.bounds.lagrangean import Lagrangean
from pipelines.planner.bounds.ruled_vendors import RuledOrders
from pipelines.planner.statement.make_arrays import arrays_of
from pipelines.planner.statement.problem_arrays import ProblemArrays
from tests.builders.length import examples
from tests.oracle.random_problems import problems
from tests.planner.test_solve import QUIET


def served(lagrangean: Lagrangean, offer: int, paid: Any, pieces: int) -> float:
    """What the uses of an offer pay for so many pieces, the best paid first."""
    uses = np.flatnonzero(lagrangean.arrays.use_offer[lagrangean.use] == offer).tolist()
    revenue, left = 0.0, float(pieces)
    for use in sorted(uses, key=lambda use: -paid[use]):
        taken = min(left, lagrangean.use_want[use])
        revenue, left = revenue + taken * max(paid[use], 0.0), left - taken
    return revenue


def gain(lagrangean: Lagrangean, offer: int, paid: Any, level: float) -> float:
    """The most that an offer gains, by trying every quantity on sale."""
    arrays: ProblemArrays = lagrangean.arrays
    best = 0.0
    for step in np.flatnonzero(arrays.step_offer == offer).tolist():
        for pieces in range(
            int(arrays.step_least[step]), int(arrays.step_most[step]) + 1, int(arrays.offer_multiple[offer])
        ):
            goods = arrays.step_base[step] + arrays.step_price[step] * pieces
            best = max(best, served(lagrangean, offer, paid, pieces) - level * goods)
    return best


@settings(max_examples=examples(100, 3000), **QUIET)
@given(st.one_of(problems(packs=True), problems()), st.integers(0, 2**32 - 1))
def test_offers_gain_what_their_best_quantity_gains(problem: Any, seed: int) -> None:
    arrays = arrays_of(problem)
    lagrangean = Lagrangean.of(arrays, 0)
    paid = np.random.default_rng(seed).normal(1.0, 1.5, len(lagrangean.use))
    for ruled in lagrangean._ruled:
        orders = RuledOrders(ruled, np.maximum(paid[ruled.use], 0.0))
        for place, offer in enumerate(ruled.offer.tolist()):
            levels = ruled.bands.levels[ruled.vendor[place]]
            expected = [gain(lagrangean, offer, paid, level) for level in levels.tolist()]
            assert orders._gains[place] == pytest.approx(expected, abs=1e-9)
        for band in range(orders.least.shape[1]):
            _assert_same_gains(lagrangean, orders, paid, band)


def _assert_same_gains(lagrangean: Lagrangean, orders: RuledOrders, paid: Any, band: int) -> None:
    """An offer without handling charge gains as much by the piece, at its one price, as in whole packs."""
    ruled, arrays = orders.ruled, lagrangean.arrays
    if np.isinf(ruled.bands.charge[:, band]).all(axis=1).any():
        return
    unit = orders.unit_prices(band)[1]
    level = orders._worth[:, band].argmax(axis=1)
    for place, offer in enumerate(ruled.offer.tolist()):
        if ruled.handling[place] < 0:
            pieces = float(arrays.offer_most[offer])
            uses, by_piece = np.flatnonzero(arrays.use_offer[lagrangean.use] == offer), 0.0
            for use in uses[np.argsort(-paid[uses], kind="stable")].tolist():
                taken = min(pieces, lagrangean.use_want[use])
                by_piece, pieces = by_piece + taken * max(max(paid[use], 0.0) - unit[place], 0.0), pieces - taken
            assert by_piece == pytest.approx(orders._gains[place, level[ruled.vendor[place]]], abs=1e-9)
