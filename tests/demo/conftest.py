"""The demo's price exports, made once, and what takes them in."""

import time
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from demo_inputs.make_exports import make_exports
from demo_inputs.make_workspace import WORKSPACE
from pipelines.intake.profiles.profiles import load_profiles
from pipelines.intake.take_in import TakenFile, take_in
from schemas.inputs.catalogue import CODE_MAP
from schemas.validate import require_valid


@pytest.fixture(scope="session")
def inbox(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("demo") / "inbox"
    began = time.process_time()
    row_count = make_exports(folder)
    assert time.process_time() - began < 20
    assert 600_000 <= row_count <= 900_000
    return folder


@pytest.fixture(scope="session")
def take(tmp_path_factory: pytest.TempPathFactory) -> Any:
    archive = tmp_path_factory.mktemp("archive")
    profiles = load_profiles(WORKSPACE / "profiles")
    text = pl.read_csv(WORKSPACE / "tables" / "code_map.csv", infer_schema=False)
    code_map = require_valid(CODE_MAP, text, where="code_map")

    def taken(path: Path) -> TakenFile:
        return take_in(path, profiles, code_map, archive)

    return taken
