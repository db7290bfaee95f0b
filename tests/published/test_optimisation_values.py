"""The planner against published optima of purchase and warehouse location problems; the source is beside each.

A warehouse is a vendor, its fixed cost a shipping charge, its capacity the most pieces of one order. A customer is a portion of
a part that every vendor sells, and the cost of supplying the customer is the price.

The OR-Library's files are not in the repository. They are looked for in the folder that the environment variable
``KITFARE_ORLIB`` names, else in ``../shared/reference/orlib`` beside the checkout; without them their tests are skipped.
"""

import os
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.costing.terms import VendorTerms
from pipelines.planner import solve
from pipelines.planner.statement.problem import OFFER_SCHEMA, PORTION_SCHEMA, STEP_SCHEMA, USE_SCHEMA, Problem
from tests.published.optimisation_examples import FIVE_PLANTS, TEN_SHOPS, rows

EXACT = Fraction(0)
PRINTED = Fraction(1, 100)
"""The OR-Library prints optima to three decimals, some rounded, some cut off."""


@dataclass(frozen=True)
class Published:
    """A problem, its published optimum and how exactly that is stated."""

    problem: Problem
    optimum: Fraction
    tolerance: Fraction = EXACT


def problem_of(needed: Any, prices: Any, terms: Any, allow_spares: bool = True) -> Any:
    """Portion c wants ``needed[c]`` pieces; vendor v (in the order of ``terms``) sells its part at ``prices[c][v]``.

    A price is one price for any quantity, or the price steps as {from quantity: price}.
    """
    stock = 10 * sum(needed)
    portions = [(c, c + 1, 1, quantity, "") for c, quantity in enumerate(needed)]
    offers: list[Any] = []
    steps: list[Any] = []
    uses: list[Any] = []
    for c, row in enumerate(prices):
        for vendor, price in zip(terms, row, strict=True):
            number = len(offers)
            piece = (f"part{c}", "olive", "new", "", "", stock, 1, None, Decimal(1), Decimal(8))
            offers.append((number, f"o{number:05}", vendor.vendor_code, *piece))
            by_quantity = price if isinstance(price, dict) else {1: price}
            steps += [(number, start, Decimal(unit_price)) for start, unit_price in by_quantity.items()]
            uses.append((c, number, "olive", "", "", 1))
    return Problem(
        pl.DataFrame(portions, PORTION_SCHEMA, orient="row"),
        pl.DataFrame(offers, OFFER_SCHEMA, orient="row"),
        pl.DataFrame(steps, STEP_SCHEMA, orient="row"),
        pl.DataFrame(uses, USE_SCHEMA, orient="row"),
        {vendor.vendor_code: vendor for vendor in terms},
        allow_spares=allow_spares,
    )


def vendors(fixed: Any, capacity: Any = None) -> Any:
    limits = capacity or [None] * len(fixed)
    return [
        VendorTerms(f"v{number:02}", shipping_charge=Decimal(charge), maximum_piece_count=limit)
        for number, (charge, limit) in enumerate(zip(fixed, limits, strict=True), start=1)
    ]


# --- Small examples with all their numbers ---


def ten_shops() -> Published:
    """Ten books from ten shops."""
    return Published(problem_of([1] * 10, rows(TEN_SHOPS), vendors([4] * 10)), Fraction(149))


def five_plants() -> Published:
    """Four warehouses and five plants."""
    terms = vendors([12000, 15000, 17000, 13000, 16000], [20, 22, 17, 19, 18])
    return Published(problem_of([15, 18, 14, 20], rows(FIVE_PLANTS), terms), Fraction(210_500))


def three_facilities() -> Published:
    """Data of Pedroso and Kubo (2012), flp.py among PySCIPOpt's examples; optimum 5,610."""
    prices = rows("""
        4 6 9
        5 4 7
        6 3 4
        8 5 3
        10 8 4""")
    terms = vendors([1000] * 3, [500] * 3)
    return Published(problem_of([80, 270, 250, 160, 180], prices, terms), Fraction(5610))


SMALL = {case.__name__: case for case in (ten_shops, five_plants, three_facilities)}


@pytest.mark.parametrize("effort", ["quick", "standard", "deep"])
@pytest.mark.parametrize("name", SMALL)
def test_small_examples_are_planned_at_their_optimum(name: Any, effort: str) -> None:
    published = SMALL[name]()
    solution = planned(published.problem, effort)
    assert solution.cost == published.optimum
    assert solution.is_proven


@pytest.mark.parametrize("effort", ["quick", "standard", "deep"])
def test_ten_shops_are_cut_to_a_set_that_costs_149(effort: str) -> None:
    """Of all 1,023 sets of shops only {2, 10} and {2, 4, 10} cost 149: enumerated here, not published."""
    problem = ten_shops().problem
    assert chosen(problem, planned(problem, effort)) in ({"v02", "v10"}, {"v02", "v04", "v10"})


# --- Price steps: buying more may cost less ---

ALL_UNITS = {1: 9, 1000: 8, 2500: 7, 7500: 5, 15000: 3}
INCREMENTAL = {1: 8, 1201: 7, 3001: 6, 7501: 4, 14001: 2}


def discounts(with_b: bool, allow_spares: bool) -> Problem:
    """6,000 units from vendors A, whose price holds for all units, and B, whose price holds beyond each step."""
    prices = {"a": ALL_UNITS, "b": INCREMENTAL} if with_b else {"a": ALL_UNITS}
    problem = problem_of([6000], [list(prices.values())], [VendorTerms(code) for code in prices], allow_spares)
    is_a = pl.col("vendor_code") == "a"
    kind = pl.when(is_a).then(pl.lit("all_units")).otherwise(pl.lit("incremental"))
    found: Problem = replace(problem, offers=problem.offers.with_columns(step_kind=kind))
    return found


