"""A correction that makes no sense, or that would never end, stops the refresh with its line."""

from pathlib import Path

import polars as pl
import pytest

from pipelines.errors import InputError
from pipelines.intake.workspace.workspace_files import read_workspace
from pipelines.workspace import Workspace

HEADER = "vendor_code,part_code,observed_from_on,observed_to_on,correction_action,correction_factor,corrected_currency_code,guard_price_from,guard_price_to,decided_on,reason\n"
BUYER = '[[buyer]]\nbuyer_code = "home"\ntitle = "home"\nregion_code = "home"\ncurrency_code = "EUR"\n'


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    (tmp_path / "tables").mkdir()
    (tmp_path / "kitfare.toml").write_text(BUYER)
    return Workspace(tmp_path)


def read(place: Workspace, row: str) -> pl.DataFrame:
    (place.tables / "source_corrections.csv").write_text(HEADER + row + ",2026-11-20,known\n")
    return read_workspace(place).tables["source_corrections"]


@pytest.mark.parametrize(
    "row",
    [
        "acorn,00501,2026-11-01,,multiply_price,0.1,,0.5,",
        "acorn,,2026-11-01,2026-11-02,drop,,,,",
        "acorn,,2026-11-01,,set_currency,,SEK,,3",
    ],
)
def test_a_correction_that_ends_is_read(place: Workspace, row: str) -> None:
    assert read(place, row).height == 1


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("acorn,00501,2026-11-01,,multiply_price,0.1,,,", "would never end"),
        ("acorn,00501,2026-11-01,2026-11-02,multiply_price,,,,", "a factor is needed"),
        ("acorn,00501,2026-11-01,2026-11-02,drop,0.1,,,", "a factor is needed"),
        ("acorn,00501,2026-11-01,2026-11-02,set_currency,,,,", "a currency is needed"),
        ("acorn,00501,2026-11-02,2026-11-01,drop,,,,", "end before they begin"),
        ("acorn,00501,2026-11-01,,drop,,,2,1", "end before they begin"),
        ("acorn,00501,2026-11-01,2026-11-02,guess,,,,", "correction_action"),
    ],
)
def test_one_that_makes_no_sense_is_refused_with_its_line(place: Workspace, row: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        read(place, row)
    assert message in str(caught.value) and "line 2" in str(caught.value)
