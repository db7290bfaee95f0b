"""Makes the oracles importable here, and gives tests a warehouse of their own."""

import sys
from pathlib import Path

import pytest

from pipelines.warehouse import connect

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "oracle"))


@pytest.fixture
def con(tmp_path):
    with connect.writer(tmp_path / "warehouse.duckdb") as opened:
        yield opened
