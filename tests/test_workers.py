"""Work with one worker: done in this process, in order, and only as fast as results are taken."""

import os
from collections.abc import Iterator
from typing import Any

from pipelines.workers import spread


def add(shared: Any, item: Any) -> Any:
    return shared + item


def process_id(_shared: Any, _item: Any) -> Any:
    return os.getpid()


def test_one_worker_is_this_process_in_order() -> None:
    assert list(spread(add, 10, [("a", 1), ("b", 2)], 1)) == [("a", 11), ("b", 12)]
    assert list(spread(process_id, None, [("a", 1)], 1)) == [("a", os.getpid())]


def test_items_are_taken_only_as_fast_as_they_are_worked_off() -> None:
    taken = []

    def items() -> Iterator[Any]:
        for number in range(5):
            taken.append(number)
            yield number, number

    results = spread(add, 0, items(), 1)
    assert next(results) == (0, 0)
    assert taken == [0]
