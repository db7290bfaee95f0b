"""Nights of hostile files: none stops, every row is accounted for, and the history that follows can be read.

``KITFARE_HOSTILE_FILES=20000`` sets how many files are tried, all kinds together; ``pytest -s`` prints how many were.
"""

import os
import tempfile
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipelines.flows.steps import file_by_file
from pipelines.intake import quarantine
from pipelines.intake.archiving import journal
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, market
from schemas.contract import FIRST_PRICE_DAY, LAST_PRICE_DAY
from tests.builders.files import take
from tests.builders.hostile_files import check_answer, light_files, names, put, spreadsheets
from tests.builders.length import examples
from tests.builders.taken_files import NOW

FILES_A_NIGHT = 10
OTHERS_FOR_A_SPREADSHEET = 40
"""Reading a spreadsheet takes a process, so few of the files are spreadsheets."""

AT_LENGTH = 20_000
TRIED: Counter[str] = Counter()


def limits(usual: int, files_for_one: int) -> settings:
    """How many examples: those of the usual run, or one for so many files of the number that is asked for."""
    asked = int(os.environ.get("KITFARE_HOSTILE_FILES", "0"))
    count = -(-asked // files_for_one) if asked else examples(usual, AT_LENGTH // files_for_one)
    # Not made smaller on failure, which takes long with files: the note names the file.
    phases = [Phase.explicit, Phase.generate]
    return settings(
        max_examples=count, deadline=None, suppress_health_check=list(HealthCheck), database=None, phases=phases
    )


@pytest.fixture(scope="module", autouse=True)
def count_printed() -> Iterator[Any]:
    yield
    print(f"\nhostile files tried: {sum(TRIED.values())}; {dict(TRIED)}")


def live_through(folder: Path, dropped: list[tuple[bytes, bytes]]) -> None:
    """Take files in, load them, fold, and read what a refresh reads of the history; all that is promised is checked."""
    with connect.writer(Path(":memory:")) as con:
        received = {}
        journal.note_inputs(folder / "archive", {"kitfare.toml": "00"})
        for number, (name, content) in enumerate(dropped):
            place = folder / str(number)
            place.mkdir(exist_ok=True)
            path = put(place, name, content)
            try:
                taken = take(path, folder)
                check_answer(taken)
            except BaseException as error:
                error.add_note(f"the file {name!r} begins with {content[:1000]!r}")
                raise
            finally:
                path.unlink()
            loaded, status = file_by_file.load_file(con, taken, NOW)
            assert loaded is taken
            TRIED[status if taken.error is None else "quarantined whole"] += 1
            if not file_by_file.write_quarantined(taken, folder / "quarantine") and taken.quarantined_text.height:
                written = quarantine.quarantined_path(taken, folder / "quarantine")
                assert written.read_bytes() and written.name.isprintable()
                written.unlink()
            received[taken.file_hash] = taken
        history.fold(con)
        assert history.unaccounted_files(con) == []
        assert not history.is_pending(con) and history.fingerprint(con)
        readings = load.readings(con)
        assert {file.file_hash for file in readings} == set(received)
        journal.note_readings(folder / "archive", [(f.file_hash, f.file_name, f.received_at) for f in readings])
        assert set(received) <= {reading.file_hash for reading in journal.read_journal(folder / "archive").readings}
        for day in {*filter(None, history.observed_dates(con)), date(2026, 10, 31)}:
            assert FIRST_PRICE_DAY <= day <= LAST_PRICE_DAY
            market.market_on(con, day, 30)


@limits(6, FILES_A_NIGHT)
@given(st.lists(st.tuples(names, light_files), min_size=FILES_A_NIGHT, max_size=FILES_A_NIGHT))
def test_nights_of_hostile_files(dropped: list[tuple[bytes, bytes]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        live_through(Path(folder), dropped)


@limits(2, OTHERS_FOR_A_SPREADSHEET)
@given(st.data())
def test_nights_of_hostile_spreadsheets(data: Any) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        live_through(folder, [(data.draw(names), data.draw(spreadsheets(folder)))])
