"""What quantities cost by price steps, worked out by hand, and that both kinds of steps arrive where they count."""

from decimal import Decimal

import numpy as np
import pytest

from pipelines.costing.landed_cost import Purchase, work_out_order
from pipelines.costing.price_steps import STEP_KINDS, average_price, bases, goods_value
from pipelines.costing.terms import VendorTerms
from schemas.all_columns import COLUMNS

D = Decimal
STEPS = [(3, D("0.50")), (5, D("0.30")), (10, D("0.60"))]


@pytest.mark.parametrize(
    ("quantity", "all_units", "incremental"),
    [
        (3, "1.50", "1.50"),
        (4, "2.00", "2.00"),
        (5, "1.50", "2.30"),  # 4 at 0.50, the fifth at 0.30
        (9, "2.70", "3.50"),
        (12, "7.20", "5.30"),  # 4 at 0.50, 5 at 0.30, 3 at 0.60
    ],
)
def test_a_piece_costs_its_step_s_price_or_the_last_step_s(quantity: int, all_units: str, incremental: str) -> None:
    assert goods_value(STEPS, "all_units", quantity) == D(all_units)
    assert goods_value(STEPS, "incremental", quantity) == D(incremental)


@pytest.mark.parametrize(("kind", "expected"), [("all_units", [0, 0, 0]), ("incremental", [0, 800_000, -1_900_000])])
def test_a_step_s_base_and_price_give_the_value(kind: str, expected: list[int]) -> None:
    starts, prices = np.array([3, 5, 10]), np.array([500_000, 300_000, 600_000])
    found = bases(np.zeros(3, np.int64), starts, prices, np.full(3, kind == "incremental"))
    assert found.tolist() == expected
    for quantity in range(3, 15):
        step = np.searchsorted(starts, quantity, side="right") - 1
        assert goods_value(STEPS, kind, quantity) * 1_000_000 == int(found[step] + prices[step] * quantity)


def test_an_average_is_rounded_half_up_to_a_millionth() -> None:
    assert average_price(D("2.30"), 5) == D("0.46")
    assert average_price(D("1"), 3) == D("0.333333")
    assert average_price(D("0.000003"), 2) == D("0.000002")


def test_a_stated_goods_value_counts_for_everything_a_landed_cost_goes_by() -> None:
    """2.30 for five: reaches the minimum line and the waiver, which five at the displayed 0.30 would not."""
    purchase = Purchase("brick", "teal", "new", "tiles", 5, D("0.30"), D(1), D(8), D("2.30"))
    terms = VendorTerms("v1", shipping_charge=D(4), shipping_waived_from=D("2.30"), minimum_line_value=D("2.30"))
    landed_cost = work_out_order([purchase], terms)
    assert not landed_cost.broken_rules
    assert landed_cost.goods_value == landed_cost.exact.total == D("2.30")
    stated_apart = work_out_order([purchase._replace(goods_value=None)], terms)
    assert stated_apart.exact.total == D("5.50")
    assert [rule.rule for rule in stated_apart.broken_rules] == ["minimum_line_value"]


def test_the_files_allow_the_kinds_that_are_planned() -> None:
    assert COLUMNS["step_kind"].allowed == STEP_KINDS
