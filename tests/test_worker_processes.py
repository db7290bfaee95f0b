"""Work shared among processes."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import InputError, KitfareError
from pipelines.workers import keep_processes, spread
from tests.present import present
from tests.test_workers import add, process_id


def test_several_workers_do_all_items_elsewhere() -> None:
    taken = []

    def items() -> Iterator[Any]:
        for number in range(30):
            taken.append(number)
            yield number, number

    results = spread(add, 100, items(), 2)
    first = next(results)
    assert len(taken) <= 5
    assert sorted([first, *results]) == [(number, number + 100) for number in range(30)]
    processes = {process for _, process in spread(process_id, None, [(n, n) for n in range(4)], 2)}
    assert os.getpid() not in processes


def test_workers_have_one_thread_each_and_the_caller_keeps_its_setting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("POLARS_MAX_THREADS", "7")
    assert [needed for _, needed in spread(threads_needed, None, [(1, 1)], 2)] == ["1"]
    assert os.environ["POLARS_MAX_THREADS"] == "7"
    monkeypatch.delenv("POLARS_MAX_THREADS")
    list(spread(threads_needed, None, [(1, 1)], 2))
    assert "POLARS_MAX_THREADS" not in os.environ


def test_an_error_comes_through_whole() -> None:
    with pytest.raises(InputError) as raised:
        list(spread(fail, None, [(1, 1), (2, 2)], 2))
    assert raised.value.next_step == "correct it"


def test_a_process_that_dies_is_reported() -> None:
    with pytest.raises(KitfareError, match="process died"):
        list(spread(die, None, [(1, 1)], 2))


def test_processes_end_when_the_one_that_started_them_is_killed() -> None:
    program = (
        "import time\nfrom pipelines.workers import keep_processes, spread\nfrom tests.test_workers import process_id\n"
        "if __name__ == '__main__':\n"
        "    with keep_processes():\n"
        "        print(*{one for _, one in spread(process_id, None, [(n, n) for n in range(8)], 2)}, flush=True)\n"
        "        time.sleep(600)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    started = [int(one) for one in present(parent.stdout).readline().split()]
    assert started
    parent.kill()
    parent.wait()
    present(parent.stdout).close()
    deadline = time.monotonic() + 30
    while (left := [one for one in started if runs(one)]) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert left == []


def runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def test_kept_processes_do_several_jobs_and_end_with_the_block() -> None:
    with keep_processes():
        first = {process for _, process in spread(process_id, None, [(n, n) for n in range(8)], 2)}
        assert sorted(spread(add, 10, [(1, 1), (2, 2)], 2)) == [(1, 11), (2, 12)]
        assert sorted(spread(add, 20, [(1, 1), (2, 2)], 2)) == [(1, 21), (2, 22)]
        with pytest.raises(InputError):
            list(spread(fail, None, [(n, n) for n in range(8)], 2))
        with keep_processes():
            again = {process for _, process in spread(process_id, None, [(n, n) for n in range(8)], 2)}
        assert again <= first or len(first | again) <= 2
        with pytest.raises(KitfareError, match="process died"):
            list(spread(die, None, [(1, 1)], 2))
        assert list(spread(add, 1, [(1, 1)], 2)) == [(1, 2)], "others take the place of those that died"
    later = {process for _, process in spread(process_id, None, [(1, 1)], 2)}
    assert not later & (first | again)


def test_results_left_unread_leave_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    results: Any = spread(add, 1, ((n, n) for n in range(100)), 2)
    next(results)
    results.close()
    assert not list(tmp_path.iterdir())


def threads_needed(_shared: Any, _item: Any) -> Any:
    return os.environ.get("POLARS_MAX_THREADS")


def fail(_shared: Any, item: Any) -> None:
    raise InputError(f"item {item} is wrong", where="here", next_step="correct it")


def die(_shared: Any, _item: Any) -> None:
    os._exit(9)
