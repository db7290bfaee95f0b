"""Whatever happens to a refresh, the next one ends as if nothing had: no row lost, and no reader ever saw half of it.

The usual run makes the faults once each, one after the other, in one workspace; KITFARE_LONG_TESTS=1 makes hundreds of each.
"""

import random
import shutil
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import BusyError
from pipelines.flows.refresh import refresh
from pipelines.workspace import Workspace
from tests.builders.faulty_workspaces import copied, differences, many, state_of
from tests.builders.length import IS_LONG
from tests.builders.programs.fault_work import accounted, read_on, refresh_in

STEPS = (
    "take in dropped files",
    "fold the price history",
    "plan the purchases",
    "compare ways of buying",
    "compute the trends",
    "write the tables",
    "write the pages",
    "record what is published",
    "publish",
)
at_length = pytest.mark.skipif(not IS_LONG, reason="KITFARE_LONG_TESTS=1 runs it")

LONGEST_WAIT = 120
"""Seconds after which a process that says nothing has failed."""


class Work:
    """A refresh in a process of its own."""

    def __init__(self, processes: Any, place: Any, *fault: Any) -> None:
        self.ours, theirs = processes.Pipe()
        self.process = processes.Process(target=refresh_in, args=(str(place.root), theirs, *fault))
        self.process.start()
        theirs.close()
        self.said: list[tuple[Any, ...]] = []

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

    def end(self) -> tuple[Any, ...]:
        """Wait for its last word."""
        self.until("")
        self.process.join(LONGEST_WAIT)
        return self.said[-1]

    def kill(self) -> None:
        self.process.kill()
        self.process.join(LONGEST_WAIT)


class Reader:
    def __init__(self, processes: Any, place: Any, pause: float = 0.02) -> None:
        self.ours, theirs = processes.Pipe()
        self.process = processes.Process(target=read_on, args=(str(place.root), theirs, pause))
        self.process.start()

    def end(self) -> tuple[int, list[str]]:
        """How many sessions read what; every one of them without fault."""
        with suppress(BrokenPipeError):  # it ended before, and says why
            self.ours.send("stop")
        assert self.ours.poll(LONGEST_WAIT)
        sessions, seen, wrong = self.ours.recv()
        self.process.join(LONGEST_WAIT)
        assert wrong == []
        assert len(set(seen)) == len(seen), f"readers went back to an earlier refresh: {seen}"
        return sessions, seen


def test_one_fault_after_the_other(processes: Any, place: Any, undisturbed: Any, seconds: Any) -> None:
    """No refresh between them ends; the last one makes up for all of them, and readers never noticed."""
    reader = Reader(processes, place, pause=0.1)
    rng = random.Random(20261125)
    not_written(Work(processes, place, "read-only archive").end(), place)
    not_written(Work(processes, place, "file size", 60_000).end(), place)
    for step in ("take in dropped files", "plan the purchases", "write the tables", "record what is published"):
        kill_in(Work(processes, place), step, rng.uniform(0, seconds[step]))
    not_written(Work(processes, place, "disk full", 60).end(), place)

    last = Work(processes, place, "clock", -1000)
    assert last.until("take in dropped files")
    with pytest.raises(BusyError, match="another refresh is running"):
        refresh(place)
    assert last.end() == ("done", True)
    assert differences(state_of(place), undisturbed) == []
    accounted(place)
    sessions, seen = reader.end()
    assert sessions > 0 and len(seen) <= 2


def not_written(said: tuple[Any, ...], place: Any) -> None:
    """The refresh ended with words about the disk, and nothing new is published."""
    assert said[0] == "error" and said[1] in ("KitfareError", "InputError", "OSError"), said
    assert any(word in said[2] for word in ("No space left", "File too large", "Read-only file system")), said


def kill_in(work: Work, step: str, delay: float) -> str:
    """Kill a refresh some time after a step began; where it was then, as it said itself."""
    if work.until(step):
        time.sleep(delay)
    work.kill()
    while work.ours.poll():
        try:
            work.said.append(work.ours.recv())
        except EOFError:
            break
    return work.said[-1][1] if work.said and work.said[-1][0] == "step" else "after the end"


