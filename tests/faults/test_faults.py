"""Whatever happens to a refresh, the next one ends as if nothing had: no row lost, and no reader ever saw half of it.

The usual run makes each fault once or a few times; KITFARE_LONG_TESTS=1 makes hundreds.
"""

import random
import time
from collections import Counter

import pytest
from fault_work import accounted, read_on, refresh_in
from faulty_workspace import differences, state_of

from pipelines.errors import BusyError
from pipelines.flows.nightly import refresh
from tests.length import examples

STEPS = (
    "take in dropped files",
    "fold the price history",
    "gather the tables",
    "write the tables",
    "write the pages",
    "publish",
)
LONGEST_WAIT = 120
"""Seconds after which a process that says nothing has failed."""


class Work:
    """A refresh in a process of its own."""

    def __init__(self, processes, place, *fault):
        self.ours, theirs = processes.Pipe()
        self.process = processes.Process(target=refresh_in, args=(str(place.root), theirs, *fault))
        self.process.start()
        theirs.close()
        self.said: list[tuple] = []

    def until(self, step: str) -> bool:
        """Wait until a step begins; False when the refresh ended before."""
        while self.ours.poll(LONGEST_WAIT):
            try:
                self.said.append(self.ours.recv())
            except EOFError:
                return False
            if self.said[-1] == ("step", step):
                return True
            if self.said[-1][0] != "step":
                return False
        raise AssertionError(f"nothing was heard after {self.said[-1:]}")

    def end(self) -> tuple:
        """Wait for its last word."""
        self.until("")
        self.process.join(LONGEST_WAIT)
        return self.said[-1]

    def kill(self) -> None:
        self.process.kill()
        self.process.join(LONGEST_WAIT)


class Reader:
    def __init__(self, processes, place, pause=0.02):
        self.ours, theirs = processes.Pipe()
        self.process = processes.Process(target=read_on, args=(str(place.root), theirs, pause))
        self.process.start()

    def end(self) -> tuple[int, list[str]]:
        """How many sessions read what; every one of them without fault."""
        self.ours.send("stop")
        assert self.ours.poll(LONGEST_WAIT)
        sessions, seen, wrong = self.ours.recv()
        self.process.join(LONGEST_WAIT)
        assert wrong == []
        assert len(set(seen)) == len(seen), f"readers went back to an earlier refresh: {seen}"
        return sessions, seen


def ends_as_undisturbed(place, undisturbed) -> None:
    """The next refresh makes up for everything. It need not publish: that may have been done before the fault."""
    refresh(place)
    assert differences(state_of(place), undisturbed) == []
    accounted(place)


def test_killed_at_random_moments_of_every_step(processes, place, template, undisturbed, seconds, tmp_path):
    """A refresh is killed in one step after the other, within the time that each takes; then one runs undisturbed."""
    rng = random.Random(20261125)
    usual = ("take in dropped files", "write the tables", "publish")
    kills: Counter = Counter()
    for number in range(examples(1, 60)):
        if number:
            import conftest

            from pipelines.settings import Workspace

            place = Workspace(conftest.copied(template, tmp_path / f"round {number}"))
        with_reader = Reader(processes, place) if number % 10 == 0 else None
        for step in examples(usual, STEPS):
            work = Work(processes, place)
            if work.until(step):
                time.sleep(rng.uniform(0, seconds[step]))
            work.kill()
            heard = [name for kind, name, *_ in [*work.said, *_rest(work)] if kind == "step"]
            kills["after the end" if _has_ended(work) else heard[-1] if heard else "before the first step"] += 1
        ends_as_undisturbed(place, undisturbed)
        if with_reader:
            sessions, seen = with_reader.end()
            assert sessions > 0 and len(seen) <= 2
            kills["reading sessions meanwhile"] += sessions
    print(dict(kills))
    assert sum(count for name, count in kills.items() if name in STEPS) >= examples(2, 200)


def _rest(work) -> list[tuple]:
    """What the process had said when it was killed."""
    while work.ours.poll():
        try:
            work.said.append(work.ours.recv())
        except EOFError:
            break
    return []


def _has_ended(work) -> bool:
    return bool(work.said) and work.said[-1][0] != "step"


def test_no_space_left_on_the_disk(processes, place, undisturbed):
    """Writing fails after so many bytes in a file (the system's limit, DuckDB's writes too), or at one sync after another."""
    rng = random.Random(5)
    failed: Counter = Counter()
    tries = [("file size", 30_000), ("disk full", 40)]
    tries = examples(tries, [("file size", rng.randrange(1_000, 3_000_000)) for _ in range(40)]
                     + [("disk full", rng.randrange(0, 250)) for _ in range(60)])  # fmt: skip
    for fault in tries:
        before = place.published.resolve().name
        said = Work(processes, place, *fault).end()
        if said[0] == "error":
            failed[fault[0]] += 1
            assert said[1] in ("KitfareError", "InputError", "OSError"), said
            assert any(word in said[2] for word in ("No space left", "File too large")), said
            assert place.published.resolve().name == before
    print(dict(failed))
    assert all(failed[kind] for kind in ("file size", "disk full")), failed
    ends_as_undisturbed(place, undisturbed)


def test_an_archive_that_cannot_be_written(processes, place, undisturbed):
    inbox = sorted(path.name for path in place.inbox.iterdir())
    said = Work(processes, place, "read-only archive").end()
    assert said[:2] == ("error", "InputError") and "Read-only file system" in said[2] and "next:" in said[2]
    assert sorted(path.name for path in place.inbox.iterdir()) == inbox
    ends_as_undisturbed(place, undisturbed)


def test_two_refreshes_at_once(processes, place, undisturbed):
    """The second is told so and changes nothing; the first ends as always."""
    work = Work(processes, place)
    assert work.until("take in dropped files")
    with pytest.raises(BusyError, match="another refresh is at work"):
        refresh(place)
    assert work.end() == ("done", True)
    assert differences(state_of(place), undisturbed) == []


@pytest.mark.parametrize("days", examples([-1000], [-1000, -1, 1000]))
def test_the_clock_jumps(processes, place, undisturbed, days):
    """A refresh of years ago in the middle: what is published follows the prices' own dates, and new ones replace old."""
    work = Work(processes, place, "clock", days)
    assert work.until("write the tables")
    work.kill()
    assert Work(processes, place, "clock", days).end() == ("done", True)
    assert differences(state_of(place), undisturbed) == []
    ends_as_undisturbed(place, undisturbed)
