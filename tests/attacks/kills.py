"""Refreshes killed with SIGKILL at random times and at marked moments; after each kill and at the end all is as promised."""

from __future__ import annotations

import json
import random
import shutil
import signal
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.resources import software_digest
from pipelines.workspace import Workspace
from tests.attacks import readers, workspaces
from tests.attacks.killed_refresh import Moment, Order
from tests.attacks.results import Attack, Result
from tests.attacks.runs import LONGEST_RUN, Run, left_behind
from tests.attacks.work import Ground, folder_of, numbered
from tests.attacks.workspaces import Known
from tests.builders.faulty_workspaces import copied, drop_new_files, first_night, published_of, state_of

_WHOLE = "A kill at any moment leaves the last good results or the new ones, whole; the next refresh makes up for it, and no file or message is lost."
PLAIN = Attack(
    "kills", _WHOLE, "SIGKILL in all phases of a refresh, in a small workspace; every fifth chain while readers read", "kills", "KILLS", 300
)  # fmt: skip
PREFECT = Attack(
    "prefect-kills", _WHOLE, "The same with `--prefect`; the next refresh, with Prefect too, works at once", "kills", "PREFECT_KILLS", 100
)  # fmt: skip
READ = Attack(
    "read-kills", "Readers never wait, see no error, and never see two refreshes mixed.",
    "SIGKILL in all phases while two processes query the published tables and read all pages without pause", "kills", "READ_KILLS", 100,
)  # fmt: skip
DEMO = Attack(
    "demo-kills", "The same holds at the demo's size, with several processes at work.", "SIGKILL at random times of the demo's refresh", "kills", "DEMO_KILLS", 60
)  # fmt: skip

_MOST_KILLS_IN_A_CHAIN = 4
_MOST_KILLS_IN_A_DEMO_CHAIN = 16
"""More, as the refresh that ends a chain takes minutes."""


def small_world(folder: Path, processes: Any, *, prefect: bool = False) -> Known:
    """A workspace refreshed once, with files dropped since."""
    place = first_night(folder / "template")
    drop_new_files(place)
    return observed(place, folder, processes, prefect=prefect)


def observed(
    place: Workspace, folder: Path, processes: Any, *, prefect: bool = False, is_program: bool = False
) -> Known:
    """What an undisturbed refresh of a copy does; its moments are listed."""
    known = Known(place, workspaces.dropped_files(place), {}, {})
    if place.published.exists():
        known.published.update([_before(place)])
    copy, log = Workspace(copied(place, folder / "undisturbed")), folder / "undisturbed.log"
    order = Order(str(copy.root), str(log), prefect=prefect, list_moments=True)
    run = Run(processes, order, is_program=prefect or is_program)
    assert run.end(LONGEST_RUN) == 0, log.read_text()
    seconds = time.monotonic() - run.began
    known.published.update([workspaces.seen(copy)])
    messages = workspaces.messages_about(known.dropped, log.read_text())
    undisturbed = workspaces.digests(state_of(copy))
    moments = json.loads(Path(f"{log}.moments").read_text())
    shutil.rmtree(copy.root)
    return replace(known, undisturbed=undisturbed, messages=messages, seconds=seconds, moments=moments)


def _before(place: Workspace) -> tuple[str, workspaces.State]:
    folder = place.published.resolve()
    return folder.name, workspaces.digests(published_of(folder))


