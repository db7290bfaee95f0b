"""A warehouse of its own for each test."""

from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipelines.warehouse import connect


@pytest.fixture
def con(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with connect.writer(tmp_path / "warehouse.duckdb") as opened:
        yield opened
