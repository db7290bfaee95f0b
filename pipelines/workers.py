"""Work spread over several processes, a few items at a time, so that neither cores nor memory are wasted."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, TypeVar

from pipelines.errors import KitfareError

Shared = TypeVar("Shared")
Key = TypeVar("Key")
Item = TypeVar("Item")
Result = TypeVar("Result")


def spread(
    work: Callable[[Shared, Item], Result], shared: Shared, items: Iterable[tuple[Key, Item]], workers: int
) -> Iterator[tuple[Key, Result]]:
    """Each item's key and ``work(shared, item)``, as they get done: here, or by spawned processes.

    Args:
        work: a function of a module, so that a spawned process can find it.
        shared: given to every process once.
        items: taken one by one, only as fast as they are worked off.
        workers: processes; with one, no process is started and the order is kept.

    Raises:
        KitfareError: a process died. What ``work`` raises comes through.
    """
    if workers <= 1:
        for key, item in items:
            yield key, work(shared, item)
        return
    waiting: dict[Future[Result], Key] = {}
    context = multiprocessing.get_context("spawn")
    with _one_thread_each(), ProcessPoolExecutor(workers, context, _begin, (work, shared)) as pool:
        try:
            for key, item in items:
                waiting[pool.submit(_work_on, item)] = key
                if len(waiting) >= 2 * workers:
                    yield from _ready(waiting)
            while waiting:
                yield from _ready(waiting)
        except BrokenProcessPool:
            raise KitfareError(
                "a working process died",
                next_step="check the machine's memory, or lower workers in kitfare.toml, and try again",
                state="nothing was published",
            ) from None
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _ready(waiting: dict[Future[Result], Key]) -> Iterator[tuple[Key, Result]]:
    for future in wait(waiting, return_when=FIRST_COMPLETED).done:
        yield waiting.pop(future), future.result()


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Processes share the cores by items, not by threads within an item."""
    name = "POLARS_MAX_THREADS"
    before = os.environ.get(name)
    os.environ[name] = "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]
        else:
            os.environ[name] = before


_job: tuple[Callable[[Any, Any], Any], Any] | None = None


def _begin(work: Callable[[Any, Any], Any], shared: Any) -> None:
    global _job
    _job = (work, shared)


def _work_on(item: Any) -> Any:
    assert _job is not None
    work, shared = _job
    return work(shared, item)
