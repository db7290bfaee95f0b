"""A `kitfare refresh` that kills itself at a stated moment, or lists the moments there are.

A moment is a change of the workspace's files by Python, or the beginning or end of a commit in the warehouse. What DuckDB and
Polars write between two moments, only kills at random times meet.
"""

from __future__ import annotations

import json
import os
import re
import signal
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipelines.warehouse import connect

_CHANGES = {
    "os.rename",
    "os.symlink",
    "os.link",
    "os.remove",
    "os.mkdir",
    "os.rmdir",
    "os.truncate",
    "os.chmod",
    "os.utime",
}
_WITH_TARGET = {"os.rename", "os.symlink", "os.link"}
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC


@dataclass(frozen=True)
class Moment:
    """The so-manieth of its kind, from 1; ``after`` is the next thing that Python does, whatever it is."""

    kind: str
    number: int = 1
    after: bool = False


@dataclass(frozen=True)
class Order:
    """What a process is to do.

    Args:
        root: the workspace.
        log: where what it prints goes; in LOG.moments it lists the moments, if it is to.
        prefect: with ``--prefect``.
        moment: when to kill itself.
        list_moments: whether to list the kinds of moments met, in order.
    """

    root: str
    log: str
    prefect: bool = False
    moment: Moment | None = None
    list_moments: bool = False


class _Watch:
    def __init__(self, order: Order) -> None:
        self.order, self.root = order, os.path.realpath(order.root) + os.sep
        self.met: list[str] = []
        self.counts: Counter[str] = Counter()
        self.is_due = False

    def hear(self, event: str, arguments: tuple[Any, ...]) -> None:
        if self.is_due:
            self.is_due = False  # os.kill is an event too
            os.kill(os.getpid(), signal.SIGKILL)
        if event == "kitfare.moment":
            self.meet(arguments[0])
        elif event in _CHANGES or (event == "open" and _writes(arguments)):
            path = arguments[1 if event in _WITH_TARGET else 0]
            if isinstance(path, str | bytes | os.PathLike):
                name = os.path.abspath(os.fsdecode(path))  # noqa: PTH100
                if name.startswith(self.root):
                    self.meet(f"{event} {kind_of(name[len(self.root) :])}")

    def meet(self, kind: str) -> None:
        self.met.append(kind)
        self.counts[kind] += 1
        if (moment := self.order.moment) and kind == moment.kind and self.counts[kind] == moment.number:
            if not moment.after:
                os.kill(os.getpid(), signal.SIGKILL)
            self.is_due = True


def _writes(arguments: tuple[Any, ...]) -> bool:
    return len(arguments) > 2 and isinstance(arguments[2], int) and bool(arguments[2] & _WRITING)


def kind_of(path: str) -> str:
    """A path in a workspace without what differs from night to night; files below a folder are one kind per ending."""
    path = re.sub(r"(?<=archive/)[0-9a-f]{2}(?=/)|[0-9a-f]{8,}|(?<=-)[a-z0-9_]{8}$|\d+", "#", path)
    folder, _, name = path.rpartition("/")
    # Of a generation's many folders the topmost counts: else its order lists alone would be a dozen kinds.
    folder = "/".join(folder.split("/")[:3])
    return f"{folder}/*{Path(name).suffix}" if folder else name


@contextmanager
def _marked_transaction(con: connect.Connection, _plain: Any = connect.transaction) -> Iterator[None]:
    where = sys._getframe(2).f_code.co_name
    with _plain(con):
        yield
        sys.audit("kitfare.moment", f"before the commit of {where}")
    sys.audit("kitfare.moment", f"after the commit of {where}")


# Before the modules are imported that take the name from this one.
vars(connect)["transaction"] = _marked_transaction


def run(order: Order) -> None:
    """Do what the order says, as the command line would; ends with its exit code."""
    output = os.open(order.log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.dup2(output, 1)
    os.dup2(output, 2)
    sys.argv = ["kitfare", "refresh", "--workspace", order.root, *(["--prefect"] if order.prefect else [])]
    from pipelines.cli.main import main

    watch = _Watch(order)
    if order.moment or order.list_moments:
        sys.addaudithook(watch.hear)
    try:
        main()
    finally:
        if order.list_moments:
            Path(order.log + ".moments").write_text(json.dumps(watch.met))


def to_json(order: Order) -> str:
    """The order as the one argument of this program."""
    return json.dumps(asdict(order))


if __name__ == "__main__":
    given = json.loads(sys.argv[1])
    if given["moment"]:
        given["moment"] = Moment(**given["moment"])
    run(Order(**given))