@pytest.mark.parametrize("effort", ["quick", "standard", "deep"])
@pytest.mark.parametrize(
    ("with_b", "allow_spares", "cost", "bought"),
    [
        (False, False, 42_000, {"a": 6000}),
        (False, True, 37_500, {"a": 7500}),
        (True, False, 40_200, {"b": 6000}),
        (True, True, 37_500, {"a": 7500}),
    ],
)
def test_quantity_discounts(with_b: bool, allow_spares: bool, cost: int, bought: dict[str, int], effort: str) -> None:
    """The data are published (Lindo's model QdiscSupL.lng), the optima not: they follow from the steps by hand.

    A: 6,000 at 7 = 42,000; 7,500 at 5 = 37,500. B: 1,200 at 8 + 1,800 at 7 + 3,000 at 6 = 40,200.
    A step "from 1,200" starts with the 1,201st unit in B's sum, so that our step starts there.
    """
    problem = discounts(with_b, allow_spares)
    solution = planned(problem, effort)
    assert solution.cost == cost
    assert solution.is_proven
    purchases = solution.purchases.join(problem.offers, on="offer_index")
    assert dict(purchases.select("vendor_code", "quantity").iter_rows()) == bought


# --- OR-Library: J. E. Beasley, "An algorithm for solving large capacitated warehouse location problems", EJOR 33 (1988) 314-325 ---

# File uncapopt.txt: capacities left aside.
UNCAPACITATED = {
    "cap71": "932615.750",
    "cap74": "1034976.975",
    "cap101": "796648.437",
    "cap104": "928941.750",
    "cap131": "793439.562",
    "cap134": "928941.750",
}
# File capopt.txt: a customer may be supplied from several warehouses.
CAPACITATED = {
    "cap41": "1040444.375",
    "cap44": "1235500.450",
    "cap51": "1025208.225",
    "cap61": "932615.750",
    "cap81": "838499.288",
    "cap91": "796648.438",
    "cap121": "793439.563",
}


def orlib_text(name: str) -> str:
    named = os.environ.get("KITFARE_ORLIB")
    folder = Path(named) if named else Path(__file__).resolve().parents[3] / "shared" / "reference" / "orlib"
    path = folder / f"{name}.txt"
    if not path.is_file():
        pytest.skip(f"OR-Library file {path.name} not found; name its folder in KITFARE_ORLIB")
    return path.read_text(encoding="ascii")


@cache
def orlib(name: str, has_capacity: bool) -> Published:
    """File: counts m and n; m times capacity and fixed cost; n times a demand and the cost of all of it from each warehouse.

    Without capacities a customer is one piece at that cost. With them it is its demand in pieces at cost / demand, to the six
    decimals of a price: the total rounding error is checked to lie below a tenth of the tolerance.
    """
    words = iter(orlib_text(name).split())
    warehouse_count, customer_count = int(next(words)), int(next(words))
    sites = [(Fraction(next(words)), next(words)) for _ in range(warehouse_count)]
    customers = [
        (int(next(words)), [Fraction(next(words)) for _ in range(warehouse_count)]) for _ in range(customer_count)
    ]
    assert not list(words)
    fixed = [charge for _, charge in sites]
    if has_capacity:
        needed = [demand for demand, _ in customers]
        terms = vendors(fixed, [int(capacity) for capacity, _ in sites])
    else:
        needed, terms = [1] * customer_count, vendors(fixed)
    costs = [row for _, row in customers]
    prices = [[round(cost / pieces, 6) for cost in row] for pieces, row in zip(needed, costs, strict=True)]
    error = sum(
        max(abs(price * pieces - cost) for price, cost in zip(price_row, row, strict=True))
        for pieces, price_row, row in zip(needed, prices, costs, strict=True)
    )
    assert error <= PRINTED / 10
    decimals = [[Decimal(int(price * 10**6)).scaleb(-6) for price in row] for row in prices]
    optimum = Fraction((CAPACITATED if has_capacity else UNCAPACITATED)[name])
    return Published(problem_of(needed, decimals, terms), optimum, PRINTED)


ORLIB = [(name, False) for name in UNCAPACITATED] + [(name, True) for name in CAPACITATED]


@pytest.mark.parametrize(("name", "has_capacity"), ORLIB)
def test_warehouse_location_is_planned_at_its_optimum(name: Any, has_capacity: Any) -> None:
    published = orlib(name, has_capacity)
    solution = planned(published.problem, "deep")
    assert abs(solution.cost - published.optimum) <= published.tolerance
    assert solution.is_proven


@pytest.mark.parametrize("effort", ["quick", "standard"])
@pytest.mark.parametrize(("name", "has_capacity"), ORLIB)
def test_less_effort_brackets_the_optimum(name: Any, has_capacity: Any, effort: str) -> None:
    published = orlib(name, has_capacity)
    solution = planned(published.problem, effort)
    assert solution.lower_bound <= published.optimum + published.tolerance
    assert solution.cost >= published.optimum - published.tolerance


def planned(problem: Any, effort: Any) -> Any:
    """A plan that leaves nothing unfilled and stopped for no clock."""
    solution = solve.solve(problem, effort)
    assert solution.unfilled.is_empty()
    assert not solution.hit_time_limit
    return solution


def chosen(problem: Any, solution: Any) -> Any:
    return set(solution.purchases.join(problem.offers, on="offer_index")["vendor_code"])
