"""Work spread over several processes, a few items at a time, so that neither cores nor memory are wasted."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from pipelines.errors import KitfareError

Shared = TypeVar("Shared")
Key = TypeVar("Key")
Item = TypeVar("Item")
Result = TypeVar("Result")

_kept: dict[int, ProcessPoolExecutor] | None = None


@contextmanager
def keep_processes() -> Iterator[None]:
    """Let all calls of :func:`spread` within the block that want equally many processes use the same ones.

    A process needs a second or two to start, so that a handful of short steps would spend most of their time on that.
    """
    global _kept
    if _kept is not None:
        yield
        return
    _kept = {}
    try:
        yield
    finally:
        pools, _kept = _kept, None
        for pool in pools.values():
            pool.shutdown(wait=False, cancel_futures=True)


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
    with _pool(workers) as pool, _written((work, shared)) as job:
        try:
            for key, item in items:
                waiting[pool.submit(_work_on, job, item)] = key
                if len(waiting) >= 2 * workers:
                    yield from _ready(waiting)
            while waiting:
                yield from _ready(waiting)
        except BrokenProcessPool:
            if _kept is not None:
                _kept.pop(workers, None)
            raise KitfareError(
                "a working process died",
                next_step="check the machine's memory, or lower workers in kitfare.toml, and try again",
                state="nothing was published",
            ) from None
        finally:
            for future in waiting:
                future.cancel()


def _ready(waiting: dict[Future[Result], Key]) -> Iterator[tuple[Key, Result]]:
    for future in wait(waiting, return_when=FIRST_COMPLETED).done:
        yield waiting.pop(future), future.result()


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Processes of the block's own, or the kept ones."""
    with _one_thread_each():
        if _kept is not None:
            if workers not in _kept:
                _kept[workers] = _started(workers)
            yield _kept[workers]
            return
        pool = _started(workers)
        try:
            yield pool
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _started(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"))


@contextmanager
def _written(job: tuple[Callable[..., Any], Any]) -> Iterator[str]:
    """A file of the work and what it shares, which each process reads once."""
    with tempfile.TemporaryDirectory(prefix="kitfare-") as folder:
        path = Path(folder) / "job"
        path.write_bytes(pickle.dumps(job, pickle.HIGHEST_PROTOCOL))
        yield str(path)


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


_job: tuple[str, Callable[[Any, Any], Any], Any] | None = None


def _work_on(job: str, item: Any) -> Any:
    """One item of a job; the process forgets the job it had before."""
    global _job
    if _job is None or _job[0] != job:
        _job = None
        _job = (job, *pickle.loads(Path(job).read_bytes()))  # which this program wrote a moment ago
    _, work, shared = _job
    return work(shared, item)
