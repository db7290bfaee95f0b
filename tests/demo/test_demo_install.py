"""``install_demo`` makes a workspace in one call, from a checkout and from a wheel's layout alike."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest
from hatchling.builders.wheel import WheelBuilder

from demo_inputs import make_exports
from demo_inputs.make_workspace import WORKSPACE
from pipelines import demo
from pipelines.settings import Workspace
from tests.present import present

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def few_exports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Writing all exports takes seconds; what install_demo does besides does not depend on them."""
    module = demo.demo_module("make_exports")
    monkeypatch.setattr(module, "make_exports", lambda inbox: inbox.mkdir(parents=True))


def test_it_copies_every_file_and_makes_a_workspace(tmp_path: Path, few_exports: Any) -> None:
    demo.install_demo(tmp_path / "demo")
    workspace = Workspace(tmp_path / "demo")
    for path in WORKSPACE.rglob("*"):
        if path.is_file():
            assert (workspace.root / path.relative_to(WORKSPACE)).read_bytes() == path.read_bytes()
    assert workspace.inbox.is_dir() and workspace.quarantined.is_dir()
    assert workspace.settings().refresh.priced_on == "latest_export"


def test_the_settings_file_comes_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A demo that was cut off is no workspace."""

    def cut_off(_inbox: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(demo.demo_module("make_exports"), "make_exports", cut_off)
    with pytest.raises(KeyboardInterrupt):
        demo.install_demo(tmp_path)
    assert not (tmp_path / "kitfare.toml").exists()


def test_the_module_loaded_by_path_is_the_one_of_the_checkout() -> None:
    assert Path(present(demo.demo_module("make_exports").__file__)) == Path(make_exports.__file__)


@pytest.mark.slow
def test_the_wheel_carries_every_resource_and_runs_from_another_folder(tmp_path: Path) -> None:
    [wheel] = WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    site = tmp_path / "site"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    for name in ("sql", "reports", "demo_inputs"):
        carried = site / "pipelines" / "_resources" / name
        tracked = {
            path.relative_to(ROOT / name) for path in (ROOT / name).rglob("*.*") if "__pycache__" not in path.parts
        }
        assert tracked <= {path.relative_to(carried) for path in carried.rglob("*.*")}
    code = (
        "import sys; from pathlib import Path; from pipelines.resources import resource_folder; "
        "from pipelines.warehouse import checks, connect; "
        "assert resource_folder('sql').is_relative_to(sys.argv[1]); assert len(checks.check_queries()) > 40\n"
        "with connect.writer(Path('warehouse.duckdb')) as con: con.execute('from intake_file()')"
    )
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    done = subprocess.run(
        [sys.executable, "-c", code, str(site)],
        cwd=elsewhere,
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
