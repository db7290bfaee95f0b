"""Runs an attack part by part until its count is reached or the time is over; each part's result is kept at once."""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

from pipelines.resources import software_digest
from tests.attacks.results import Attack, Result, Results


@dataclass
class Ground:
    """What the parts of an attack share.

    Args:
        folder: for their workspaces; it is removed at the end.
        kept: for what is made once and used by later parts too.
        seed: of all that is drawn.
        processes: starts processes.
        is_late: whether the time is over; only long parts need to ask.
    """

    folder: Path
    kept: Path
    seed: int
    processes: Any
    is_late: Callable[[], bool] = lambda: False
    _made: dict[str, Any] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def once(self, name: str, make: Callable[[], Any]) -> Any:
        """What ``make`` returns, made by the first part that needs it."""
        with self._lock:
            if name not in self._made:
                self._made[name] = make()
            return self._made[name]


Part = Callable[[Ground, int, int], Result]
"""``part(ground, number, left)``: attacks at most ``left`` times; the number and the seed decide how."""


def run(attack: Attack, part: Part, results: Results, ground: Ground, deadline: float, workers: int) -> None:
    """Run the parts that are missing."""
    software, workers = software_digest(), 1 if attack.is_alone else workers
    numbers = (number for number in count() if number not in results.done)
    running: dict[Future[Result], int] = {}
    with ThreadPoolExecutor(workers) as pool:
        while True:
            left = attack.usual - results.count
            # What runs already may reach the count.
            while len(running) < workers and left > len(running) and time.monotonic() < deadline:
                number = next(numbers)
                running[pool.submit(_safely, part, ground, number, left)] = number
            if not running:
                return
            ended, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in ended:
                del running[future]
                result = future.result()
                if _software() != software:
                    raise SystemExit(
                        "the code was changed while it was attacked; the parts that ran meanwhile do not count"
                    )
                results.add(result)
                _say(attack, results, result)
                if result.not_run or not (result.count or result.figures):
                    deadline = 0.0  # it could not run, or broke off: more of the same says no more


def _software() -> str:
    """The hash of the source as it is now."""
    software_digest.cache_clear()
    return software_digest()


def _safely(part: Part, ground: Ground, number: int, left: int) -> Result:
    """A part that breaks off is a broken promise until somebody has looked."""
    try:
        return part(ground, number, left)
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        words = f"part {number} broke off: {type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
        return Result(number, broken=[words])


def _say(attack: Attack, results: Results, result: Result) -> None:
    broken = sum(len(one.broken) for one in results.found)
    print(f"{attack.name}: {results.count} of {attack.usual} {attack.unit}, broken {broken}", flush=True)
    for words in (*result.broken, *filter(None, [result.not_run])):
        print(f"  {words}", flush=True)


def folder_of(ground: Ground, number: int) -> Path:
    """The folder of one part."""
    folder = ground.folder / f"part-{number}"
    folder.mkdir(parents=True)
    return folder


def numbered(seed: int, number: int) -> int:
    """The seed of one part."""
    return seed * 1_000_003 + number