def ends_as_undisturbed(place: Any, undisturbed: Any) -> None:
    """The next refresh makes up for everything. It need not publish: that may have been done before the fault."""
    refresh(place)
    assert differences(state_of(place), undisturbed) == []
    accounted(place)


@at_length
def test_killed_hundreds_of_times_in_every_step(
    processes: Any, template: Any, undisturbed: Any, seconds: Any, tmp_path: Path
) -> None:
    """In each round refreshes are killed in one step after the other, thrice, at random moments; then one runs undisturbed."""
    rng, sessions = random.Random(), 0
    kills: Counter[str] = Counter()
    for number in range(10):
        place = Workspace(copied(template, tmp_path / f"round {number}"))
        reader = Reader(processes, place, pause=0.2)
        for step in (*STEPS[:-1] * 3, STEPS[-1]):
            kills[kill_in(Work(processes, place), step, rng.uniform(0, seconds[step]))] += 1
        ends_as_undisturbed(place, undisturbed)
        read, seen = reader.end()
        assert read > 0 and len(seen) <= 2
        sessions += read
        shutil.rmtree(place.root)
    print(f"\nkills: {dict(kills)}; sessions of readers meanwhile: {sessions}", flush=True)
    assert sum(kills[step] for step in STEPS) >= 200
    assert all(kills[step] for step in STEPS), kills


@at_length
def test_no_space_left_on_the_disk_time_and_again(
    processes: Any, template: Any, undisturbed: Any, tmp_path: Path
) -> None:
    """Writing fails after so many bytes in a file (the system's limit, DuckDB's writes too), or at one sync after another."""
    rng = random.Random()
    failed: Counter[str] = Counter()
    place = Workspace(copied(template, tmp_path / "first"))
    for fault, most in (("file size", 1_000_000), ("disk full", 150)):
        for number in range(30):
            said = Work(processes, place, fault, rng.randrange(most)).end()
            if said[0] == "error":
                failed[fault] += 1
                not_written(said, place)
                continue
            # There was space enough: it is whole, and the next one starts anew, or it would have nothing to write.
            ends_as_undisturbed(place, undisturbed)
            place = Workspace(copied(template, tmp_path / f"{fault} {number}"))
    print(f"\nrefreshes that had no space: {dict(failed)}", flush=True)
    assert min(failed["file size"], failed["disk full"]) >= 10
    ends_as_undisturbed(place, undisturbed)


@at_length
@pytest.mark.parametrize("days", [-1000, -1, 1000])
def test_the_clock_jumps(processes: Any, place: Any, undisturbed: Any, days: int) -> None:
    """What is published follows the prices' own dates, and what is new replaces what is old, whatever the time of day."""
    kill_in(Work(processes, place, "clock", days), "write the tables", 0.05)
    assert Work(processes, place, "clock", days).end() == ("done", True)
    assert differences(state_of(place), undisturbed) == []
    ends_as_undisturbed(place, undisturbed)


@at_length
def test_readers_while_refreshes_run_one_after_the_other(processes: Any, place: Any) -> None:
    """Twenty refreshes with new prices each, four readers: no session fails, and each sees one refresh."""
    readers = [Reader(processes, place, pause=0.02) for _ in range(4)]
    names = []
    for number in range(20):
        drop = place.inbox / f"south-more-{number}.csv"
        drop.write_text(many("south", f"2026-11-{number % 28 + 1:02d}", number + 20))
        assert Work(processes, place).end() == ("done", True)
        names.append(place.published.resolve().name)
    found = [reader.end() for reader in readers]
    print(
        f"\nsessions: {[sessions for sessions, _ in found]}, refreshes seen: {[len(seen) for _, seen in found]} of {len(names)}"
    )
    assert len(set(names)) == len(names)
    assert all(sessions >= len(seen) > 10 for sessions, seen in found)
