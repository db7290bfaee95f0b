"""The wheel: it carries every resource, and the demo works from its layout."""

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

from hatchling.builders.wheel import WheelBuilder

from tests.demo.test_demo_install import ROOT


def test_it_works_from_the_layout_of_a_wheel(tmp_path: Path) -> None:
    site = tmp_path / "site"
    ignored = shutil.ignore_patterns("__pycache__")
    for name in ("pipelines", "schemas"):
        shutil.copytree(ROOT / name, site / name, ignore=ignored)
    shutil.copytree(ROOT / "demo_inputs", site / "pipelines" / "_resources" / "demo_inputs", ignore=ignored)
    code = (
        "import sys; from pathlib import Path; import pipelines.cli.start.demo as demo; "
        "assert Path(demo.__file__).is_relative_to(sys.argv[1]), demo.__file__; "
        "demo.install_demo(Path('there')); "
        "assert Path(demo.demo_module('market').__file__).is_relative_to(sys.argv[1])"
    )
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    environment = {**os.environ, "PYTHONPATH": str(site)}
    done = subprocess.run(
        [sys.executable, "-c", code, str(site)],
        cwd=elsewhere,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert len(list((elsewhere / "there" / "inbox").iterdir())) > 200


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
        "from pipelines.warehouse import connect; from pipelines.warehouse.publishing import checks; "
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
