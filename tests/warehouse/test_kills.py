"""Killed at any moment, the warehouse and what is published are as after the last whole step; readers never notice."""

import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, tables
from pipelines.warehouse.publishing import checks, generation
from pipelines.warehouse.publishing.query import run_query
from pipelines.workspace import Workspace
from tests.builders.length import examples
from tests.builders.programs.killed_work import FILE_COUNT, load_and_fold
from tests.present import present

ROOT = Path(__file__).resolve().parents[2]
WORK = "tests.builders.programs.killed_work"


def at_work(kind: str, folder: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", WORK, kind, str(folder)]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert present(process.stdout).readline() == "at work\n"
    return process


def state_of(folder: Path) -> dict[str, Any]:
    with connect.reader(folder / "warehouse.duckdb") as con:
        frames = tables.intake_tables(con)
        return {**{name: frame.rows() for name, frame in frames.items()}, "fingerprint": history.fingerprint(con)}


def test_loading_and_folding_killed_again_and_again_ends_as_undisturbed(tmp_path: Path) -> None:
    undisturbed, disturbed = tmp_path / "undisturbed", tmp_path / "disturbed"
    undisturbed.mkdir()
    disturbed.mkdir()
    began = time.monotonic()
    load_and_fold(undisturbed)
    whole = time.monotonic() - began
    rng = random.Random(5)
    progress = []
    for number in range(examples(6, 12)):
        process = at_work("load", disturbed)
        time.sleep(rng.uniform(0, whole / 3) if number else 0)
        process.send_signal(signal.SIGKILL)
        process.communicate()
        with connect.writer(disturbed / "warehouse.duckdb") as con:
            progress.append(con.execute("select count(*) from received_file").fetchall()[0][0])
            unfolded = con.execute("select count(*) from file_to_fold").fetchall()[0][0]
            # every file is loaded whole or not at all
            broken = con.execute(
                "select file_hash from received_file left join price_observation using (file_hash) "
                "group by file_hash, read_row_count having count(price_observation.file_hash) <> read_row_count"
            ).fetchall()
            assert broken == []
            assert unfolded <= progress[-1]
    assert progress == sorted(progress)
    assert any(0 < count < FILE_COUNT for count in progress), progress
    process = at_work("load", disturbed)
    assert process.communicate()[0] == "done\n"
    assert state_of(disturbed) == state_of(undisturbed)


def test_readers_keep_working_while_generations_are_published_and_publishers_killed(tmp_path: Path) -> None:
    (tmp_path / "kitfare.toml").write_text("")
    (tmp_path / "generations").mkdir()
    workspace = Workspace(tmp_path)
    process = at_work("publish", tmp_path)
    began = time.monotonic()
    while not workspace.published.exists():
        time.sleep(0.05)
    whole = time.monotonic() - began
    rng = random.Random(7)
    names: list[str] = []
    kill_at, kills = time.monotonic() + whole, 0
    least, most = time.monotonic() + examples(4, 12), time.monotonic() + 180

    def enough() -> Any:
        """Kills, and new generations between them; a slow machine needs longer for as many."""
        return kills >= 3 and len(set(names)) >= 3 and len(names) > 2 * len(set(names))

    while time.monotonic() < least or (time.monotonic() < most and not enough()):
        found = run_query(
            workspace.published / "private/kitfare.duckdb",
            "select (select refresh_id from refresh_run), (select count(*) from plan_line), "
            "(select count(*) from price_history)",
        ).row(0)
        assert found[1:] == (4, 3)
        names.append(found[0])
        seen = workspace.published.resolve()
        assert seen.name in (seen / "private/tables/refresh_run.csv").read_text()
        if time.monotonic() > kill_at:
            process.send_signal(signal.SIGKILL)
            process.communicate()
            kills += 1
            checks.run_checks(workspace.published.resolve() / "private/kitfare.duckdb")
            process = at_work("publish", tmp_path)
            # Before, in and after the first publication; ever later, because a machine may have grown slower since.
            kill_at = time.monotonic() + rng.uniform(0.2, 3) * whole * (1 + kills / 8)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert enough(), (kills, len(names), len(set(names)))
    assert names == sorted(names), "readers never go back to an older generation"
    generation.clean_leftovers(workspace)
    left = [path.name for path in workspace.generations.iterdir()]
    assert not [name for name in left if "." in name]
    # a kill between naming a generation and swapping the link leaves it whole; it goes when its turn comes
    assert len(left) <= 4
