"""``kitfare refresh --prefect`` ends as it does without."""

import signal
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from tests.builders.workspaces import make_workspace
from tests.flows.test_refresh_command import KITFARE, kitfare
from tests.present import present


@pytest.fixture
def place(tmp_path: Path) -> Any:
    return make_workspace(tmp_path / "space")


def test_with_prefect_errors_and_ctrl_c_are_the_same(place: Any) -> None:
    settings = place.models / "hut" / "model.toml"
    good = settings.read_text()
    settings.write_text(good + "colour = 1\n")
    plain, recorded = kitfare(place, "refresh"), kitfare(place, "refresh", "--prefect")
    assert plain.returncode == recorded.returncode == 3
    assert "Traceback" not in recorded.stderr
    assert plain.stderr.partition("read the workspace ...")[2] == recorded.stderr.partition("read the workspace ...")[2]

    settings.write_text(good)
    process = subprocess.Popen([KITFARE, "refresh", "--prefect"], stderr=subprocess.PIPE, text=True, cwd=place.root)
    for line in present(process.stderr):
        if line.startswith("fold the price history"):
            process.send_signal(signal.SIGINT)
            break
    began = time.monotonic()
    rest = process.communicate(timeout=90)[1]
    assert process.returncode == 130, rest
    assert "Interrupted" in rest and "Traceback" not in rest
    assert time.monotonic() - began < 30
    there = place.root
    arguments = [KITFARE, "refresh", "--prefect", "--workspace", there.name]
    relative = subprocess.run(arguments, cwd=there.parent, capture_output=True, text=True, check=False)
    assert relative.returncode == 0, relative.stderr
