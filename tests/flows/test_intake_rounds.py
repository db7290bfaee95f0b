"""What a user does between refreshes: corrects quarantined rows, writes a profile, decides about an export, asks while it runs."""

import csv
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pipelines.intake.profiles.draft import FILL_IN, draft_profile
from pipelines.intake.workspace.workspace_files import read_workspace_table
from pipelines.warehouse.publishing.query import run_query
from schemas.inputs.catalogue import COLOURS
from tests.builders.runs import refresh_and_show as refresh
from tests.builders.workspaces import export, make_workspace

KITFARE = str(Path(sys.executable).with_name("kitfare"))
FOREIGN = (
    "Preisliste Südhang;;;;\r\nArt. Nr;Farbton;Preis €;Bestand;Stand\r\n"
    "00501;Rot;0,07;1.200;02.11.2026\r\n00502;Blau;0,30;12;02.11.2026\r\n"
)
"""A spreadsheet's export: a title above the header, semicolons, decimal commas, Windows-1252, own words."""


@pytest.fixture
def place(tmp_path: Path) -> Any:
    place = make_workspace(tmp_path / "space")
    refresh(place)
    return place


def rows(place: Any, sql: Any) -> Any:
    return run_query(place.database, sql, max_rows=None).rows()


def messages_of(outcome: Any) -> Any:
    return "\n".join(outcome.messages)


def drop(place: Any, name: Any, content: Any) -> Any:
    path = place.inbox / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_nothing_new_changes_nothing(place: Any) -> None:
    before = {path: path.read_bytes() for path in place.published.resolve().rglob("*") if path.is_file()}
    outcome = refresh(place)
    assert not outcome.published and "Nothing new" in messages_of(outcome)
    assert {path: path.read_bytes() for path in place.published.resolve().rglob("*") if path.is_file()} == before


def test_a_corrected_row_is_accepted_and_its_parent_is_corrected(place: Any) -> None:
    drop(
        place,
        "south-new.csv",
        export("south", "2026-11-01", ("00502", "blue", "much", 9), ("00501", "red", "0.12", 20)),
    )
    assert "1 of 2 rows quarantined" in messages_of(refresh(place))
    (quarantined,) = place.quarantined.iterdir()
    text = quarantined.read_text(encoding="utf-8-sig")

    drop(place, quarantined.name, text)
    assert "1 of 1 rows quarantined" in messages_of(refresh(place))
    assert rows(place, "select distinct is_corrected from quarantined_row") == [(False,)]

    quarantined.write_text(text.replace("?much", "0.35"), encoding="utf-8-sig")
    drop(place, quarantined.name, quarantined.read_bytes())
    refresh(place)
    assert rows(place, "select distinct is_corrected from quarantined_row where file_name = 'south-new.csv'") == [
        (True,)
    ]
    assert rows(place, "select unit_price::varchar from price_history where part_code = '00502' and valid_to_on is null") == [
        ("0.350000",)
    ]  # fmt: skip
    assert not quarantined.exists(), "what was dropped back and used waits no longer"


