"""The game of flexible lines: shares that add up, and the axioms they are known by; the look-first list against all subsets."""

from itertools import combinations, permutations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.insight.flexibility.look_order import best_choices, greedy_order
from pipelines.insight.flexibility.saving_game import Block, SavingGame, fair_shares, interactions
from tests.builders.length import examples


@st.composite
def games(draw: st.DrawFn, most: int = 6, ways: int = 3) -> Any:
    """Random games in which more flexibility never costs more."""
    many = draw(st.integers(1, most))
    columns = draw(st.integers(1, ways))
    players, blocks = list(range(many)), []
    while players:
        size = draw(st.integers(1, min(3, len(players))))
        own, players = players[:size], players[size:]
        costs = np.array(
            draw(
                st.lists(
                    st.lists(st.integers(0, 9), min_size=columns, max_size=columns),
                    min_size=1 << size,
                    max_size=1 << size,
                )
            ),
            np.int64,
        )
        for bit in range(size):
            for row in range(1 << size):
                if row >> bit & 1:
                    costs[row] = np.minimum(costs[row], costs[row & ~(1 << bit)])
        blocks.append(Block(tuple(own), costs))
    fixed = np.array(draw(st.lists(st.integers(0, 20), min_size=columns, max_size=columns)), np.int64)
    return SavingGame(many, fixed, tuple(blocks))


def cost_of(game: Any, members: Any) -> Any:
    """The cost of a set, as the game is defined: the cheapest way of buying."""
    totals = game.fixed.tolist()
    for block in game.blocks:
        row = sum(1 << bit for bit, player in enumerate(block.players) if player in members)
        totals = [total + int(cost) for total, cost in zip(totals, block.costs[row], strict=True)]
    return min(totals)


def saving_of(game: Any, members: Any) -> Any:
    return cost_of(game, ()) - cost_of(game, members)


def shapley_by_orders(game: Any) -> Any:
    """The definition: what a player adds, over all orders."""
    orders = list(permutations(range(game.player_count)))
    shares = [0] * game.player_count
    for order in orders:
        for place, player in enumerate(order):
            shares[player] += saving_of(game, order[: place + 1]) - saving_of(game, order[:place])
    return [share / len(orders) for share in shares]


@settings(max_examples=examples(30, 400), deadline=None)
@given(games(most=5))
def test_exact_shares_are_the_mean_over_all_orders(game: Any) -> None:
    found = fair_shares(game)
    assert found.is_exact and not found.errors.any()
    assert found.shares.tolist() == pytest.approx(shapley_by_orders(game), abs=1e-9)


@settings(max_examples=examples(40, 400), deadline=None)
@given(games(), st.booleans())
def test_shares_add_up_and_keep_the_axioms(game: Any, is_sampled: Any) -> None:
    found = fair_shares(game, exact_up_to=0 if is_sampled else 14, pairs=8)
    assert found.shares.sum() == pytest.approx(game.total_saving, abs=1e-9)
    assert (found.shares > -1e-9).all()
    everyone = set(range(game.player_count))
    for player in everyone:
        adds = {
            saving_of(game, {*others, player}) - saving_of(game, others)
            for size in range(game.player_count)
            for others in combinations(sorted(everyone - {player}), size)
        }
        if game.useless[player]:
            assert adds == {0} and found.shares[player] == 0
        assert game.alone[player] == saving_of(game, {player})
        assert game.last[player] == saving_of(game, everyone) - saving_of(game, everyone - {player})
    for group in game.alike:
        assert np.ptp(found.shares[group]) < 1e-9


@settings(max_examples=examples(40, 400), deadline=None)
@given(games())
def test_equal_flexible_lines_are_seen_as_such(game: Any) -> None:
    """A twin of the first flexibility, as a block of its own, changes places with one like it."""
    twin = np.array([[5, 7, 3], [1, 7, 2]], np.int64)[:, : len(game.fixed)]
    many = game.player_count
    both = SavingGame(many + 2, game.fixed, (*game.blocks, Block((many,), twin), Block((many + 1,), twin)))
    assert [many, many + 1] in [group[-2:] for group in both.alike]
    for found in (fair_shares(both), fair_shares(both, exact_up_to=0, pairs=4)):
        assert found.shares[many] == pytest.approx(found.shares[many + 1], abs=1e-9)


