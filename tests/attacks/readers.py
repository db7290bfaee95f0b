"""Readers that query what is published and read its pages again and again, in processes of their own."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipelines.warehouse.publishing import generation, query
from pipelines.workspace import Workspace

LONGEST_WAIT = 120
"""Seconds after which a reader that says nothing has failed."""

_SQL = """
select (select any_value(refresh_id) from refresh_run) as refresh_id,
    (select count(*) from price_history) as history_count,
    (select sum(hash(vendor_code, part_code, colour_code, unit_price, valid_from_on)) from price_history) as history,
    (select sum(hash(model_code, scenario_code, priced_on, complete_cost)) from model_cost) as costs,
    (select sum(read_row_count) from intake_file) as read_row_count
"""


def read_on(root: str, channel: Any, pause: float) -> None:
    """Read until asked to stop; sends (sessions, what was seen in order, what went wrong)."""
    place = Workspace(Path(root))
    sessions, wrong = 0, ""
    seen: list[tuple[Any, ...]] = []
    while not channel.poll(pause):
        try:
            through_link = query.run_query(place.database, _SQL).row(0)
            _read_pages(place.published.resolve())
        except Exception as error:
            wrong = f"{type(error).__name__}: {error}"
            break
        sessions += 1
        if not seen or seen[-1] != through_link:
            seen.append(through_link)
    channel.send((sessions, seen, wrong))


def _read_pages(folder: Path) -> None:
    """Every page of the generation that is seen now, whole."""
    sums = dict(line.split("  ", 1)[::-1] for line in (folder / generation.SUMS_NAME).read_text().splitlines())
    pages = [name for name in sums if name.endswith(".html")]
    assert "private/index.html" in pages, "no first page"
    for name in pages:
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == sums[name], f"{name} is not whole"


class Readers:
    """What they saw, once the block has ended."""

    def __init__(self) -> None:
        self.sessions = 0
        self.wrong: list[str] = []

    def hear(self, sessions: int, seen: list[tuple[Any, ...]], wrong: str) -> None:
        self.sessions += sessions
        if wrong:
            self.wrong.append(f"a reader: {wrong}")
        names = [state[0] for state in seen]
        if len(names) != len(set(names)):
            self.wrong.append(f"a reader saw two states of one generation, or an older one again: {seen}")
        if not sessions:
            self.wrong.append("a reader saw nothing at all")


@contextmanager
def reading(processes: Any, root: Path, count: int) -> Iterator[Readers]:
    """Let so many readers read while the block runs."""
    readers, started = Readers(), []
    for _ in range(count):
        ours, theirs = processes.Pipe()
        process = processes.Process(target=read_on, args=(str(root), theirs, 0.05))
        process.start()
        theirs.close()
        started.append((ours, process))
    try:
        yield readers
    finally:
        for ours, process in started:
            try:
                ours.send("stop")
                readers.hear(*ours.recv() if ours.poll(LONGEST_WAIT) else (0, [], "it says nothing"))
            except (BrokenPipeError, EOFError):
                readers.hear(*(ours.recv() if ours.poll(0) else (0, [], "it died")))
            process.join(LONGEST_WAIT)