class Chain:
    """Kills one after the other in one workspace, until a refresh ends; every other kill is at a marked moment."""

    def __init__(
        self,
        known: Known,
        folder: Path,
        processes: Any,
        seed: int,
        *,
        prefect: bool = False,
        is_program: bool = False,
        reader_count: int = 0,
    ) -> None:
        self.known, self.processes, self.prefect, self.reader_count = known, processes, prefect, reader_count
        self.is_program = is_program or prefect
        self.rng = random.Random(seed)
        self.place = Workspace(copied(known.template, folder / "space"))
        self.log = folder / "log"
        self.kills: Counter[str] = Counter()
        self.wrong: list[str] = []
        self.seconds = known.seconds

    def result(self, number: int, most: int) -> Result:
        """Make up to ``most`` kills, then let a refresh end, and look at everything."""
        with self._readers() as read:
            for at_moment in self._plan(most):
                if not self._kill(at_moment):
                    break
                self.wrong += workspaces.wrong_after_kill(self.place, self.known)
            output = self._end()
        self.wrong += read.wrong
        if output is not None:
            self.wrong += workspaces.wrong_at_the_end(self.place, self.known, output)
        self.wrong += left_behind(self.place.root)
        figures = {f"kills {name}": count for name, count in self.kills.items()}
        if read.sessions:
            figures["sessions of readers"] = read.sessions
        broken = [f"chain {number}: {words}" for words in dict.fromkeys(self.wrong)]
        return Result(number, sum(self.kills.values()), figures, broken)

    def _plan(self, most: int) -> list[bool]:
        """For each kill to come, whether it is at a marked moment."""
        first = self.rng.random() < 0.5
        return [(n % 2 == 0) == first and bool(self.known.moments) for n in range(most)]

    @contextmanager
    def _readers(self) -> Iterator[readers.Readers]:
        if not self.reader_count:
            yield readers.Readers()
            return
        with readers.reading(self.processes, self.place.root, self.reader_count) as found:
            yield found

    def _kill(self, at_moment: bool) -> bool:
        """Start a refresh and kill it; False when it ended before."""
        moment = self._moment() if at_moment else None
        run = self._run(moment)
        if moment:
            code = run.end(LONGEST_RUN)
            is_killed = code == -signal.SIGKILL
            if code not in (0, -signal.SIGKILL):
                self.wrong.append(f"a refresh to be killed failed ({code}): {self.log.read_text().splitlines()[-4:]}")
        else:
            is_killed = run.kill_after(self.rng.uniform(0, self.seconds))
        self.kills["at marked moments" if moment else "at random times"] += is_killed
        return is_killed

    def _moment(self) -> Moment:
        """One of the kinds, then one of that kind: what happens once in a refresh is met as often as what happens a hundred times."""
        counts = Counter(self.known.moments)
        kind = self.rng.choice(sorted(counts))
        return Moment(kind, self.rng.randint(1, counts[kind]), self.rng.random() < 0.5)

    def _run(self, moment: Moment | None = None) -> Run:
        order = Order(str(self.place.root), str(self.log), prefect=self.prefect, moment=moment)
        return Run(self.processes, order, is_program=self.is_program)

    def _end(self) -> str | None:
        """What all refreshes printed, once one of them has ended; None if it failed."""
        run = self._run()
        code = run.end(LONGEST_RUN)
        output = self.log.read_text()
        if code == 0:
            return output
        self.wrong.append(f"the refresh after the kills failed ({code}): {output.splitlines()[-4:]}")
        if code is None:
            run.kill_after(0)
        return None


def plain(ground: Ground, number: int, left: int) -> Result:
    """A chain without Prefect; every fifth has readers."""
    known = ground.once("small", lambda: small_world(ground.folder, ground.processes))
    return _chain(ground, number, left, known, reader_count=2 * (number % 5 == 0))


def with_prefect(ground: Ground, number: int, left: int) -> Result:
    """A chain with Prefect."""
    known = ground.once("small", lambda: small_world(ground.folder, ground.processes, prefect=True))
    return _chain(ground, number, left, known, prefect=True, reader_count=2 * (number % 5 == 0))


def with_readers(ground: Ground, number: int, left: int) -> Result:
    """A chain while readers read."""
    known = ground.once("small", lambda: small_world(ground.folder, ground.processes))
    return _chain(ground, number, left, known, reader_count=2)


def at_demo_size(ground: Ground, number: int, left: int) -> Result:
    """A chain of the demo's first refresh; its plans stay kept between kills."""
    known = ground.once("demo", lambda: demo_world(ground))
    return _chain(ground, number, left, known, most=_MOST_KILLS_IN_A_DEMO_CHAIN, is_program=True)


def demo_world(ground: Ground) -> Known:
    """The demo, and what an undisturbed refresh makes of it: kept for later parts, as it takes minutes."""
    folder = ground.kept / f"demo-{software_digest()[:8]}"
    kept = folder / "known.json"
    if not kept.is_file():
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        result = CliRunner().invoke(app, ["init", str(folder / "template"), "--demo"])
        assert result.exit_code == 0, result.output
        found = observed(Workspace(folder / "template"), folder, ground.processes, is_program=True)
        # Its processes do not list their moments: only kills at random times.
        workspaces.save(replace(found, moments=[]), kept)
    return workspaces.load(kept)


def _chain(
    ground: Ground, number: int, left: int, known: Known, most: int = _MOST_KILLS_IN_A_CHAIN, **how: Any
) -> Result:
    seed = numbered(ground.seed, number)
    folder = folder_of(ground, number)
    kills = min(left, random.Random(seed).randint(1, most))
    result = Chain(known, folder, ground.processes, seed, **how).result(number, kills)
    if not result.broken:
        shutil.rmtree(folder)
    return result
