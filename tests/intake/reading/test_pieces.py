"""A large plain text is read piece by piece, and gives what it gives when read whole."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from random import Random
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake.profiles.profiles import Profile
from pipelines.intake.reading import readers, text_grids
from pipelines.intake.reading.readers import ReadOptions, open_source
from pipelines.intake.take_in import TakenFile, examine
from schemas.inputs.catalogue import CODE_MAP
from schemas.validate import empty_frame
from tests.builders.length import examples

HEADER = "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available,observed_on,coverage"
SETTINGS = settings(max_examples=examples(60, 2000), deadline=None, suppress_health_check=list(HealthCheck))

part = st.sampled_from(["00501", "00502", "P1", "P\u00e9", ""])
row = st.one_of(
    st.builds(
        "acorn,{},red,new,{},EUR,{},2026-01-{},{}".format,
        part,
        st.sampled_from(["0.10", "0.11", "0", "x"]),
        st.sampled_from(["5", "7"]),
        st.sampled_from(["10", "11"]),
        st.sampled_from(["full", "full", "full", "partial", ""]),
    ),
    st.sampled_from(["", ",,,,,,,,", "too,few", "acorn,1,red,new,0.1,EUR,5,2026-01-10,full,extra", "  "]),
)


def same(one: TakenFile, other: TakenFile) -> None:
    assert str(one.error) == str(other.error)
    for name in ("rows", "failures", "quarantined_text", "quarantined_keys", "parents"):
        left, right = getattr(one, name), getattr(other, name)
        assert left.equals(right) and left.schema == right.schema, name
    for name in ("contract", "profile_name", "unreadable_key_count", "read_row_count", "duplicate_row_count", "notes"):
        assert getattr(one, name) == getattr(other, name), name


def both_ways(path: Path, profiles: Any = (), piece_bytes: int = 100) -> tuple[TakenFile, TakenFile]:
    whole = examine(path, "a" * 64, "prices.csv", profiles, empty_frame(CODE_MAP))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readers, "PIECE_BYTES", piece_bytes)
        pieces = examine(path, "a" * 64, "prices.csv", profiles, empty_frame(CODE_MAP))
    return whole, pieces


@SETTINGS
@given(st.lists(row, max_size=25), st.sampled_from(["\n", "\r\n"]), st.booleans(), st.integers(90, 400))
def test_pieces_give_what_the_whole_gives(
    tmp_path_factory: pytest.TempPathFactory, rows: list[str], ending: str, has_last_ending: bool, piece_bytes: int
) -> None:
    path = tmp_path_factory.mktemp("pieces", numbered=True) / "prices.csv"
    text = ending.join([HEADER, *rows]) + (ending if has_last_ending else "")
    path.write_bytes(text.encode())
    same(*both_ways(path, piece_bytes=piece_bytes))


def long_text(count: int = 60) -> str:
    return "".join(f"acorn,{n:05},red,new,0.10,EUR,5,2026-01-10,full\n" for n in range(count))


def test_a_long_text_is_read_in_several_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "prices.csv"
    path.write_text(f"{HEADER}\n{long_text()}")
    monkeypatch.setattr(readers, "PIECE_BYTES", 500)
    source = open_source(path)
    tables = list(source.pieces(ReadOptions()))
    assert len(tables) > 4
    positions = pl.concat([table.frame for table in tables]).select("source_line_number", "record_number").rows()
    assert positions == [(n + 1, n) for n in range(1, 61)]


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("00030", '"00030"'),
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r"),
        lambda text: text + "x" * 3000 + "\n",
        lambda text: text.replace("00030", "0003\0"),
        lambda text: text.replace("00030", "S\u00fcd").encode("cp1252"),
    ],
    ids=["quotes", "byte order mark", "other line ends", "long line", "NUL", "other encoding"],
)
def test_anything_out_of_the_ordinary_is_read_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[..., Any]
) -> None:
    text = change(f"{HEADER}\n{long_text()}")
    path = tmp_path / "prices.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    same(*both_ways(path, piece_bytes=500))
    monkeypatch.setattr(readers, "PIECE_BYTES", 500)
    assert not open_source(path).is_plain(ReadOptions())


def test_rows_that_contradict_each_other_from_piece_to_piece_are_quarantined_with_their_text(tmp_path: Path) -> None:
    lines = long_text().splitlines()
    text = "\n".join(
        [
            HEADER,
            *lines,
            lines[3].replace("0.10", "0.20"),
            lines[4],
            lines[9].replace("2026-01-10,full", "2026-01-10,partial"),
        ]
    )
    path = tmp_path / "prices.csv"
    path.write_text(text)
    whole, pieces = both_ways(path, piece_bytes=500)
    same(whole, pieces)
    assert pieces.duplicate_row_count == 1 and pieces.quarantined_text.height >= 2


def test_a_profile_and_a_title_above_the_header(tmp_path: Path) -> None:
    profile = Profile.model_validate(
        {
            "profile_name": "odd", "source_code": "odd", "table": "price_export", "recognise": {"file_name": "*.csv"},
            "columns": {"part_code": "No", "unit_price": "Price", "quantity_available": "Stock"},
            "constants": {"vendor_code": "acorn", "colour_code": "red", "condition": "new", "currency_code": "EUR",
                          "observed_on": date(2026, 1, 10).isoformat(), "coverage": "full"},
            "numbers": {"decimal": ","},
            "reading": {"header_line": 2, "separator": ";"},
        }
    )  # fmt: skip
    path = tmp_path / "prices.csv"
    body = "".join(f"{n:05};0,{n:02};{n}\n" for n in range(60))
    path.write_text("List of the day\nNo;Price;Stock\n" + body)
    whole, pieces = both_ways(path, [profile], piece_bytes=200)
    same(whole, pieces)
    assert pieces.error is None and pieces.rows.height == 59 and pieces.failures["quarantined_rule"].n_unique() == 1


def test_the_quick_split_gives_what_the_careful_one_gives_or_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = Random(5)
    cells = ["a", "", "b c", " ", "1", "é", "x" * 20, " y ", "#z", "'", "\u00a0"]
    quick_count = 0
    for _ in range(400):
        width = rng.choice((2, 3, 4))
        lines = [
            ",".join(rng.choice(cells) for _ in range(width if rng.random() < 0.97 else rng.choice((1, width + 1))))
            for _ in range(rng.randint(1, 9))
        ]
        text = "\n".join(lines) + rng.choice(("", "\n"))
        header = tuple(f"column {number}" for number in range(width))
        quick = text_grids.even_grid(text.encode(), ",", header)
        with monkeypatch.context() as patched:
            patched.setattr(readers, "even_grid", lambda *_: None)
            careful = text_grids.plain_grid(text, ",", 0, header)
        if quick is not None:
            quick_count += 1
            assert careful is not None and quick.frame.equals(careful.frame), text
    assert quick_count > 50
