"""What SECURITY.md promises has the tests that it names."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_every_promise_names_tests_that_are_there(guides: dict[str, str]) -> None:
    rows = re.findall(r"^\| ([A-Z`].+?) \| (.+) \|$", guides["SECURITY.md"], re.M)
    assert len(rows) > 5
    names = {path.name for path in (ROOT / "tests").rglob("test_*.py")}
    for promise, tests in rows:
        found = re.findall(r"`([^`]+)`", tests)
        assert found, promise
        for test in found:
            assert (ROOT / test).exists() or test in names, f"{promise}: {test}"
