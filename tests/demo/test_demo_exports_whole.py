"""The demo's exports made again, and read whole."""

from pathlib import Path
from typing import Any

from demo_inputs import market
from demo_inputs.make_exports import SEED, make_exports
from tests.demo.test_demo_exports import NIGHTS_WITH_BAD_ROWS, PROFILE_OF, UNREADABLE, hashes


def test_a_seed_gives_the_same_bytes_and_another_seed_others(inbox: Any, tmp_path: Path) -> None:
    make_exports(tmp_path / "again")
    assert hashes(tmp_path / "again") == hashes(inbox)
    make_exports(tmp_path / "other", seed=SEED + 1)
    other, first = hashes(tmp_path / "other"), hashes(inbox)
    same = {name for name in first if other[name] == first[name]}
    assert other.keys() == first.keys() and same == {UNREADABLE}


def test_every_file_is_recognised_and_only_the_planned_rows_are_quarantined(inbox: Any, take: Any) -> None:
    quarantined: dict[str, Any] = {}
    dates: dict[str, Any] = {}
    for path in sorted(inbox.iterdir()):
        if path.name == UNREADABLE:
            continue
        taken = take(path)
        assert taken.error is None, path.name
        source = path.name.split("_")[0]
        assert taken.profile_name == PROFILE_OF[source], path.name
        if taken.quarantined_text.height:
            quarantined[path.name] = taken.quarantined_text.height
        dates.setdefault(source, set()).update(taken.rows["observed_on"])
    assert quarantined == NIGHTS_WITH_BAD_ROWS
    expected = {*market.MONTH_ENDS, *market.NIGHTS}
    assert all(dates[source] == expected for source in ("bins", "fells", "isles", "hall"))
    assert dates["ledger"] == set(market.MONTH_ENDS)
