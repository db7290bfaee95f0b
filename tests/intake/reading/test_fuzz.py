"""Whatever the bytes of a dropped file: an answer in words within bounds, and every row accounted for.

``KITFARE_LONG_TESTS=1`` tries many more inputs; the number tried is printed with ``pytest -s``.
"""

import gzip
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.errors import KitfareError
from pipelines.intake.profiles.draft import draft_profile
from pipelines.intake.reading.readers import ReadOptions, read_as_text
from tests.builders.files import OUR_HEADER, OUR_ROW, take, write_csv
from tests.builders.hostile_files import check_answer
from tests.builders.length import examples

TRIED: Counter[str] = Counter()


def limits(usual: int, at_length: int) -> settings:
    return settings(max_examples=examples(usual, at_length), deadline=None, suppress_health_check=list(HealthCheck))


@pytest.fixture(scope="module", autouse=True)
def count_printed() -> Iterator[Any]:
    yield
    print(f"\ninputs tried: {dict(TRIED)}, {sum(TRIED.values())} in all")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


def check_taken_in(folder: Path, data: bytes, kind: str) -> None:
    """Take the bytes in, and check what is promised of the answer."""
    TRIED[kind] += 1
    path = folder / f"input.{kind}"
    path.write_bytes(data)
    check_answer(take(path, folder))


cell = st.one_of(
    st.sampled_from(
        [*OUR_ROW, "", "00501", "=1+1", "1.234,56", "1e300", "NaN", "-1", "2026-02-30", '"', "'", "\u00a0", "\u0420"]
    ),
    st.text(max_size=6),
)
lines = st.lists(st.lists(cell, min_size=1, max_size=11), max_size=8)


@limits(60, 3_000)
@given(
    lines,
    st.sampled_from(",;\t"),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
)
def test_text_made_of_likely_pieces(folder: Path, rows: list[Any], separator: str, ending: str, encoding: str) -> None:
    text = ending.join(separator.join(row) for row in [OUR_HEADER, OUR_ROW, *rows])
    check_taken_in(folder, text.encode(encoding, errors="replace"), "csv")


@limits(60, 3_000)
@given(st.binary(max_size=400))
def test_any_bytes(folder: Path, data: bytes) -> None:
    check_taken_in(folder, data, "bin")


@pytest.fixture(scope="module")
def seeds(folder: Path) -> dict[str, bytes]:
    frame = pl.DataFrame([OUR_ROW] * 3, schema=OUR_HEADER, orient="row")
    whole = write_csv(folder / "seed.csv", [OUR_ROW] * 3).read_bytes()
    frame.write_parquet(folder / "seed.parquet")
    frame.write_ndjson(folder / "seed.jsonl")
    return {
        "csv": whole,
        "csv.gz": gzip.compress(whole, mtime=0),
        "parquet": (folder / "seed.parquet").read_bytes(),
        "jsonl": (folder / "seed.jsonl").read_bytes(),
    }


changes = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), max_size=8)


def changed(data: bytes, edits: list[tuple[float, int]], cut: float) -> bytes:
    found = bytearray(data)
    for place, value in edits:
        found[int(place * len(found))] = value
    return bytes(found[: max(1, int(cut * len(found)))])


@limits(60, 3_000)
@given(st.sampled_from(["csv", "csv.gz", "parquet", "jsonl"]), changes, st.sampled_from([1.0, 1.0, 1.0, 0.9, 0.5, 0.1]))
def test_good_files_with_some_bytes_changed(
    folder: Path, seeds: dict[str, bytes], kind: str, edits: list[tuple[float, int]], cut: float
) -> None:
    check_taken_in(folder, changed(seeds[kind], edits, cut), kind)


@limits(25, 1_000)
@given(lines, st.sampled_from(",;\t|"), st.integers(1, 4), st.sampled_from([None, "utf-8", "cp1252", "utf-16"]))
def test_readers_and_drafts_answer_in_words(
    folder: Path, rows: list[Any], separator: str, header_line: int, encoding: str | None
) -> None:
    TRIED["options"] += 1
    path = folder / "options.csv"
    path.write_bytes("\n".join(separator.join(row) for row in rows).encode())
    for read in (
        lambda: read_as_text(path, ReadOptions(encoding, separator, header_line)),
        lambda: draft_profile(path),
    ):
        try:
            read()
        except KitfareError as error:
            assert error.what and error.where
