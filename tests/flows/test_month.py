"""Which month a report is of, and where it is."""

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import UsageError
from pipelines.flows.month import month_before, report_of
from pipelines.workspace import Workspace


@pytest.mark.parametrize(
    ("day", "month"),
    [
        (date(2026, 11, 1), "2026-10"),
        (date(2026, 1, 1), "2025-12"),
        (date(2024, 3, 31), "2024-02"),
        (date(2026, 3, 30), "2026-02"),
    ],
)
def test_the_month_before(day: date, month: str) -> None:
    assert month_before(day) == month


@pytest.fixture
def place(tmp_path: Path) -> Any:
    (tmp_path / "kitfare.toml").touch()
    reports = tmp_path / "published/public/reports"
    reports.mkdir(parents=True)
    for name in ("2026-09.html", "2026-10.html", "2026-10.md", "index.html"):
        (reports / name).touch()
    return Workspace(tmp_path)


def test_a_month_s_report_is_found(place: Any) -> None:
    assert report_of(place, "2026-10") == place.public / "reports" / "2026-10.html"


@pytest.mark.parametrize(
    "month", ["", "2026", "2026-13", "2026-1", "26-10", "2026-10-31", "../2026-10", "2026-10\n", "index", "２０２６-10"]
)
def test_what_is_no_month_is_refused(place: Any, month: str) -> None:
    with pytest.raises(UsageError, match="is not a month"):
        report_of(place, month)


def test_a_month_without_a_report_names_those_with_one(place: Any) -> None:
    with pytest.raises(UsageError, match="no report of 2026-08") as caught:
        report_of(place, "2026-08")
    assert caught.value.where == "months with a report: 2026-09, 2026-10"


def test_a_models_report_is_found_and_one_that_is_not_there_named(place: Any) -> None:
    folder = place.public / "reports" / "2026-10"
    folder.mkdir()
    (folder / "crane.html").touch()
    assert report_of(place, "2026-10", "crane") == folder / "crane.html"
    with pytest.raises(UsageError, match="no report of the model mill in 2026-10") as caught:
        report_of(place, "2026-10", "mill")
    assert caught.value.where == "models with one: crane"
    with pytest.raises(UsageError, match="no report of the model"):
        report_of(place, "2026-10", "../2026-10")
