"""A warehouse of its own for each test."""

import pytest

from pipelines.warehouse import connect


@pytest.fixture
def con(tmp_path):
    with connect.writer(tmp_path / "warehouse.duckdb") as opened:
        yield opened
