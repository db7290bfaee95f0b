"""The demo from the layout of a wheel."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

from tests.demo.test_demo_install import ROOT


def test_it_works_from_the_layout_of_a_wheel(tmp_path: Path) -> None:
    site = tmp_path / "site"
    ignored = shutil.ignore_patterns("__pycache__")
    for name in ("pipelines", "schemas"):
        shutil.copytree(ROOT / name, site / name, ignore=ignored)
    shutil.copytree(ROOT / "demo_inputs", site / "pipelines" / "_resources" / "demo_inputs", ignore=ignored)
    code = (
        "import sys; from pathlib import Path; import pipelines.demo as demo; "
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
