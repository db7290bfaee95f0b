from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.planning.plan_cache import PlanCache, digest

SCHEMA = pl.Schema({"code": pl.String(), "price": pl.Decimal(18, 6), "count": pl.Int64()})
FRAMES = {
    "one": pl.DataFrame([("00501", "1.5", 3), ("b", None, 4)], schema=SCHEMA, orient="row"),
    "two": pl.DataFrame(schema=SCHEMA),
}
SCHEMAS = dict.fromkeys(FRAMES, SCHEMA)


def same(first: Any, second: Any) -> Any:
    return first is not None and all(first[name].equals(second[name]) for name in second)


def test_what_is_stored_comes_back(tmp_path: Path) -> None:
    cache = PlanCache(tmp_path / "made" / "here")
    assert cache.fetch("k", SCHEMAS) is None
    cache.store("k", FRAMES)
    assert same(cache.fetch("k", SCHEMAS), FRAMES)
    assert cache.fetch("other", SCHEMAS) is None
    assert [path.name for path in cache.folder.iterdir()] == ["k.plan"]


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "text", "folder"])
def test_a_damaged_entry_is_absent_and_can_be_written_again(tmp_path: Path, damage: str) -> None:
    cache = PlanCache(tmp_path)
    cache.store("k", FRAMES)
    whole = cache.path("k").read_bytes()
    middle = len(whole) // 3
    written = {
        "cut": whole[:middle],
        "flip": whole[:middle] + bytes([whole[middle] ^ 255]) + whole[middle + 1 :],
        "empty": b"",
        "text": b"not a plan",
    }
    if damage == "folder":
        cache.path("k").unlink()
        cache.path("k").mkdir()
        assert cache.fetch("k", SCHEMAS) is None
        return
    cache.path("k").write_bytes(written[damage])
    assert cache.fetch("k", SCHEMAS) is None
    cache.store("k", FRAMES)
    assert same(cache.fetch("k", SCHEMAS), FRAMES)


def test_any_flipped_byte_is_found(tmp_path: Path) -> None:
    cache = PlanCache(tmp_path)
    cache.store("k", FRAMES)
    whole = cache.path("k").read_bytes()
    for place in range(0, len(whole), 7):
        cache.path("k").write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        assert cache.fetch("k", SCHEMAS) is None, place


def test_an_entry_with_other_tables_or_columns_is_absent(tmp_path: Path) -> None:
    cache = PlanCache(tmp_path)
    cache.store("k", FRAMES)
    assert cache.fetch("k", {**SCHEMAS, "three": SCHEMA}) is None
    assert cache.fetch("k", {"one": pl.Schema({**SCHEMA, "more": pl.Int64()})}) is None


def test_the_least_recently_used_go_first(tmp_path: Path) -> None:
    import os

    cache = PlanCache(tmp_path)
    for age, key in enumerate("abcd"):
        cache.store(key, FRAMES)
        os.utime(cache.path(key), (1000 - age, 1000 - age))
    (tmp_path / ".x.1.tmp").write_bytes(b"left by a killed writer")
    assert same(cache.fetch("d", SCHEMAS), FRAMES)
    cache.prune(keep=2)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.plan", "d.plan"]
    PlanCache(tmp_path / "nowhere").prune(keep=1)


def test_different_values_have_different_digests() -> None:
    frame = FRAMES["one"]
    lists = pl.DataFrame({"a": [["x", "y"], []]}, schema={"a": pl.List(pl.String)})
    different = [
        (frame,),
        (frame.reverse(),),
        (frame.rename({"code": "name"}),),
        (frame.with_columns(pl.col("count").cast(pl.Int32)),),
        (frame.with_columns(pl.lit("").alias("code")),),
        (frame.with_columns(pl.lit(None, pl.String).alias("code")),),
        (frame, frame),
        (frame.head(1), frame.tail(1)),
        (lists,),
        (lists.reverse(),),
        ("a", "b"),
        ("ab",),
        (1,),
        ("1",),
        (None,),
    ]
    keys = [digest(*values) for values in different]
    assert len(set(keys)) == len(different)
    assert digest(frame.clone(), "a") == digest(frame, "a")
