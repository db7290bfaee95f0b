"""Spreads work over several processes, a few items at a time, so that memory holds few of them."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, TypeVar

from pipelines.errors import KitfareError


class WorkerDiedError(KitfareError):
    """A worker process ended without an answer: its memory ran out, or a library ended it."""


Shared = TypeVar("Shared")
Key = TypeVar("Key")
Item = TypeVar("Item")
Result = TypeVar("Result")

_kept: dict[int, ProcessPoolExecutor] | None = None


@contextmanager
def keep_processes() -> Iterator[None]:
    """Let all calls of :func:`spread` within the block with the same number of workers use the same processes.

    A process takes a second or two to start, longer than many a short step takes.
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
    """Each item's key and ``work(shared, item)``, as they are finished: here, or by spawned processes.

    Args:
        work: a function of a module, so that a spawned process can find it.
        shared: given to every process once.
        items: taken one by one, only as fast as they are finished.
        workers: processes; with one, no process is started and the order is kept.

    Raises:
        WorkerDiedError: a process died. What ``work`` raises comes through.
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
            raise WorkerDiedError(
                "a worker process died, perhaps for lack of memory",
                next_step="lower workers in kitfare.toml, or free memory, and run the command again",
                state="nothing was published",
            ) from None
        finally:
            for future in waiting:
                future.cancel()


def alone(work: Callable[[Shared, Item], Result], shared: Shared, item: Item) -> Result:
    """``work(shared, item)`` in a process of its own, so that what ends the process ends nothing else.

    Raises:
        WorkerDiedError: the process died. What ``work`` raises comes through.
    """
    context = multiprocessing.get_context("spawn")
    receiver, sender = context.Pipe(duplex=False)
    with _one_thread_each(), _written((work, shared)) as job:
        process = context.Process(target=_answer, args=(job, item, sender))
        process.start()
        sender.close()
        try:
            is_done, found = receiver.recv()
        except EOFError:
            raise WorkerDiedError("a worker process died, perhaps for lack of memory") from None
        finally:
            # It has answered or died; one that does not end by itself must not be waited for.
            process.kill()
            process.join()
            receiver.close()
    if not is_done:
        raise found
    result: Result = found
    return result


def _answer(job: str, item: Any, sender: Connection) -> None:
    """Send what :func:`_work_on` returns, or raises, to the process that asked."""
    end_with_parent()
    try:
        answer = (True, _work_on(job, item))
    except BaseException as error:
        answer = (False, error)
    sender.send(answer)


def _ready(waiting: dict[Future[Result], Key]) -> Iterator[tuple[Key, Result]]:
    for future in wait(waiting, return_when=FIRST_COMPLETED).done:
        yield waiting.pop(future), future.result()


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """The kept processes, or new ones that end with the block."""
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
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), initializer=end_with_parent)


def end_with_parent() -> None:
    """Let this process end, at once, when the one that spawned it was killed; otherwise it would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@contextmanager
def _written(job: tuple[Callable[..., Any], Any]) -> Iterator[str]:
    """A file with the work and what is shared, which each process reads once."""
    with tempfile.TemporaryDirectory(prefix="kitfare-") as folder:
        path = Path(folder) / "job"
        path.write_bytes(pickle.dumps(job, pickle.HIGHEST_PROTOCOL))
        yield str(path)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """One Polars thread per process, because the processes already use all cores."""
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
        _job = (job, *pickle.loads(Path(job).read_bytes()))  # written by this program
    _, work, shared = _job
    return work(shared, item)