@settings(max_examples=examples(40, 400), deadline=None)
@given(games(), st.data())
def test_freeing_more_never_costs_more(game: Any, data: Any) -> None:
    some = data.draw(st.sets(st.integers(0, game.player_count - 1)))
    more = some | data.draw(st.sets(st.integers(0, game.player_count - 1)))
    rows = np.array([[player in chosen for player in range(game.player_count)] for chosen in (some, more)], np.bool_)
    costs = game.costs(rows)
    assert costs.tolist() == [cost_of(game, some), cost_of(game, more)]
    assert costs[1] <= costs[0]


def test_sampled_shares_lie_within_their_errors() -> None:
    """Sixteen flexible lines and three ways of buying, of which the exact shares are known."""
    draw = np.random.default_rng(4)
    blocks = tuple(
        Block((player,), np.array([draw.integers(300, 900, 3), draw.integers(0, 300, 3)], np.int64))
        for player in range(16)
    )
    game = SavingGame(16, np.array([0, 400, 900], np.int64), blocks)
    exact, sampled = fair_shares(game, exact_up_to=16), fair_shares(game, exact_up_to=0, pairs=200)
    assert exact.is_exact and not sampled.is_exact
    assert sampled.shares.sum() == pytest.approx(game.total_saving)
    assert 0 < sampled.errors.max() < 0.01 * game.total_saving
    assert (abs(sampled.shares - exact.shares) <= 4 * sampled.errors + 1e-9).all()


def test_interactions_are_positive_where_lines_help_each_other_and_negative_where_they_do_not() -> None:
    """0 and 1 only together make the second way worth it; 2 and 3 want the same stock."""
    pair = [Block((player,), np.array([[0, 9], [0, 0]], np.int64)) for player in (0, 1)]
    stock = Block((2, 3), np.array([[10, 10], [7, 7], [7, 7], [7, 7]], np.int64))
    game = SavingGame(4, np.array([6, 0], np.int64), (*pair, stock))
    first, last = interactions(game, [0, 1, 2, 3])
    assert first[0, 1] == saving_of(game, {0, 1}) - saving_of(game, {0}) - saving_of(game, {1}) == 6
    assert last[0, 1] == 6 - 2 * 6
    assert first[2, 3] == saving_of(game, {2, 3}) - 2 * saving_of(game, {2}) == -3
    assert last[2, 3] == 3 - 2 * 0
    assert first[0, 2] == last[0, 2] == 0
    assert (first == first.T).all() and not np.diag(first).any()


@settings(max_examples=examples(60, 600), deadline=None)
@given(games())
def test_the_best_choice_is_the_best_of_all_subsets_and_the_greedy_order_never_better(game: Any) -> None:
    looks, choices = greedy_order(game), best_choices(game, game.player_count)
    assert sorted(looks.order) == list(range(game.player_count))
    for count in range(game.player_count + 1):
        best = max(
            saving_of(game, chosen)
            for size in range(count + 1)
            for chosen in combinations(range(game.player_count), size)
        )
        assert choices[count].saving == best == saving_of(game, choices[count].players)
        assert len(choices[count].players) <= count
        if count:
            assert looks.so_far[count - 1] == saving_of(game, looks.order[:count]) <= best
    assert looks.so_far[-1] == game.total_saving
    few = best_choices(game, game.player_count, named_up_to=1)
    assert [choice.saving for choice in few] == [choice.saving for choice in choices]
    assert few[:2] == choices[:2]
    first = looks.order[0]
    assert saving_of(game, {first}) == choices[1].saving


def test_the_greedy_order_can_miss_what_only_pays_together() -> None:
    """Two flexible lines together do without a vendor; alone they do nothing, and a small saving comes first."""
    small = Block((0,), np.array([[2, 2], [1, 1]], np.int64))
    pair = [Block((player,), np.array([[3, 9], [3, 3]], np.int64)) for player in (1, 2)]
    game = SavingGame(3, np.array([10, 4], np.int64), (small, *pair))
    looks, choices = greedy_order(game), best_choices(game, 3)
    assert looks.order[0] == 0 and looks.so_far == (1, 1, 7)
    assert [choice.saving for choice in choices] == [0, 1, 6, 7]
    assert choices[2].players == (1, 2)


def test_no_flexible_lines_at_all() -> None:
    game = SavingGame(0, np.array([5], np.int64), ())
    assert fair_shares(game).shares.size == 0 and game.total_saving == 0
    assert greedy_order(game).order == () and best_choices(game, 3)[0].saving == 0