def test_a_row_left_out_as_the_worse_of_two_is_corrected_with_the_one_that_was_kept(place: Any) -> None:
    drop(
        place,
        "south-new.csv",
        export("south", "2026-11-01", ("00502", "blue", "0.35", 9), ("00502", "blue", "0.36", 9)),
    )
    assert "2 of 2 rows quarantined" in messages_of(refresh(place))
    (quarantined,) = place.quarantined.iterdir()
    with quarantined.open(encoding="utf-8-sig", newline="") as file:
        found = list(csv.DictReader(file))
    with (place.inbox / "corrected.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(found[0]))
        writer.writeheader()
        writer.writerow(found[0])
    refresh(place)
    assert rows(place, "select is_corrected from quarantined_row") == [(True,), (True,)]


def test_a_file_of_unknown_columns_works_after_one_edit_of_its_draft(place: Any) -> None:
    name = "Preisliste_2026-11-02.csv"
    dropped = drop(place, name, FOREIGN.encode("windows-1252"))
    drafted = draft_profile(dropped, read_workspace_table(place, COLOURS))
    first = refresh(place)
    assert f"{name}: quarantined whole" in messages_of(first) and "--draft-profile" in messages_of(first)
    assert (place.quarantined / name).is_file() and not list(place.inbox.iterdir())
    assert rows(place, f"select file_status from intake_file where file_name = '{name}'") == [("quarantined",)]

    (place.quarantined / name).rename(dropped)
    assert f"{name}: quarantined whole" in messages_of(refresh(place)) and (place.quarantined / name).is_file()

    edit = {'vendor_code = "FILL IN"': 'vendor_code = "south"', '"Rot" = "FILL IN"': '"Rot" = "red"', '"Blau" = "FILL IN"': '"Blau" = "blue"'}  # fmt: skip
    for old, new in edit.items():
        assert drafted.count(old) == 1, drafted
        drafted = drafted.replace(old, new)
    (place.profiles / "south.toml").write_text(drafted, encoding="utf-8")
    drop(place, name, (place.quarantined / name).read_bytes())
    outcome = refresh(place)
    assert "quarantined" not in messages_of(outcome)
    assert not list(place.quarantined.iterdir()), "the copy that waited is no longer needed"
    assert rows(
        place, "select part_code, colour_code, unit_price::varchar, quantity_available from price_history where valid_from_on = '2026-11-02'"
    ) == [("00501", "red", "0.070000", 1200), ("00502", "blue", "0.300000", 12)]  # fmt: skip
    assert FILL_IN not in drafted.partition("\n")[2]


def test_two_unusable_files_of_one_name_are_both_kept(place: Any) -> None:
    for content in ("one\n", "two\n"):
        drop(place, "prices.csv", content)
        refresh(place)
    assert sorted(path.read_text() for path in place.quarantined.iterdir()) == ["one\n", "two\n"]


def test_an_export_that_closes_more_than_half_waits_until_it_is_accepted(place: Any) -> None:
    few = export("south", "2026-11-01", ("00501", "red", "0.12", 20))
    many = export(
        "south", "2026-10-31", *((f"0060{n}", "red", "0.10", 5) for n in range(9)), ("00501", "red", "0.12", 20)
    )
    drop(place, "south-many.csv", many.replace("full", "partial"))
    refresh(place)
    drop(place, "south-few.csv", few)
    outcome = refresh(place)
    assert "south-few.csv" in messages_of(outcome) and "kitfare accept" in messages_of(outcome)
    still_open = "select count(*) from price_history where vendor_code = 'south' and valid_to_on is null"
    before = rows(place, still_open)

    def kitfare(*arguments: Any) -> Any:
        return subprocess.run([KITFARE, *arguments], capture_output=True, text=True, timeout=120, cwd=place.root)

    assert "south-few.csv" in kitfare("status").stdout
    assert kitfare("accept", "south-few.csv").returncode == 0
    refresh(place)
    assert before > [(1,)] and rows(place, still_open) == [(1,)]
    assert rows(place, "select count(*) from vendor_export where export_standing = 'waiting'") == [(0,)]


def test_questions_are_answered_while_a_refresh_runs(place: Any) -> None:
    drop(
        place,
        "south-new.csv",
        export("south", "2026-11-01", ("00502", "blue", "0.41", 9), ("00501", "red", "0.12", 20)),
    )
    seen = []
    messages = place.root / "messages.txt"
    with messages.open("w") as file:
        running = subprocess.Popen([KITFARE, "refresh"], cwd=place.root, stdout=file, stderr=file)
        while running.poll() is None:
            seen += rows(place, "select count(*), min(priced_on)::varchar || max(priced_on)::varchar from model_cost")
    assert running.returncode == 0, messages.read_text()
    seen += rows(place, "select count(*), min(priced_on)::varchar || max(priced_on)::varchar from model_cost")
    assert len(seen) > 5
    assert [day for _, day in dict.fromkeys(seen)] == ["2026-09-302026-10-31", "2026-10-312026-11-01"]
