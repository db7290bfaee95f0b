"""The price history against the reference fold, on many random cases."""

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.builders.histories import random_case
from tests.warehouse.price_history.test_history_against_reference import LONG, check_against_reference, check_any_order


@given(st.randoms(use_true_random=True))
@LONG
def test_the_fold_is_the_reference_fold_at_length(rng: Any) -> None:
    check_against_reference(random_case(rng, most=12))


@given(st.randoms(use_true_random=True))
@LONG
def test_order_of_arrival_and_number_of_folds_do_not_matter_at_length(rng: Any) -> None:
    check_any_order(random_case(rng, most=12), rng)
