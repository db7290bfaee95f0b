"""Spreadsheets with some bytes changed are read or refused in words."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.builders.files import OUR_HEADER, OUR_ROW, write_xlsx
from tests.intake.reading.test_fuzz import changed, changes, check_taken_in, limits


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


@limits(2, 60)
@given(changes, st.sampled_from([1.0, 1.0, 0.9]))
def test_spreadsheets_with_some_bytes_changed(folder: Path, edits: list[tuple[float, int]], cut: float) -> None:
    path = write_xlsx(folder / "seed.xlsx", {"P": [list(OUR_HEADER), list(OUR_ROW)]})
    check_taken_in(folder, changed(path.read_bytes(), edits, cut), "xlsx")
