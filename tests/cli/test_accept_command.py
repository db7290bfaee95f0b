"""``kitfare accept``: finds the one export that is meant, and adds a row to the user's file and changes nothing else in it."""

import csv
import hashlib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.cli.nightly import accept
from pipelines.cli.nightly.file_decisions import KnownFile

NORTH = hashlib.sha256(b"north").hexdigest()
SOUTH = hashlib.sha256(b"south").hexdigest()
HEADER = "file_hash,decided_on,reason"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    (tmp_path / "kitfare.toml").touch()
    (tmp_path / "tables").mkdir()
    waiting = [
        KnownFile(NORTH, "north.csv", "north on 2026-10-31"),
        KnownFile(SOUTH, "south.csv", "south on 2026-10-31"),
    ]
    monkeypatch.setattr(accept, "_waiting", lambda place: waiting)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: Any) -> Any:
    return CliRunner().invoke(app, ["accept", *arguments])


def decisions(place: Any) -> Any:
    with (place / "tables" / "accepted_exports.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("needed", ["north.csv", NORTH, NORTH[:6], NORTH[:12].upper(), "copy.csv"])
def test_a_name_a_hash_or_a_copy_of_the_file_is_enough(needed: Any, place: Any) -> None:
    (place / "copy.csv").write_bytes(b"north")
    result = run(needed, "--reason", 'closing, "really"')
    assert result.exit_code == 0, result.output
    assert "north on 2026-10-31" in result.stdout
    assert decisions(place) == [
        {"file_hash": NORTH, "decided_on": date.today().isoformat(), "reason": 'closing, "really"'}
    ]


@pytest.mark.parametrize("needed", ["other.csv", NORTH[:5], "", "zz" + NORTH[2:], NORTH + "0", "*"])
def test_what_does_not_wait_is_refused_and_what_does_is_listed(needed: Any, place: Any) -> None:
    result = run(needed)
    assert result.exit_code == 2
    assert NORTH[:12] in result.stderr and SOUTH[:12] in result.stderr
    assert not (place / "tables" / "accepted_exports.csv").exists()


def test_a_name_that_fits_several_is_refused(place: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    twice = [
        KnownFile(NORTH, "x.csv", "north on 2026-10-30"),
        KnownFile(SOUTH, "x.csv", "north on 2026-10-31"),
    ]
    monkeypatch.setattr(accept, "_waiting", lambda place: twice)
    result = run("x.csv")
    assert result.exit_code == 2 and "several" in result.stderr
    assert NORTH[:12] in result.stderr and SOUTH[:12] in result.stderr


def test_accepting_twice_writes_once(place: Any) -> None:
    run("north.csv")
    for again in ("north.csv", NORTH[:8]):
        result = run(again)
        assert result.exit_code == 0 and "already" in result.stdout
    assert len(decisions(place)) == 1


def test_an_accepted_export_that_no_longer_waits_is_known_by_its_hash(
    place: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("north.csv")
    monkeypatch.setattr(accept, "_waiting", lambda place: [])
    assert "already" in run(NORTH[:8]).stdout


@pytest.mark.parametrize(
    "text",
    [
        f"{HEADER}\nabc123,2026-01-01,why",
        f"\ufeff{HEADER}\r\nabc123,2026-01-01,why\r\n",
        "reason,file_hash,decided_on\nwhy,abc123,2026-01-01\n",
    ],
)
def test_the_rows_that_are_there_stay(text: str, place: Any) -> None:
    path = place / "tables" / "accepted_exports.csv"
    path.write_bytes(text.encode())
    assert run("south.csv").exit_code == 0
    first, second = decisions(place)
    assert first == {"file_hash": "abc123", "decided_on": "2026-01-01", "reason": "why"}
    assert second["file_hash"] == SOUTH
    assert sorted(entry.name for entry in path.parent.iterdir()) == ["accepted_exports.csv"]


@pytest.mark.parametrize(
    "content", [b"hash;when\nabc;2026-01-01\n", b"", b"\xff\xfe\x00x", f"{HEADER}\n\xe9".encode("latin-1")]
)
def test_a_file_of_another_shape_is_not_touched(content: Any, place: Any) -> None:
    path = place / "tables" / "accepted_exports.csv"
    path.write_bytes(content)
    result = run("south.csv")
    assert result.exit_code == 3 and "accepted_exports.csv" in result.stderr
    assert path.read_bytes() == content


def test_decisions_kept_in_another_kind_of_file_are_not_split_in_two(place: Any) -> None:
    (place / "tables" / "accepted_exports.xlsx").write_bytes(b"PK")
    result = run("south.csv")
    assert result.exit_code == 3 and "accepted_exports.xlsx" in result.stderr
    assert not (place / "tables" / "accepted_exports.csv").exists()
