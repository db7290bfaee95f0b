"""A night's plans made in several processes."""

from pathlib import Path

import pytest

from pipelines.errors import InputError
from pipelines.planning import night
from tests.builders.markets import (
    DAY,
    line,
    make_model,
)
from tests.planning.test_night import HOUSE, OCTOBER, night_of, same, workspace


def test_several_processes_make_the_same_plans(tmp_path: Path) -> None:
    alone = night_of(tmp_path / "one", days=(DAY, OCTOBER))
    together = night_of(tmp_path / "two", workspace(workers=2), days=(DAY, OCTOBER))
    assert same(together, alone)
    kept = [sorted(path.name for path in (tmp_path / name / "plans").iterdir()) for name in ("one", "two")]
    assert kept[0] == kept[1] and len(kept[0]) == 8


def test_an_error_in_a_worker_reaches_the_caller(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The parent's own look at demand is switched off, so that the amendment is first met by a worker."""
    wrong = make_model(
        [line(1, "brick", "red", 4)],
        amendments=[{"line_number": 1, "amendment_action": "add", "part_code": "x", "quantity": 1}],
    )
    monkeypatch.setattr(night, "_reduced", lambda inputs, model, day, given: (given, model.model_code))
    with pytest.raises(InputError) as refused:
        night_of(tmp_path, workspace(workers=2, models=(wrong, HOUSE)), days=(DAY,))
    assert "line 1" in refused.value.what
