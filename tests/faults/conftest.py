"""A workspace that was refreshed once and has new files, what an undisturbed refresh makes of it, and processes for both."""

import multiprocessing
import time
from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.refresh import refresh
from pipelines.workspace import Workspace
from tests.builders.faulty_workspaces import copied, drop_new_files, first_night, state_of
from tests.builders.programs.fault_work import PRELOADED


@pytest.fixture(scope="session")
def processes() -> Any:
    """Forked from a process that has imported everything and done nothing, so that a hundred refreshes can start at once."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    return context


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Any:
    place = first_night(tmp_path_factory.mktemp("faults") / "template")
    drop_new_files(place)
    return place


@pytest.fixture(scope="session")
def refreshed(template: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The workspace after an undisturbed refresh; to be copied, not touched."""
    place = Workspace(copied(template, tmp_path_factory.mktemp("faults") / "undisturbed"))

    def begun(name: str, _done: int, _all: int) -> None:
        BEGUN.setdefault(name, time.monotonic())

    assert refresh(place, progress=begun).published
    BEGUN["the end"] = time.monotonic()
    return place


@pytest.fixture(scope="session")
def undisturbed(refreshed: Any) -> Any:
    """All that can be seen of it."""
    return state_of(refreshed)


BEGUN: dict[str, float] = {}
"""When each step of the undisturbed refresh began, in order."""


@pytest.fixture(scope="session")
def seconds(refreshed: Any) -> Any:
    """How long each step of an undisturbed refresh took."""
    names = list(BEGUN)
    return {name: BEGUN[after] - BEGUN[name] for name, after in zip(names, names[1:], strict=False)}


@pytest.fixture
def place(template: Any, tmp_path: Path) -> Any:
    return Workspace(copied(template, tmp_path / "space"))
