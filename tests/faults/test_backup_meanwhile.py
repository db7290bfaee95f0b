"""Backups that are made while a refresh is at work."""

from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.rebuild import rebuild
from pipelines.flows.refresh import refresh
from pipelines.flows.steps import intake_steps
from pipelines.flows.upkeep import backup, restore
from pipelines.workspace import Workspace
from tests.builders.faulty_workspaces import differences, state_of


def test_backups_while_a_refresh_is_at_work_lose_nothing(
    place: Workspace, undisturbed: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each is what a refresh that had not begun, or had ended, would leave: the next refresh ends as if nothing had been."""
    folder = tmp_path / "backups"
    seen: list[tuple[str, backup.Made]] = []
    load = intake_steps._load_one

    def loaded(*arguments: Any) -> Any:
        result = load(*arguments)
        seen.append((f"file {len(seen)}", backup.back_up(place, folder)))
        return result

    monkeypatch.setattr(intake_steps, "_load_one", loaded)
    at_work = ("take in dropped files", "fold the price history", "plan the purchases", "publish")

    def begun(name: str, _done: int, _all: int) -> None:
        if name in at_work and name not in dict(seen):
            seen.append((name, backup.back_up(place, folder)))

    assert refresh(place, progress=begun).published
    monkeypatch.undo()
    half = [made for name, made in seen if name.startswith("file")]
    # Taken, quarantined or still in the inbox: no moment at which one of the files is nowhere.
    dropped = {"north-2.csv", "north-3.csv", "north-4.csv", "south-2.csv", "south-3.csv", "twice.csv", "letter.txt"}
    for made in half:
        assert {name.removeprefix("inbox/") for name in made.backup.files if name.startswith("inbox/")} == dropped
    assert [len(made.moved_back) for made in half] == list(range(1, len(dropped) + 1))
    assert not any(made.left_out for _, made in seen)
    for name in ("file 4", "publish"):
        number = dict(seen)[name].backup.number
        restore.restore(restore.chosen(folder, number), folder, tmp_path / f"again {number}")
        again = Workspace(tmp_path / f"again {number}")
        rebuild(again, replace=True)
        refresh(again)
        assert differences(state_of(again), undisturbed) == [], name
