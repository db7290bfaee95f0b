"""``kitfare refresh`` on a small workspace: what it prints, its exit codes, and that a stop at any moment leaves what was published."""

import fcntl
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipelines.settings import BUILT_IN_SCENARIOS
from tests.builders.workspaces import export, make_workspace
from tests.present import present

KITFARE = str(Path(sys.executable).with_name("kitfare"))


def kitfare(place: Any, *arguments: Any) -> Any:
    return subprocess.run([KITFARE, *arguments], capture_output=True, text=True, timeout=240, cwd=place.root)


@pytest.fixture
def place(tmp_path: Path) -> Any:
    return make_workspace(tmp_path / "space")


def table_of(result: Any) -> Any:
    """The comparison on standard output, by scenario; the columns stand in the order of the built-in scenarios."""
    lines = result.stdout.splitlines()
    row = next(line for line in lines if line.startswith("A hut "))
    assert "Exactly" in result.stdout and "Cheapest" in result.stdout
    codes = [scenario.scenario_code for scenario in BUILT_IN_SCENARIOS]
    return dict(zip(codes, row.removeprefix("A hut").split(), strict=True))


def test_from_the_first_refresh_to_the_third(place: Any) -> None:
    first = kitfare(place, "refresh")
    assert first.returncode == 0, first.stderr
    assert first.stdout.startswith("\nComplete cost for the buyer home, EUR, prices of 2026-10-31\n")
    assert first.stdout.rstrip().endswith(f"Pages: {place.private / 'index.html'}\nTo upload: {place.public}")
    assert (place.private / "index.html").is_file() and not list(place.inbox.iterdir())
    costs = table_of(first)
    # Listed: 10 red of 0.12 and 4 blue of 0.40 from south, shipping 6. Sending to north for the red ones costs 4 more.
    assert costs["listed"] == "8.80"
    assert "take in dropped files ..." in first.stderr and "\x1b" not in first.stderr

    second = kitfare(place, "refresh")
    assert second.returncode == 0 and "Nothing new" in second.stderr
    assert table_of(second) == costs and "Still published" in second.stdout

    bad = export("south", "2026-11-01", ("00502", "blue", "much", 9), ("00501", "red", "0.12", 20))
    (place.inbox / "south-new.csv").write_text(bad)
    third = kitfare(place, "refresh")
    assert third.returncode == 0, third.stderr
    assert "1 of 2 rows quarantined" in third.stderr
    assert "south-new.csv" in kitfare(place, "status").stdout
    recorded = [path.name for path in (place.root / "index_vintages").iterdir()]
    assert len(recorded) == 1 and recorded[0].startswith("2026-11-01-")  # October is over


def test_a_warehouse_without_its_tables_is_given_them(place: Any) -> None:
    """As one that an older version was killed over while it made it."""
    duckdb.connect(str(place.warehouse)).close()
    result = kitfare(place, "refresh")
    assert result.returncode == 0, result.stderr
    assert table_of(result)["listed"] == "8.80"


def test_prices_of_another_date(place: Any) -> None:
    result = kitfare(place, "refresh", "--priced-on", "2026-10-30")
    assert result.returncode == 0, result.stderr
    assert "prices of 2026-10-30" in result.stdout
    assert table_of(result)["listed"].endswith("*")


@pytest.mark.parametrize("text", ["yesterday", "2026-02-30", "30.10.2026", ""])
def test_what_is_no_date_is_refused(text: str, place: Any) -> None:
    result = kitfare(place, "refresh", "--priced-on", text)
    assert result.returncode == 2 and "not a date" in result.stderr
    assert list(place.inbox.iterdir())


def test_without_any_price_the_next_step_is_said(place: Any) -> None:
    for path in place.inbox.iterdir():
        path.unlink()
    result = kitfare(place, "refresh")
    assert result.returncode == 2 and "inbox" in result.stderr


def test_a_broken_table_is_3_and_what_is_published_stays(place: Any) -> None:
    assert kitfare(place, "refresh").returncode == 0
    before = place.published.resolve()
    parts = place.models / "hut" / "parts.csv"
    parts.write_text(parts.read_text() + "3,00501,red,many\n")
    result = kitfare(place, "refresh")
    assert result.returncode == 3
    assert "parts.csv" in result.stderr and "'many'" in result.stderr and "Traceback" not in result.stderr
    assert not result.stdout and place.published.resolve() == before


def test_two_at_once_is_4(place: Any) -> None:
    handle = os.open(place.root / ".refresh.lock", os.O_CREAT | os.O_RDWR)
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        result = kitfare(place, "refresh")
    finally:
        os.close(handle)
    assert result.returncode == 4 and "another refresh" in result.stderr and list(place.inbox.iterdir())


@pytest.mark.parametrize("step", ["take in dropped files", "plan the purchases", "write the tables"])
def test_ctrl_c_is_130_and_the_next_refresh_succeeds(step: str, place: Any) -> None:
    process = subprocess.Popen(
        [KITFARE, "refresh"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=place.root
    )
    lines = []
    for line in present(process.stderr):
        lines.append(line)
        if line.startswith(step):
            process.send_signal(signal.SIGINT)
            break
    out, rest = process.communicate(timeout=60)
    assert process.returncode == 130, "".join(lines) + rest + out
    assert "Interrupted" in rest and "Traceback" not in rest and not out
    assert not place.published.exists()
    again = kitfare(place, "refresh")
    assert again.returncode == 0 and table_of(again)["listed"] == "8.80"
