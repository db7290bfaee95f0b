"""Published purchase problems with all their numbers: prices by item and by vendor."""

TEN_SHOPS = """
    13 19 16 19 19 18 17 16 15 14
    18 13 17 14 15 16 15 17 18 17
    17 14 13 17 16 18 16 17 18 17
    19 18 17 13 16 15 15 16 17 14
    16 14 17 18 13 16 15 16 17 16
    17 17 16 14 15 13 16 17 18 16
    17 14 16 17 15 16 13 18 19 17
    17 16 15 14 17 16 15 13 15 15
    15 15 16 18 17 15 16 15 13 14
    16 14 16 18 17 17 15 16 18 13"""
"""Puzzle "Optimal Internet shopping", solve.club/problems/optimal-internet-shopping: ten books by ten shops, 4 to
ship, answer 149."""

FIVE_PLANTS = """
    4000 2000 3000 2500 4500
    2500 2600 3400 3000 4000
    1200 1800 2600 4100 3000
    2200 2600 3100 3700 3200"""
"""Gurobi's example "facility" (its documentation credits Frontline Systems), warehouses by plants, optimum
210,500. Pieces are thousands."""


def rows(text: str) -> list[list[str]]:
    """A table of numbers, as text."""
    return [line.split() for line in text.strip().splitlines()]
