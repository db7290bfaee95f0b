"""Savings found in several processes."""

from tests.builders.markets import (
    flexibility,
    line,
    make_market,
    make_model,
    offer,
)
from tests.builders.savings_found import worked_out


def test_several_processes_find_the_same() -> None:
    model = make_model([line(n, "brick", "red", n) for n in (1, 2, 3)], [flexibility(n, "any") for n in (1, 2)])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("b", "brick", "blue", "0.10"))
    several, one = worked_out(model, market, workers=2), worked_out(model, market)
    assert all(several[name].equals(one[name]) for name in one)
