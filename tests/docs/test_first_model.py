"""The README: short, and its first model works as written, pasted into an empty folder."""

import os
import re
import subprocess
import sys
from pathlib import Path

WORD_LIMIT = 1_000


def test_the_readme_is_short(guides: dict[str, str]) -> None:
    assert len(guides["README.md"].split()) <= WORD_LIMIT


def test_the_first_model_is_priced_as_written(guides: dict[str, str], tmp_path: Path) -> None:
    section = guides["README.md"].partition("## Your first model\n")[2].partition("\n## ")[0]
    steps = re.findall(r"```sh\n(.*?)```", section, re.S)
    (expected,) = re.findall(r"```text\n(.*?)```", section, re.S)
    assert len(steps) == len(re.findall(r"^\d+\. ", section, re.M)) == 5
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-euc", "".join(steps)], cwd=tmp_path, env={**os.environ, "PATH": path}, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("\n" + expected), done.stdout
    costs = {row.split()[0]: row.split()[1:] for row in expected.splitlines()[2:]}
    said = f"costs {costs['listed'][0]} EUR, from two vendors. With the hidden line in any colour it costs {costs['flexible'][0]}, from one."
    assert said in " ".join(section.split())
    assert (costs["listed"][2], costs["flexible"][2]) == ("2", "1")
    assert (tmp_path / "my-models/published/private/index.html").is_file()
    assert list((tmp_path / "my-models/published/private/orders").rglob("*.csv"))
